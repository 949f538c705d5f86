"""SCPI through the ordinary VISA stack: a TCP instrument of our own, and PyVISA-sim."""

import subprocess
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from ringland.errors import SettingError
from ringland.instruments.profile import load_profile
from ringland.instruments.protocol import Block, Ended, InstrumentFault, Wanted, WantedInput
from ringland.instruments.visa import VisaInstrument
from ringland.model import ChannelRole

pytest.importorskip("pyvisa", reason="PyVISA is not installed")
pytest.importorskip("pyvisa_py", reason="pyvisa-py is not installed")

HERE = Path(__file__).parent
PROFILE = HERE / "scpi_engine.toml"
WANTED = Wanted(
    10_000.0,
    (
        WantedInput("exhaust", ChannelRole.EXHAUST),
        WantedInput("3", ChannelRole.IGNITION, gain=2.0),
    ),
)


@pytest.fixture
def port() -> Iterator[int]:
    process = subprocess.Popen(
        [sys.executable, str(HERE / "scpi_engine.py")], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    yield int(process.stdout.readline())
    process.terminate()
    process.wait()
    process.stdout.close()


def at(port: int) -> VisaInstrument:
    return VisaInstrument(f"TCPIP0::127.0.0.1::{port}::SOCKET", PROFILE)


def test_an_engine_over_scpi(port: int) -> None:
    instrument = at(port)
    info = instrument.describe()
    assert info.title == "Invented,SCPI engine,0,1"
    assert [i.name for i in info.inputs] == ["exhaust", "crankcase", "ignition"]
    set_up = instrument.configure(WANTED)
    assert set_up.rate_hz == 10_000.0
    assert [c.role for c in set_up.channels] == [ChannelRole.EXHAUST, ChannelRole.IGNITION]
    instrument.arm()
    blocks = [instrument.fetch(2.0) for _ in range(4)]
    instrument.stop()
    good = [b for b in blocks if isinstance(b, Block)]
    assert [b.first for b in good] == [0, 2000, 4000, 6000]
    samples = np.concatenate([b.samples for b in good])
    # 750 rpm, four cylinders: a firing every 40 ms = 400 samples, each pulse 1 V high
    peaks = np.flatnonzero(samples[:, 0] > 0.999)
    assert np.diff(peaks[np.diff(peaks, prepend=-10) > 10]).tolist() == [400] * (
        len(samples) // 400 - 1
    )
    assert samples[:, 1].max() == pytest.approx(4.0, abs=1e-3)  # 2 V times the gain asked for


def test_a_lower_rate_is_told(port: int) -> None:
    instrument = at(port)
    assert instrument.configure(Wanted(1e6, WANTED.inputs)).rate_hz == 20_000.0
    instrument.stop()


def test_an_instrument_that_reboots_ends_the_recording(port: int) -> None:
    instrument = at(port)
    instrument.configure(WANTED)
    instrument.arm()
    assert isinstance(instrument.fetch(2.0), Block)
    instrument._write("BOOT")
    ended = instrument.fetch(2.0)
    instrument.stop()
    assert isinstance(ended, Ended)
    assert ended.fault


def test_nobody_there() -> None:
    with pytest.raises(InstrumentFault, match="No instrument answers"):
        VisaInstrument("TCPIP0::127.0.0.1::9::SOCKET", PROFILE).describe()


def test_pyvisa_sim(tmp_path: Path) -> None:
    # the simulated backend of the VISA makers' own test suite, with a device of our own
    pytest.importorskip("pyvisa_sim", reason="PyVISA-sim is not installed")
    device = tmp_path / "device.yaml"
    device.write_text(
        textwrap.dedent(
            """
            spec: "1.1"
            devices:
              engine:
                eom:
                  ASRL INSTR:
                    q: "\\n"
                    r: "\\n"
                dialogues:
                  - q: "*IDN?"
                    r: "Invented,simulated,0,1"
                  - q: "RATE?"
                    r: "5000"
                properties:
                  rate:
                    default: 5000
                    setter:
                      q: "RATE {:s}"
                    specs:
                      type: str
            resources:
              ASRL1::INSTR:
                device: engine
            """
        )
    )
    instrument = VisaInstrument("ASRL1::INSTR", PROFILE, library=f"{device}@sim")
    assert instrument.describe().title == "Invented,simulated,0,1"
    assert instrument._ask("RATE?").strip() == "5000"
    instrument.stop()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "inputs"),
        ('name="a"\ninputs=["1"]\nfetch="D? {who}"', "who"),
        ('name="a"\ninputs=["1"]\nfetch="D? {input.__class__}"', "not known"),
        ('name="a"\ninputs=["1"]\nfetch="D?"\ncolour="red"', "colour"),
        ('name="a"\ninputs=["1"]\nfetch="D?"\narm=["\\u0007"]', "arm"),
        ("name = ", "TOML"),
    ],
)
def test_wrong_profiles_are_refused(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "p.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(SettingError) as caught:
        load_profile(path)
    assert said in caught.value.text()


def test_what_cannot_be_a_block_ends_it(port: int, tmp_path: Path) -> None:
    profile = load_profile(PROFILE).model_copy(update={"fetch": "SCALE? {input}"})
    instrument = VisaInstrument(f"TCPIP0::127.0.0.1::{port}::SOCKET", profile)
    instrument.configure(WANTED)
    instrument.arm()
    ended = instrument.fetch(2.0)
    instrument.stop()
    assert isinstance(ended, Ended)

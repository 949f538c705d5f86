"""Real stacks without hardware: sigrok-cli's demo device, ALSA's file plugin, TCP, a folder."""

import json
import os
import shutil
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from ringland.errors import SettingError
from ringland.instruments.folder import FolderWatch
from ringland.instruments.keep import Keeper, KeptHead
from ringland.instruments.protocol import (
    Block,
    Ended,
    Instrument,
    InstrumentFault,
    LiveChannel,
    SetUp,
    Wanted,
    WantedInput,
)
from ringland.instruments.registry import find_instruments, open_instrument, split_address
from ringland.instruments.sigrok import PROGRAM, SigrokInstrument
from ringland.instruments.stream import StreamInstrument
from ringland.model import ChannelRole, Condition


def collect(instrument: Instrument, samples: int, longest_s: float = 20.0) -> list[Block]:
    """Blocks until there are so many samples."""
    blocks: list[Block] = []
    stop = time.monotonic() + longest_s
    while sum(len(b.samples) for b in blocks) < samples and time.monotonic() < stop:
        got = instrument.fetch(0.2)
        if isinstance(got, Ended):
            break
        if got is not None:
            blocks.append(got)
    return blocks


needs_sigrok = pytest.mark.skipif(
    shutil.which(PROGRAM) is None, reason="sigrok-cli is not installed"
)


@needs_sigrok
def test_sigrok_demo_device() -> None:
    # libsigrok's demo driver: A1 is a sine of +-10 V, A0 a square
    instrument = SigrokInstrument("demo:analog_channels=3:logic_channels=0")
    assert [i.name for i in instrument.describe().inputs][:3] == ["A0", "A1", "A2"]
    wanted = Wanted(
        20_000.0,
        (
            WantedInput("A1", ChannelRole.EXHAUST),
            WantedInput("A0", ChannelRole.CRANKCASE, gain=0.5),
        ),
    )
    assert instrument.configure(wanted).rate_hz == 20_000.0
    instrument.arm()
    blocks = collect(instrument, 4000)
    instrument.stop()
    rows = np.concatenate([b.samples for b in blocks])
    assert len(rows) >= 4000
    assert [b.first for b in blocks[1:]] == [b.stop for b in blocks[:-1]]
    assert np.abs(rows[:, 0]).max() == pytest.approx(10.0, abs=0.01)
    assert len(np.unique(np.round(np.abs(rows[:, 0]), 3))) > 3  # a sine, not a square
    assert set(np.unique(np.abs(rows[:, 1]))) == {5.0}  # the square at half gain


@needs_sigrok
def test_sigrok_refuses_what_is_no_driver() -> None:
    for wrong in ("demo; rm x", "--help", "demo\n", "", "Demo Device"):
        with pytest.raises(SettingError):
            SigrokInstrument(wrong)
    with pytest.raises(InstrumentFault):
        SigrokInstrument("no-such-driver").describe()


ALSA = """
</usr/share/alsa/alsa.conf>
pcm.ringland_engine {{
  type file
  slave.pcm "null"
  file "/dev/null"
  infile "{path}"
  format "raw"
  hint {{ show on  description "ringland engine" }}
}}
"""
LISTEN = """
import json, sys, time
import numpy as np
from ringland.instruments.sound import SoundInstrument
from ringland.instruments.protocol import Block, Wanted, WantedInput
from ringland.model import ChannelRole
sound = SoundInstrument("ringland_engine", ac_hz=2.0)
info = sound.describe()
set_up = sound.configure(Wanted(48000.0, (WantedInput("1", ChannelRole.EXHAUST),
                                          WantedInput("2", ChannelRole.CRANKCASE))))
sound.arm()
parts, stop = [], time.monotonic() + 15
while sum(map(len, parts)) < 20000 and time.monotonic() < stop:
    got = sound.fetch(0.2)
    if isinstance(got, Block):
        parts.append(got.samples)
sound.stop()
rows = np.concatenate(parts)[:20000]
np.save(sys.argv[1], rows)
print(json.dumps({"title": info.title, "rate": set_up.rate_hz,
                  "ac": set_up.channels[0].ac_corner_hz, "rows": len(rows)}))
"""


@pytest.mark.skipif(
    not Path("/usr/share/alsa/alsa.conf").exists(), reason="ALSA's configuration is not installed"
)
def test_sound_through_alsas_file_plugin(tmp_path: Path) -> None:
    try:
        import sounddevice  # type: ignore[import-untyped]  # noqa: F401
    except (ImportError, OSError) as error:
        pytest.skip(f"PortAudio or sounddevice is not installed: {error}")
    # a known wave, two channels side by side; the plugin hands the bytes over as they are, so they
    # must be in the format PortAudio asks for
    n = np.arange(480_000)
    wave = np.stack([0.4 * np.sin(2 * np.pi * n / 480), 0.2 * np.sin(2 * np.pi * n / 96)], axis=1)
    raw = tmp_path / "engine.raw"
    raw.write_bytes(wave.astype("=f4").tobytes())
    config = tmp_path / "alsa.conf"
    config.write_text(ALSA.format(path=raw))
    done = subprocess.run(
        [sys.executable, "-c", LISTEN, str(tmp_path / "heard.npy")],
        env={**os.environ, "ALSA_CONFIG_PATH": str(config)},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    if "There is no sound input" in done.stderr:
        pytest.skip(f"PortAudio does not list the plugin here: {done.stderr[-300:]}")
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout.splitlines()[-1])
    assert told["rate"] == 48_000.0
    assert told["ac"] == 2.0
    heard = np.load(tmp_path / "heard.npy")
    spectrum = np.abs(np.fft.rfft(heard * np.hanning(len(heard))[:, None], axis=0))
    lines = np.argmax(spectrum, axis=0) * 48_000.0 / len(heard)
    assert lines == pytest.approx([100.0, 500.0], abs=3.0)
    np.testing.assert_allclose(heard, wave[: len(heard)], atol=1e-6)  # not one sample lost


SET_UP = SetUp("a recorder", 1000.0, (LiveChannel("exhaust", ChannelRole.EXHAUST, "Pa"),))


def sender(tmp_path: Path, chunks: int, *, damage: bool = False) -> int:
    """Send a kept file over a socket in small pieces; returns the port."""
    path = tmp_path / "sent.blocks"
    with Keeper(path, KeptHead(SET_UP, Condition.IDLE, "2026-03-09T08:00:00Z")) as keeper:
        for i in range(chunks):
            keeper.append(Block(100 * i, np.full((100, 1), i, np.float32), 0.0))
    data = bytearray(path.read_bytes())
    if damage:
        data[-100] ^= 1
    server = socket.create_server(("127.0.0.1", 0))

    def send() -> None:
        client, _ = server.accept()
        with client, server:
            for at in range(0, len(data), 333):
                client.sendall(data[at : at + 333])
                time.sleep(0.001)

    threading.Thread(target=send, daemon=True).start()
    return int(server.getsockname()[1])


def test_tcp_stream(tmp_path: Path) -> None:
    instrument = StreamInstrument(f"127.0.0.1:{sender(tmp_path, 20)}")
    set_up = instrument.configure(
        Wanted(500.0, (WantedInput("exhaust", ChannelRole.EXHAUST, gain=2.0),))
    )
    assert set_up.rate_hz == 1000.0  # the sender's
    instrument.arm()
    blocks = collect(instrument, 2000)
    ended = instrument.fetch(1.0)
    instrument.stop()
    assert [b.first for b in blocks] == list(range(0, 2000, 100))
    assert [float(b.samples[0, 0]) for b in blocks] == [2.0 * i for i in range(20)]
    assert isinstance(ended, Ended)
    assert ended.fault  # a sender that closes was not asked to


def test_a_damaged_block_is_never_taken(tmp_path: Path) -> None:
    instrument = StreamInstrument(f"127.0.0.1:{sender(tmp_path, 3, damage=True)}")
    instrument.configure(Wanted(1000.0, (WantedInput("1", ChannelRole.EXHAUST),)))
    instrument.arm()
    blocks = collect(instrument, 300, longest_s=5.0)
    instrument.stop()
    assert [b.first for b in blocks] == [0, 100]


def test_a_stranger_at_the_port() -> None:
    server = socket.create_server(("127.0.0.1", 0))

    def send() -> None:
        client, _ = server.accept()
        with client, server:
            client.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n")

    threading.Thread(target=send, daemon=True).start()
    with pytest.raises(InstrumentFault, match="not a stream of blocks"):
        StreamInstrument(f"127.0.0.1:{server.getsockname()[1]}").describe()


def wait_for(watch: FolderWatch, longest_s: float = 10.0) -> Path | None:
    stop = time.monotonic() + longest_s
    while time.monotonic() < stop:
        if (path := watch.poll()) is not None:
            return path
        time.sleep(0.02)
    return None


def test_a_folder_is_patient(tmp_path: Path) -> None:
    (tmp_path / "old.csv").write_text("time,exhaust\n0,1\n")
    watch = FolderWatch(tmp_path, settle_s=0.4)
    whole = "time,exhaust\n" + "".join(f"{i / 1000},{i % 7}\n" for i in range(400))

    def save() -> None:  # in pieces, with pauses shorter than the settling time
        with (tmp_path / "slow.csv").open("w") as file:
            for at in range(0, len(whole), 800):
                file.write(whole[at : at + 800])
                file.flush()
                time.sleep(0.15)

    thread = threading.Thread(target=save)
    thread.start()
    path = wait_for(watch)
    thread.join()
    assert path is not None
    assert path.name == "slow.csv"
    assert path.read_text() == whole  # not before it was finished
    assert wait_for(watch, 0.6) is None  # and only once


def test_a_renamed_file_is_taken_when_renamed(tmp_path: Path) -> None:
    watch = FolderWatch(tmp_path, settle_s=0.2)
    unfinished = tmp_path / "r.csv.part"
    unfinished.write_text("time,exhaust\n0,1\n")
    assert wait_for(watch, 0.6) is None
    unfinished.rename(tmp_path / "r.csv")
    path = wait_for(watch)
    assert path is not None
    assert path.name == "r.csv"


def test_addresses_are_taken_apart() -> None:
    assert split_address("visa:TCPIP0::h::5025::SOCKET?profile=a.toml") == (
        "visa", "TCPIP0::h::5025::SOCKET", {"profile": "a.toml"},
    )  # fmt: skip
    assert split_address("simulator?seed=3&fault=ring_leak:3:4mm2") == (
        "simulator", "", {"seed": "3", "fault": "ring_leak:3:4mm2"},
    )  # fmt: skip
    for wrong in ("", "Sound", "nothing:1", "sound:1?ac_hz", "sound:1?ac_hz=x", "sound:1?b=1",
                  "tcp:host", "tcp:host:0", "visa:ASRL1::INSTR"):  # fmt: skip
        with pytest.raises(SettingError):
            open_instrument(wrong)


def test_what_is_missing_says_why() -> None:
    for kind, rows in find_instruments():
        assert rows, kind.name
        assert all(row.says for row in rows)

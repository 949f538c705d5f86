"""Good recordings, made and real, are not called bad."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import scipy.io.wavfile
from numpy.typing import NDArray

from ringland.model import Channel, ChannelRole, Condition, EngineSpec, Recording, Verdict
from ringland.quality import check_recording

Make = Callable[..., NDArray[np.float64]]
BAD = (Verdict.SUSPECT, Verdict.UNUSABLE)


def _good(
    seed: int, turns_of: Make, exhaust_of: Make, crankcase_of: Make
) -> tuple[Recording, EngineSpec]:
    """A healthy engine of 3 to 8 cylinders at 600 to 2500 rpm, 12-bit, 20 to 40 dB of noise."""
    rng = np.random.default_rng(seed)
    cylinders = int(rng.choice([3, 4, 6, 8]))
    rate = float(rng.choice([4e3, 5e3, 1e4]))
    rpm = rng.uniform(600.0, 2500.0)
    turns = turns_of(rng.uniform(5.0, 7.0), rate, rpm / 120.0, rng.uniform(0.0, 0.02))
    noise = rng.uniform(0.01, 0.1)
    count = 2.0**-11

    def recorded(wave: NDArray[np.float64]) -> NDArray[np.float64]:
        noisy = wave + noise * wave.std() * rng.normal(size=wave.size)
        return np.asarray(np.round(noisy / count) * count)

    waves = {
        ChannelRole.EXHAUST: recorded(exhaust_of(turns, 1 + 0.05 * rng.normal(size=cylinders))),
        ChannelRole.CRANKCASE: recorded(crankcase_of(turns, cylinders)),
        ChannelRole.IGNITION: (turns % 1.0 < 0.03) + 0.01 * rng.normal(size=turns.size),
    }
    channels = tuple(
        Channel(role.value, role, wave, rate, "V", 0.0, (-4.0, 4.0), count)
        for role, wave in waves.items()
    )
    order = tuple(range(1, cylinders + 1))
    angles = tuple(720.0 / cylinders * i for i in range(cylinders))
    condition = Condition.HELD if rpm > 1200.0 else Condition.IDLE
    return Recording(channels, condition=condition), EngineSpec("any", cylinders, order, angles)


def test_at_most_5_per_cent_of_200_good_recordings_are_suspect(
    turns_of: Make, exhaust_of: Make, crankcase_of: Make
) -> None:
    accused = []
    for seed in range(200):
        recording, engine = _good(seed, turns_of, exhaust_of, crankcase_of)
        report = check_recording(recording, engine if seed % 2 else None)
        accused += [(seed, f.check, f.message) for f in report.findings if f.verdict in BAD]
    assert len({seed for seed, _, _ in accused}) <= 10, accused
    assert not [a for a in accused if a[1] in ("clipping", "dropouts", "silent")]


# Engine sound of a four-cylinder engine; speeds from SOURCES.md of the real recordings.
SOUNDS = {
    "L_1": 1500,
    "L_3": 2500,
    "N_3": 2500,
    "R_2": 2000,
    "R_4": 3000,
    "SR_1": 1500,
    "SR_3": 2500,
}


@pytest.mark.parametrize("name", SOUNDS)
@pytest.mark.parametrize("engine_known", [True, False])
def test_real_engine_sound(
    real_data: Path, four: EngineSpec, name: str, engine_known: bool
) -> None:
    rate, samples = scipy.io.wavfile.read(real_data / "engine_sound" / f"{name}.wav")
    channel = Channel(
        "sound", ChannelRole.SOUND, samples / 32768.0, float(rate), "1", 0.0, (-1.0, 1.0), 2.0**-15
    )
    recording = Recording((channel,), condition=Condition.HELD)
    report = check_recording(recording, four if engine_known else None)
    assert Verdict.UNUSABLE not in [f.verdict for f in report.findings]
    by_check = {f.check: f for f in report.findings}
    # The files are clipped at +-0.9 of full scale: hundreds of samples at the very top and bottom,
    # a few on the counts beside them. The count must be theirs.
    cut = int(np.sum(samples == samples.max()) + np.sum(samples == samples.min()))
    clipping = by_check["clipping"]
    assert clipping.measured is not None
    if name in ("L_3", "N_3", "R_4"):
        assert clipping.verdict is Verdict.SUSPECT
        assert clipping.measured.value == cut
    assert by_check["dropouts"].verdict is Verdict.OK
    if SOUNDS[name] == 1500:  # order 2 falls on 50 Hz
        assert by_check["mains_hum"].verdict is Verdict.NOT_CHECKED
    rate_found = by_check["sampling_rate"].measured
    assert rate_found is not None and rate_found.value is not None
    firing_hz = rate / rate_found.value
    assert firing_hz == pytest.approx(SOUNDS[name] / 30.0, rel=0.005)


def test_real_tooth_signal(real_data: Path) -> None:
    rows = np.loadtxt(
        real_data / "tooth_analogue" / "trigger_adc_real1.csv", delimiter=",", skiprows=1
    )
    channel = Channel("crank", ChannelRole.CRANK_TOOTH, rows[:, 1], 10_000.0, "V")
    report = check_recording(Recording((channel,)))
    assert report.verdict("crank") is Verdict.OK
    teeth = next(f for f in report.findings if f.check == "trigger_present").measured
    assert teeth is not None and teeth.value is not None
    assert teeth.value > 100


@pytest.mark.parametrize("name", ["nick_1", "4b11-running", "toyota_3_tooth_cam"])
def test_real_crank_edges(real_data: Path, name: str) -> None:
    from ringland.model import EdgeTrain

    rows = np.genfromtxt(
        real_data / "crank_edges" / f"{name}.csv", delimiter=",", skip_header=1, usecols=(0, 1)
    )
    change = np.flatnonzero(np.diff(rows[:, 1])) + 1
    train = EdgeTrain(
        "crank",
        ChannelRole.CRANK_TOOTH,
        rows[change, 0],
        rows[change, 1].astype(np.int64),
        float(rows[0, 0]),
        float(rows[-1, 0]),
    )
    report = check_recording(Recording((), (train,)))
    assert report.verdict("crank") is Verdict.OK

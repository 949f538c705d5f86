"""Checks on the signal: what was put in is found, by the amount put in."""

from collections.abc import Callable

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

from ringland.model import (
    Channel,
    ChannelRole,
    Condition,
    EngineSpec,
    QualityFinding,
    Recording,
    Verdict,
)
from ringland.quality import check_recording

Floats = NDArray[np.float64]
Make = Callable[..., Floats]
Record = Callable[..., Recording]
Find = Callable[..., QualityFinding]
RATE_HZ = 10_000.0


# Hum -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("mains_hz", [49.9, 50.0, 50.13, 60.0, 60.07])
@pytest.mark.parametrize("amplitude", [0.1, 0.4])
def test_hum_amplitude_within_5_per_cent(
    clean: Make, record: Record, find: Find, mains_hz: float, amplitude: float
) -> None:
    # Cycle rate 5.3 Hz: the nearest firing lines are at 42.4 and 63.6 Hz.
    samples = clean(cycle_hz=5.3)
    t = np.arange(samples.size) / RATE_HZ
    ac_rms = samples.std()
    hum = amplitude * np.sin(2 * np.pi * mains_hz * t + 0.3)
    found = find(check_recording(record(samples + hum)), "mains_hum")
    assert found.measured is not None
    assert found.measured.value is not None
    expected = amplitude / np.sqrt(2.0) / ac_rms
    assert found.measured.value == pytest.approx(expected, rel=0.05)
    assert found.verdict is (Verdict.SUSPECT if expected > 0.1 else Verdict.OK)


def test_a_four_cylinder_at_1500_rpm_fires_at_50_hz_and_is_not_accused(
    clean: Make, record: Record, find: Find, four: EngineSpec
) -> None:
    samples = clean(cycle_hz=12.5)
    for engine in (four, None):
        report = check_recording(record(samples, condition=Condition.HELD), engine)
        found = find(report, "mains_hum")
        assert found.verdict is Verdict.NOT_CHECKED
        assert "engine itself" in found.message


def test_hann_figures_behind_the_line_amplitude() -> None:
    """ENBW 1.5 bins and scallop loss -1.42362 dB of the Hann window: Harris, Proc. IEEE 66 (1978)
    51, values to five digits as printed by the formulas there."""
    n = 4096
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)
    assert n * np.sum(window**2) / np.sum(window) ** 2 == pytest.approx(1.5, abs=1e-5)
    half_bin = np.abs(np.sum(window * np.exp(-1j * np.pi * np.arange(n) / n))) / np.sum(window)
    assert 20 * np.log10(half_bin) == pytest.approx(-1.42362, abs=1e-5)
    d = 0.5  # the correction used by the check must undo exactly that loss
    gain = np.pi * d * (1 - d * d) / np.sin(np.pi * d)
    assert 20 * np.log10(gain) == pytest.approx(1.42362, abs=1e-5)


# Low corner ----------------------------------------------------------------------------------


@pytest.mark.parametrize("corner_hz", [2.0, 3.5, 5.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_ac_corner_of_a_first_order_high_pass_within_20_per_cent(
    clean: Make, record: Record, find: Find, four: EngineSpec, corner_hz: float, seed: int
) -> None:
    samples = clean(seed=seed, duration_s=60.0, noise=0.05)
    b, a = scipy.signal.butter(1, corner_hz, "high", fs=RATE_HZ)
    samples = scipy.signal.lfilter(b, a, samples)
    found = find(check_recording(record(samples), four), "ac_coupling")
    assert found.measured is not None and found.measured.value is not None
    assert found.measured.value == pytest.approx(corner_hz, rel=0.2)
    assert found.measured.low is not None and found.measured.high is not None
    assert found.measured.low < found.measured.value < found.measured.high
    if corner_hz == 5.0:
        assert found.verdict is Verdict.SUSPECT


def test_a_direct_coupled_input_has_no_corner(
    clean: Make, record: Record, find: Find, four: EngineSpec
) -> None:
    found = find(check_recording(record(clean(duration_s=30.0)), four), "ac_coupling")
    assert found.verdict is Verdict.OK


# Drift, noise, rate --------------------------------------------------------------------------


def test_drift(clean: Make, record: Record, find: Find) -> None:
    samples = clean()
    steady = find(check_recording(record(samples)), "drift")
    ramp = np.linspace(0.0, 3.0, samples.size)
    wandering = find(check_recording(record(samples + ramp)), "drift")
    assert steady.verdict is Verdict.OK
    assert wandering.verdict is Verdict.SUSPECT
    assert wandering.measured is not None and wandering.measured.value is not None
    # 12 pieces of half a second: the first and last means are 11/12 of the ramp apart.
    swing = np.quantile(samples, 0.99) - np.quantile(samples, 0.01)
    assert wandering.measured.value == pytest.approx(3.0 * 11 / 12 / swing, rel=0.1)


@pytest.mark.parametrize("seed", range(5))
def test_noise_alone_is_unusable(record: Record, find: Find, seed: int) -> None:
    rng = np.random.default_rng(seed)
    report = check_recording(record(rng.normal(size=60_000)))
    assert find(report, "signal_to_noise").verdict is Verdict.UNUSABLE


@pytest.mark.parametrize("ratio_db", [0.0, 6.0, 12.0])
def test_signal_to_noise_in_db(record: Record, find: Find, ratio_db: float) -> None:
    """Periodic power over noise power below 300 Hz, both known."""
    rng = np.random.default_rng(5)
    t = np.arange(200_000) / RATE_HZ
    noise = rng.normal(size=t.size)  # white: 300 / 5000 of it is below 300 Hz
    power = 0.06 * 10 ** (ratio_db / 10)
    samples = np.sqrt(2 * power) * np.sin(2 * np.pi * 20.0 * t) + noise
    found = find(check_recording(record(samples)), "signal_to_noise")
    assert found.measured is not None
    assert found.measured.value == pytest.approx(ratio_db, abs=1.0)


@pytest.mark.parametrize(
    ("rate_hz", "verdict"),
    [(40.0, Verdict.UNUSABLE), (300.0, Verdict.SUSPECT), (400.0, Verdict.OK)],
)
def test_sampling_rate_for_speed_and_cylinders(
    find: Find, four: EngineSpec, rate_hz: float, verdict: Verdict
) -> None:
    """At 40 per second a firing rate of 26.67 Hz (4 cylinders, 800 rpm) is folded to 13.33 Hz
    (|f - round(f / fs) fs|, Shannon 1949): it must be refused when the speed is known."""
    firing_hz = 800.0 / 60.0 * 2.0
    assert abs(firing_hz - round(firing_hz / 40.0) * 40.0) == pytest.approx(13.333, abs=1e-3)
    t = np.arange(round(8 * rate_hz)) / rate_hz
    noise = 0.01 * np.random.default_rng(0).normal(size=t.size)
    channel = Channel(
        "exhaust", ChannelRole.EXHAUST, np.sin(2 * np.pi * firing_hz * t) + noise, rate_hz
    )
    recording = Recording((channel,), condition=Condition.IDLE, speed_hint_rpm=800.0)
    found = find(check_recording(recording, four), "sampling_rate")
    assert found.verdict is verdict
    assert found.measured is not None
    assert found.measured.value == pytest.approx(rate_hz / firing_hz)


def test_sixteen_cylinders_at_6000_rpm_fire_at_800_hz(find: Find) -> None:
    """Arithmetic of the firing rate: 6000 / 60 x 16 / 2 = 800 Hz; 10 kS/s is 12.5 per firing."""
    order = tuple(range(1, 17))
    engine = EngineSpec("sixteen", 16, order, tuple(45.0 * i for i in range(16)))
    channel = Channel("exhaust", ChannelRole.EXHAUST, np.zeros(1000), 10_000.0)
    recording = Recording((channel,), speed_hint_rpm=6000.0)
    found = find(check_recording(recording, engine), "sampling_rate")
    assert found.measured is not None
    assert found.measured.value == pytest.approx(12.5)
    assert found.verdict is Verdict.SUSPECT


# Hose, swap, copies --------------------------------------------------------------------------


def test_a_wet_hose_takes_the_sharp_part(clean: Make, record: Record, find: Find) -> None:
    samples = clean()
    b, a = scipy.signal.butter(4, 30.0, fs=RATE_HZ)
    rng = np.random.default_rng(9)
    wet = scipy.signal.lfilter(b, a, samples) + 0.02 * rng.normal(size=samples.size)
    crisp = find(check_recording(record(samples)), "lost_highs")
    dull = find(check_recording(record(wet)), "lost_highs")
    assert crisp.verdict is Verdict.OK
    assert dull.verdict is Verdict.SUSPECT
    assert dull.measured is not None and dull.measured.value in (1.0, 2.0)


@pytest.mark.parametrize("swapped", [False, True])
def test_swapped_channels(
    clean: Make, crankcase_of: Make, turns_of: Make, find: Find, swapped: bool
) -> None:
    rng = np.random.default_rng(2)
    sharp = clean()
    smooth = crankcase_of(turns_of(6.0, RATE_HZ, 6.1, 0.005), 4)
    smooth = smooth + 0.02 * rng.normal(size=smooth.size)
    pair = (smooth, sharp) if swapped else (sharp, smooth)
    recording = Recording(
        (
            Channel("exhaust", ChannelRole.EXHAUST, pair[0], RATE_HZ),
            Channel("crankcase", ChannelRole.CRANKCASE, pair[1], RATE_HZ),
        )
    )
    report = check_recording(recording)
    for name in ("exhaust", "crankcase"):
        verdict = find(report, "channels_swapped", name).verdict
        assert verdict is (Verdict.SUSPECT if swapped else Verdict.OK)


def test_two_channels_that_are_one(clean: Make, find: Find) -> None:
    samples = clean()
    recording = Recording(
        (
            Channel("exhaust", ChannelRole.EXHAUST, samples, RATE_HZ),
            Channel("crankcase", ChannelRole.CRANKCASE, 3.0 - 2.0 * samples, RATE_HZ),
            Channel("intake", ChannelRole.INTAKE, clean(seed=8), RATE_HZ),
        )
    )
    report = check_recording(recording)
    assert find(report, "duplicate_channels", "exhaust").verdict is Verdict.SUSPECT
    assert "crankcase" in find(report, "duplicate_channels", "exhaust").message
    assert find(report, "duplicate_channels", "crankcase").verdict is Verdict.SUSPECT
    assert find(report, "duplicate_channels", "intake").verdict is Verdict.OK


# Joins, speed, cycles ------------------------------------------------------------------------


def test_a_join_is_found_where_it_is(clean: Make, record: Record, find: Find) -> None:
    samples = clean(duration_s=10.0)
    cut = 51_234
    gone = round(0.4 * RATE_HZ / (4 * 6.1))  # 0.4 of a firing interval
    joined = np.delete(samples, np.arange(cut, cut + gone))
    whole = find(check_recording(record(samples)), "stitched")
    found = find(check_recording(record(joined)), "stitched")
    assert whole.verdict is Verdict.OK
    assert found.verdict is Verdict.SUSPECT
    assert len(found.spans_s) == 1
    low, high = found.spans_s[0]
    assert low - 0.05 < cut / RATE_HZ < high + 0.05


@pytest.mark.parametrize(
    ("wander", "condition", "verdict"),
    [
        (0.02, Condition.IDLE, Verdict.OK),
        (0.10, Condition.IDLE, Verdict.SUSPECT),
        (0.05, Condition.HELD, Verdict.SUSPECT),
        (0.02, Condition.HELD, Verdict.OK),
        (0.02, Condition.SNAP, Verdict.SUSPECT),
    ],
)
def test_speed_steady(
    turns_of: Make,
    exhaust_of: Make,
    record: Record,
    find: Find,
    wander: float,
    condition: Condition,
    verdict: Verdict,
) -> None:
    """A sine wander of +-w has 5 and 95 % points at +-w sin(81 deg): a spread of 1.975 w."""
    turns = turns_of(10.0, RATE_HZ, 6.1, wander)
    samples = exhaust_of(turns, np.ones(4))
    samples = samples + 0.02 * np.random.default_rng(1).normal(size=samples.size)
    found = find(check_recording(record(samples, condition=condition)), "speed_steady", "")
    assert found.verdict is verdict
    assert found.measured is not None
    assert found.measured.value == pytest.approx(1.975 * wander, rel=0.15)


@pytest.mark.parametrize(
    ("duration_s", "verdict"), [(10.0, Verdict.OK), (1.5, Verdict.SUSPECT), (0.4, Verdict.UNUSABLE)]
)
def test_enough_cycles(
    clean: Make, record: Record, find: Find, four: EngineSpec, duration_s: float, verdict: Verdict
) -> None:
    recording = record(clean(duration_s=duration_s)).with_condition(Condition.IDLE, 732.0)
    found = find(check_recording(recording, four), "enough_cycles", "")
    assert found.verdict is verdict
    assert found.measured is not None
    assert found.measured.value == np.floor(duration_s * 6.1)


def test_channels_that_do_not_cover_the_same_time(clean: Make, find: Find) -> None:
    recording = Recording(
        (
            Channel("exhaust", ChannelRole.EXHAUST, clean(), RATE_HZ),
            Channel("crankcase", ChannelRole.CRANKCASE, clean(seed=1)[:40_000], RATE_HZ),
        )
    )
    found = find(check_recording(recording), "time_gaps", "")
    assert found.verdict is Verdict.SUSPECT
    assert found.spans_s == ((4.0, 6.0),)
    assert "crankcase" in found.message


def test_a_join_cuts_every_channel(
    clean: Make, crankcase_of: Make, turns_of: Make, find: Find
) -> None:
    smooth = crankcase_of(turns_of(10.0, RATE_HZ, 6.1, 0.005), 4)
    smooth = smooth + 0.02 * np.random.default_rng(3).normal(size=smooth.size)
    sharp = clean(duration_s=10.0)
    gone = np.arange(51_234, 51_234 + round(0.4 * RATE_HZ / (4 * 6.1)))

    def verdict(exhaust: Floats, crankcase: Floats) -> Verdict:
        channels = (
            Channel("exhaust", ChannelRole.EXHAUST, exhaust, RATE_HZ),
            Channel("crankcase", ChannelRole.CRANKCASE, crankcase, RATE_HZ),
        )
        return find(check_recording(Recording(channels)), "stitched").verdict

    assert verdict(np.delete(sharp, gone), np.delete(smooth, gone)) is Verdict.SUSPECT
    assert verdict(np.delete(sharp, gone), smooth) is Verdict.OK

"""The recorder against what is asked of it, and against standard results of sampling.

Quantisation noise of a converter is step^2 / 12 (Bennett 1948; IEEE Std 1241, from memory).
"""

import math

import numpy as np
import pytest

from ringland.errors import SettingError
from ringland.simulator.recorder import Recorder, digitise, range_for

RATE_HZ = 40_000.0


def sine(frequency_hz: float, seconds: float = 2.0, amplitude: float = 1.0) -> np.ndarray:
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    return np.asarray(amplitude * np.sin(2.0 * math.pi * frequency_hz * t))


def rng() -> np.random.Generator:
    return np.random.default_rng(11)


@pytest.mark.parametrize("snr_db", [10.0, 20.0, 30.0])
@pytest.mark.parametrize("slope", [0.0, 1.0])
def test_noise_is_at_the_stated_ratio(snr_db: float, slope: float) -> None:
    recorder = Recorder(rate_hz=10_000.0, bits=24, noise_slope=slope)
    clean = digitise(sine(37.0), RATE_HZ, recorder, snr_db=None, rng=rng()).samples
    noisy = digitise(sine(37.0), RATE_HZ, recorder, snr_db=snr_db, rng=rng()).samples
    measured = 10.0 * math.log10(clean.var() / (noisy - clean).var())
    assert measured == pytest.approx(snr_db, abs=0.2)


def test_quantisation_noise_is_a_twelfth_of_a_count_squared() -> None:
    fine = Recorder(rate_hz=10_000.0, bits=24, full_scale=2.0)
    coarse = Recorder(rate_hz=10_000.0, bits=8, full_scale=2.0)
    a = digitise(sine(37.31), RATE_HZ, fine, snr_db=None, rng=rng()).samples
    b = digitise(sine(37.31), RATE_HZ, coarse, snr_db=None, rng=rng())
    assert b.resolution == pytest.approx(4.0 / 256.0)
    assert (b.samples - a).var() == pytest.approx(b.resolution**2 / 12.0, rel=0.1)


def test_clipping_stops_at_full_scale() -> None:
    recorder = Recorder(rate_hz=10_000.0, full_scale=0.5)
    out = digitise(sine(20.0), RATE_HZ, recorder, snr_db=None, rng=rng())
    assert out.samples.min() == out.full_scale[0] == -0.5
    assert out.samples.max() == out.full_scale[1] == 0.5 - out.resolution


def test_anti_alias_keeps_a_tone_above_half_the_rate_out() -> None:
    recorder = Recorder(rate_hz=2_000.0, bits=24)
    inside = digitise(sine(100.0), RATE_HZ, recorder, snr_db=None, rng=rng()).samples
    above = digitise(sine(1_900.0), RATE_HZ, recorder, snr_db=None, rng=rng()).samples
    # 4th-order Butterworth at 800 Hz: -30 dB at 1900 Hz
    assert above[200:].std() / inside[200:].std() == pytest.approx(
        1.0 / math.sqrt(1.0 + (1900.0 / 800.0) ** 8), rel=0.1
    )


def test_hum_offset_and_drop_outs_are_what_was_asked() -> None:
    recorder = Recorder(
        rate_hz=10_000.0,
        bits=24,
        full_scale=4.0,
        hum_fraction=0.5,
        hum_hz=60.0,
        hum_harmonics=((1, 1.0),),
        offset_fraction=0.25,
        drop_outs_s=((0.5, 0.1),),
    )
    out = digitise(sine(20.0), RATE_HZ, recorder, snr_db=None, rng=rng()).samples
    assert np.ptp(out[5000:6000]) == 0.0
    later = out[10_000:20_000]
    assert later.mean() == pytest.approx(1.0, abs=0.01)
    line = 2.0 * np.abs(np.fft.rfft(later))[60] / len(later)
    assert line == pytest.approx(0.5 * math.sqrt(0.5), rel=0.02)


def test_clock_error_and_jitter() -> None:
    # jitter noise power of a sine: (2 pi f A sigma)^2 / 2 (Walden 1999, from memory)
    plain = Recorder(rate_hz=10_000.0, bits=24, full_scale=2.0)
    shaky = Recorder(rate_hz=10_000.0, bits=24, full_scale=2.0, jitter_s=5e-6)
    a = digitise(sine(500.0), RATE_HZ, plain, snr_db=None, rng=rng()).samples
    b = digitise(sine(500.0), RATE_HZ, shaky, snr_db=None, rng=rng()).samples
    assert (b - a).var() == pytest.approx((2.0 * math.pi * 500.0 * 5e-6) ** 2 / 2.0, rel=0.1)
    fast = Recorder(rate_hz=10_000.0, bits=24, clock_error=0.01)
    c = digitise(sine(100.0), RATE_HZ, fast, snr_db=None, rng=rng()).samples
    rises = np.flatnonzero((c[:-1] < 0.0) & (c[1:] >= 0.0))
    assert 10_000.0 / np.diff(rises).mean() == pytest.approx(100.0 / 1.01, rel=1e-3)


@pytest.mark.parametrize(("peak", "expected"), [(0.7, 1.0), (0.8, 2.0), (3.0, 5.0), (9.0, 20.0)])
def test_range_steps(peak: float, expected: float) -> None:
    assert range_for(peak, 1.3) == pytest.approx(expected)


def test_impossible_recorders_are_refused() -> None:
    with pytest.raises(SettingError):
        Recorder(rate_hz=0.0)
    with pytest.raises(SettingError):
        Recorder(bits=0)

"""Resampling against exact band-limited signals and against scipy."""

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from ringland.signals import block_decimate, resample_at

RATE_HZ = 1000.0


def tone(time_s: np.ndarray, hz: float) -> np.ndarray:
    return np.asarray(np.cos(2.0 * np.pi * hz * time_s + 0.7))


def test_a_tone_is_interpolated_exactly_where_the_theorem_says() -> None:
    """Sampling theorem (Shannon 1949): below half the rate a tone is known between its samples.

    A kernel of 12 crossings has a transition of 0.36 of its rate (Kaiser's formula at 70 dB, from
    memory), half of it below the cutoff, so that 0.64 of the cutoff passes untouched.
    """
    time_s = np.arange(1000) / RATE_HZ
    at = np.random.default_rng(3).uniform(0.1, 0.9, 500)
    for hz in (7.0, 60.0, 210.0, 310.0):
        found = resample_at(tone(time_s, hz), RATE_HZ, at, RATE_HZ / 2)
        assert np.abs(found - tone(at, hz)).max() < 3e-3, hz


def test_what_is_above_the_cutoff_is_removed() -> None:
    """A 300 Hz tone resampled at 200 per second would fold to 100 Hz (|300 - 2 * 200|)."""
    time_s = np.arange(2000) / RATE_HZ
    at = np.arange(0.3, 1.7, 1 / 200.0)
    found = resample_at(tone(time_s, 300.0), RATE_HZ, at, 90.0)
    assert np.abs(found).max() < 10.0 ** (-60 / 20)


def test_outside_the_samples_nothing_is_known() -> None:
    found = resample_at(np.ones(100), RATE_HZ, np.array([-0.01, 0.0, 0.099, 0.2]), 500.0)
    assert np.isnan(found).tolist() == [True, False, False, True]


@pytest.mark.parametrize("cutoff_hz", [20.0, 150.0, 500.0, 1e9])
def test_a_level_stays_a_level_up_to_the_ends(cutoff_hz: float) -> None:
    at = np.linspace(0.0, 0.099, 37)
    np.testing.assert_allclose(resample_at(np.full(100, 5.0), RATE_HZ, at, cutoff_hz), 5.0)


def test_there_and_back_again() -> None:
    """Band-limited noise, moved by a third of a sample and back."""
    rng = np.random.default_rng(5)
    sos = scipy.signal.butter(8, 150.0, fs=RATE_HZ, output="sos")
    samples = scipy.signal.sosfiltfilt(sos, rng.standard_normal(1200))
    time_s = np.arange(1200) / RATE_HZ
    inside = slice(100, 1100)
    moved = resample_at(samples, RATE_HZ, time_s + 1 / 3000.0, 500.0)
    back = resample_at(np.nan_to_num(moved), RATE_HZ, time_s - 1 / 3000.0, 500.0)
    assert np.abs(back - samples)[inside].max() < 2e-3 * samples.std()


def test_decimation_keeps_lows_in_place_and_stops_what_would_fold() -> None:
    """Output i stands for input position i * factor + (factor - 1) / 2."""
    time_s = np.arange(8000) / RATE_HZ
    for factor in (2, 5, 8):
        centre = (np.arange(8000 // factor) * factor + (factor - 1) / 2.0) / RATE_HZ
        inside = slice(5, -5)
        low = block_decimate(tone(time_s, 2.0), factor)
        assert np.abs(low - tone(centre, 2.0))[inside].max() < 0.01
        # folds to a low frequency
        high = block_decimate(tone(time_s, RATE_HZ / factor + 1.0), factor)
        assert np.abs(high)[inside].max() < 0.01


def test_a_factor_of_one_changes_nothing() -> None:
    samples = np.arange(7.0)
    assert block_decimate(samples, 1).tolist() == samples.tolist()


@settings(derandomize=True, max_examples=20, deadline=None)
@given(seed=st.integers(0, 2**31), gain=st.floats(0.01, 100.0), offset=st.floats(-10.0, 10.0))
def test_resampling_is_linear(seed: int, gain: float, offset: float) -> None:
    rng = np.random.default_rng(seed)
    samples = rng.standard_normal(120)
    at = rng.uniform(0.0, 0.119, 40)
    expected = gain * resample_at(samples, RATE_HZ, at, 200.0) + offset
    found = resample_at(gain * samples + offset, RATE_HZ, at, 200.0)
    np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-9)

"""Linear operations against least squares and hand-countable cases."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ringland.signals import detrend_line, fill_gaps, interpolate_rising, running_mean

seeds = st.integers(0, 2**31)


def test_a_straight_line_is_taken_out_whole() -> None:
    line = np.asarray(3.0 + 0.25 * np.arange(50), dtype=np.float64)
    assert np.abs(detrend_line(line)).max() < 1e-12


def test_detrending_is_least_squares() -> None:
    """Against numpy.polyfit."""
    samples = np.random.default_rng(1).standard_normal(200)
    index = np.arange(200)
    expected = samples - np.polyval(np.polyfit(index, samples, 1), index)
    np.testing.assert_allclose(detrend_line(samples), expected, atol=1e-12)


@pytest.mark.parametrize("samples", [[], [7.0]])
def test_fewer_than_two_samples_give_zeros(samples: list[float]) -> None:
    assert detrend_line(np.array(samples)).tolist() == [0.0] * len(samples)


def test_gaps_are_bridged_in_a_straight_line() -> None:
    filled, count = fill_gaps(np.array([1.0, np.nan, np.inf, 4.0, np.nan]))
    assert filled.tolist() == [1.0, 2.0, 3.0, 4.0, 4.0]
    assert count == 3


def test_nothing_finite_gives_zeros() -> None:
    filled, count = fill_gaps(np.full(4, np.nan))
    assert filled.tolist() == [0.0] * 4
    assert count == 4


def test_a_whole_signal_is_handed_back() -> None:
    samples = np.arange(5.0)
    filled, count = fill_gaps(samples)
    assert filled is samples
    assert count == 0


def test_huge_but_finite_samples_are_no_gap() -> None:
    """The sum overflows; nothing is missing all the same."""
    samples = np.full(4, 1e308)
    with np.errstate(over="ignore"):
        filled, count = fill_gaps(samples)
    assert count == 0
    assert filled.tolist() == samples.tolist()


def test_running_mean_by_hand() -> None:
    assert running_mean(np.array([0.0, 3.0, 6.0, 9.0, 12.0]), 3).tolist() == [3, 3, 6, 9, 9]


def test_running_mean_leaves_no_trace_of_its_own_period() -> None:
    """The mean over one period of a sine is 0, at the ends too."""
    sine = np.sin(2.0 * np.pi * np.arange(400) / 40.0)
    assert np.abs(running_mean(sine, 40)).max() < 1e-12


@settings(derandomize=True, max_examples=25, deadline=None)
@given(seed=seeds, gain=st.floats(-1e3, 1e3), offset=st.floats(-1e3, 1e3))
def test_running_mean_is_linear_and_keeps_a_level(seed: int, gain: float, offset: float) -> None:
    samples = np.random.default_rng(seed).standard_normal(60)
    expected = gain * running_mean(samples, 7) + offset
    np.testing.assert_allclose(running_mean(gain * samples + offset, 7), expected, atol=1e-9)


@given(seeds)
def test_rising_places_are_read_as_numpy_does(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = np.cumsum(rng.uniform(0.1, 1.0, int(rng.integers(1, 30))))
    y = rng.standard_normal(len(x))
    at = np.sort(np.concatenate([rng.uniform(-1.0, x[-1] + 1.0, 40), x]))
    np.testing.assert_array_equal(interpolate_rising(at, x, y), np.interp(at, x, y))
    assert interpolate_rising(np.zeros(0), x, y).size == 0

"""The curve through trigger pulses, against closed forms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ringland.cycles._knots import through_pulses
from ringland.cycles.octave import _running_medians

RATE_HZ = 4_000.0
ROUNDING_S = 1.0 / np.sqrt(12.0) / RATE_HZ


def pulses(turns: np.ndarray) -> np.ndarray:
    """Times of a crank from 10 turns per second that gains 1.5 every second:
    turns = 10 t + 0.75 t^2."""
    return np.asarray((np.sqrt(100.0 + 3.0 * turns) - 10.0) / 1.5)


def test_rounded_times_of_a_steady_rise_come_out_straight() -> None:
    exact = pulses(np.arange(60.0))
    rounded = np.ceil(exact * RATE_HZ) / RATE_HZ - 0.5 / RATE_HZ
    time_s, turns = through_pulses(rounded, np.ones(60, dtype=np.int64), ROUNDING_S)
    off_s = time_s - pulses(turns)
    assert np.std(off_s) < 0.4 * ROUNDING_S
    speed = np.gradient(turns, time_s) / (10.0 + 1.5 * time_s) - 1.0
    assert np.abs(speed[16:-16]).max() < 1e-3


def test_exact_times_are_kept() -> None:
    """Nothing is smoothed where times are known exactly. Between them the first and the last piece
    are parabolas, which miss a third derivative d by up to d / (9 root 3) for a step of 1; here d
    is 6.75e-5 s at the start, and less inside."""
    exact = pulses(np.arange(40.0))
    time_s, turns = through_pulses(exact, np.ones(40, dtype=np.int64), 0.0)
    np.testing.assert_array_equal(time_s[::8], exact)
    off_s = np.abs(time_s - pulses(turns))
    assert off_s.max() < 6.75e-5 / (9.0 * np.sqrt(3.0))
    assert off_s[24:-24].max() < 1e-7


def test_a_stumble_longer_than_the_rounding_stays() -> None:
    exact = pulses(np.arange(60.0))
    late = exact.copy()
    late[30:] += 0.01
    time_s, _ = through_pulses(late, np.ones(60, dtype=np.int64), ROUNDING_S)
    assert np.sqrt(np.mean((time_s[::8] - late) ** 2)) <= ROUNDING_S * 1.001


@given(
    steps=st.lists(st.floats(1e-3, 0.3), min_size=3, max_size=40),
    counts=st.lists(st.integers(1, 6), min_size=40, max_size=40),
    sd_s=st.sampled_from([0.0, 1e-5, 1e-3]),
)
def test_the_angle_never_falls(steps: list[float], counts: list[int], sd_s: float) -> None:
    time_s = np.concatenate([[0.0], np.cumsum(steps)])
    count = np.array([0, *counts[: len(steps)]], dtype=np.int64)
    found, turns = through_pulses(time_s, count, sd_s)
    assert np.all(np.diff(found) > 0.0)
    assert np.all(np.diff(turns) > 0.0)


@pytest.mark.parametrize("count", [0, 10, 11, 12, 300])
def test_running_medians_are_medians(count: int) -> None:
    values = np.round(np.random.default_rng(count).exponential(size=count), 1)
    wanted = [np.median(values[i : i + 11]) for i in range(max(0, count - 10))]
    np.testing.assert_array_equal(_running_medians(values, 11), wanted)

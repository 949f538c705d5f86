"""Missing firings: intervals against published values, counts against made ones."""

import importlib
import sys
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from ringland.cylinders.misfire import (
    _DOUBT_FLOOR,
    _DOUBT_SLOPE,
    count_misfires,
    find_kinds,
    none_beside_only_if_sure,
    others_together,
    two_kinds,
    wilson_interval,
)
from ringland.cylinders.shares import PulsePlace, cylinder_share
from ringland.model import AngleSignal, ChannelRole, Estimate, MisfireCount, unknown

VALIDATION = Path(__file__).parents[2] / "validation"


def test_wilson_interval_of_four_in_two_hundred() -> None:
    """0.0078044 to 0.0502871 (statsmodels 0.15.0; Wilson, J. Am. Stat. Assoc. 22 (1927) 209)."""
    low, high = wilson_interval(4, 200)
    assert low == pytest.approx(0.0078044, abs=1e-6)
    assert high == pytest.approx(0.0502871, abs=1e-6)


def test_none_in_two_hundred_still_leaves_room() -> None:
    """P(no misfire in 200 cycles at 2 %) = 0.0176: seeing none does not prove there is none."""
    assert abs(0.98**200 - 0.0175879) < 1e-6
    low, high = wilson_interval(0, 200)
    assert low == 0.0
    assert 0.014867 < high < 0.02  # beyond the exact one-sided 95 % limit


@settings(derandomize=True, max_examples=60, deadline=None)
@given(total=st.integers(1, 5000), share=st.floats(0.0, 1.0))
def test_wilson_agrees_with_scipy(total: int, share: float) -> None:
    count = round(share * total)
    low, high = wilson_interval(count, total)
    theirs = scipy.stats.binomtest(count, total).proportion_ci(0.95, method="wilson")
    assert low == pytest.approx(theirs.low, abs=1e-9)
    assert high == pytest.approx(theirs.high, abs=1e-9)
    assert 0.0 <= low <= count / total <= high <= 1.0


def test_nothing_counted_says_nothing() -> None:
    assert wilson_interval(0, 0) == (0.0, 1.0)


def windows(cycles: int, missing: dict[int, list[int]], seed: int = 0) -> np.ndarray:
    """(cycles, 4, 60): a bell per firing, a trough where it is missing, noise of a tenth."""
    rng = np.random.default_rng(seed)
    at = np.arange(60)
    bell = np.exp(-0.5 * ((at - 20) / 6.0) ** 2)
    out = np.tile(bell, (cycles, 4, 1)) * (1.0 + 0.08 * rng.standard_normal((cycles, 4, 1)))
    for position, numbers in missing.items():
        out[numbers, position] -= 1.4 * bell
    out = out + 0.1 * rng.standard_normal(out.shape)
    return np.asarray(out - out.mean(axis=2, keepdims=True))


def test_missing_firings_are_counted_where_they_are() -> None:
    made = {1: [3, 9, 10, 30, 44, 51], 3: list(range(0, 60, 2))}
    separation, missing = two_kinds(windows(60, made))
    assert {p: np.flatnonzero(missing[:, p]).tolist() for p in (1, 3)} == made
    assert not missing[:, [0, 2]].any()
    assert separation[1] > 5.0


@pytest.mark.parametrize("seed", range(5))
def test_healthy_scatter_is_of_one_kind(seed: int) -> None:
    separation, missing = two_kinds(windows(80, {}, seed))
    assert not missing.any()
    assert separation.max() < 5.0


HEARD_DEG = np.array([0.0, 180.0, 270.0, 450.0])  # one outlet of a cross-plane V8


@pytest.mark.parametrize("position", [1, 2, 3, 4])
def test_uneven_pulses_are_told_apart(position: int) -> None:
    """Two pulses 90 degrees apart: the one that is missing is counted, not the one before it."""
    rng = np.random.default_rng(position)
    angle = np.arange(0.0, 720.0, 2.0)
    cycles, arrival = 60, 190.0
    gone = np.zeros((cycles, 4), dtype=bool)
    gone[rng.choice(cycles, 20, replace=False), position - 1] = True
    heights = np.where(gone, -0.4, 1.0) * (1.0 + 0.05 * rng.standard_normal(gone.shape))
    time = np.arange(cycles)[:, None] * 720.0 + angle[None, :]
    sound = np.zeros(time.size)
    for cycle in range(cycles):
        for at, height in zip(HEARD_DEG, heights[cycle], strict=True):
            away = time.ravel() - cycle * 720.0 - at - arrival
            sound += height * np.exp(-0.5 * (away / 22.0) ** 2)
    sound += 0.03 * rng.standard_normal(sound.size)
    rows = sound.reshape(cycles, -1)
    signal = AngleSignal(
        "exhaust", ChannelRole.EXHAUST, "Pa", angle, rows, np.median(rows, axis=0),
        np.full(len(angle), 0.01), rows.min(axis=0), rows.max(axis=0), tuple(range(cycles)),
    )  # fmt: skip
    share = cylinder_share(signal, (1, 2, 3, 4), HEARD_DEG, 720.0, PulsePlace(arrival, True))
    counts = count_misfires(signal, share, find_kinds(signal, arrival, HEARD_DEG, None))
    found = {c.firing_position: c.rate.value for c in counts if c.rate.value}
    assert set(found) == {position}
    assert found[position] == pytest.approx(20.0 / 60.0, abs=0.04)


def test_firings_among_misses_are_scattered() -> None:
    """Ten firings in 150 cycles: in a row while the speed settles, or drawn anywhere. The longest
    of the eleven runs of misses then has (1 + 1/2 + ... + 1/11) / 11 = 0.27 of them on average
    (Holst, J. Appl. Prob. 17 (1980) 623; from memory), so hardly ever 0.6."""
    settling = np.ones(150, dtype=bool)
    settling[:10] = False
    assert others_together(settling)
    rng = np.random.default_rng(3)
    counted = 0
    for _ in range(300):
        missing = np.ones(150, dtype=bool)
        missing[rng.choice(150, 10, replace=False)] = False
        counted += others_together(missing)
    assert counted <= 6
    assert not others_together(np.arange(150) % 2 == 0)


@pytest.mark.parametrize(
    ("sure", "said"),
    [(0.97, [0.0, None, 0.4, None, 0.0]), (0.999, [0.0, 0.0, 0.4, 0.0, 0.0])],
)
def test_none_missing_is_not_said_beside_a_missing_pulse_unless_it_is_sure_whose(
    sure: float, said: list[float | None]
) -> None:
    """With the way to the sensor unknown the missing pulse may be the one before or after."""
    counts = [
        MisfireCount(
            "exhaust", p, 40 * (p == 3), 100,
            Estimate(0.4 if p == 3 else 0.0, 0.0, 1.0, "1", coverage=0.95),
            1, unknown("1", "few"), (),
        )
        for p in range(1, 6)
    ]  # fmt: skip
    found = none_beside_only_if_sure(counts, dict.fromkeys(range(1, 6), sure), range(1, 6))
    assert [c.rate.value for c in found] == said
    assert all(c.rate.value is not None or "position 3" in str(c.rate.reason) for c in found)


def test_doubt_is_beyond_what_chance_exceeds_once_in_a_hundred() -> None:
    """The curve against Gaussian scatter, drawn anew (no published source: own simulation)."""
    sys.path.insert(0, str(VALIDATION))
    try:
        separation = importlib.import_module("two_kinds_by_chance").separation
    finally:
        sys.path.remove(str(VALIDATION))
    for cycles in (12, 30, 100):
        rng = np.random.default_rng(cycles)
        apart = np.array([separation(cycles, rng) for _ in range(1500)])
        share = float(np.mean(apart > _DOUBT_FLOOR + _DOUBT_SLOPE / cycles))
        assert 0.001 < share < 0.02, (cycles, share)

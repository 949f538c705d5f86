"""Missing firings: intervals against published values, counts against made ones."""

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from ringland.cylinders.misfire import two_kinds, wilson_interval


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

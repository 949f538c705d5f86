"""The rule that stops a recording, on draws with known truth."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ringland.live.enough import FEWEST_CYCLES, decide, interval_halves


def test_interval_of_independent_cycles_is_students() -> None:
    # scipy.stats.t.interval on the same numbers, up to the inflation 1 + 1 / m, what is left of a
    # chance dependence between cycles, and the batches, by chance the wider ones half the time
    from scipy import stats

    rng = np.random.default_rng(4)
    halves = []
    for _ in range(200):
        x = rng.standard_normal(100)
        low, high = stats.t.interval(0.95, 99, x.mean(), stats.sem(x))
        halves.append(interval_halves(x[:, None])[0] / (0.5 * (high - low)))
    assert 1.0 <= np.median(halves) <= 1.2


def test_dependence_widens_as_the_theory_says() -> None:
    # variance of the mean of an AR(1) process: (1 + r) / (1 - r) times that of independent values
    # (Box, Jenkins, Reinsel, Time Series Analysis, section 2.1.5)
    rng = np.random.default_rng(5)
    n, r = 20_000, 0.5
    noise = rng.standard_normal(n)
    x = np.empty(n)
    x[0] = noise[0]
    for i in range(1, n):
        x[i] = r * x[i - 1] + np.sqrt(1 - r * r) * noise[i]
    plain = 1.96 * x.std() / np.sqrt(n)
    assert interval_halves(x[:, None])[0] / plain == pytest.approx(np.sqrt(3.0), rel=0.12)


@pytest.mark.parametrize(("positions", "follow"), [(4, 0.0), (6, 0.3)])
def test_the_final_interval_covers_the_truth(positions: int, follow: float) -> None:
    rng = np.random.default_rng(positions)
    covered = total = 0
    for _ in range(120):
        noise = rng.standard_normal((300, positions))
        x = np.empty_like(noise)
        x[0] = noise[0]
        for i in range(1, len(x)):
            x[i] = follow * x[i - 1] + np.sqrt(1 - follow**2) * noise[i]
        x = 1.0 + 0.1 * x
        m = FEWEST_CYCLES
        while m < len(x) and not decide(x[:m], 0.04).enough:
            m += 5
        inside = np.abs(x[:m].mean(axis=0) - 1.0) <= interval_halves(x[:m])
        covered += int(inside.sum())
        total += positions
    assert 0.92 <= covered / total <= 0.99  # 1,000 sessions in docs/validation/enough.md


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 60), st.integers(1, 8), st.floats(1e-3, 1.0))
def test_never_enough_before_the_fewest_cycles(cycles: int, positions: int, wanted: float) -> None:
    strength = np.ones((cycles, positions))
    found = decide(strength, wanted)
    assert found.enough == (cycles >= FEWEST_CYCLES)
    assert len(found.half_widths) == positions


def test_a_position_that_says_nothing_is_left_out() -> None:
    rng = np.random.default_rng(1)
    strength = 1.0 + 0.01 * rng.standard_normal((30, 3))
    strength[:, 1] = np.nan
    found = decide(strength, 0.05)
    assert found.enough
    assert found.half_widths[1] is None
    strength[:] = np.nan
    assert not decide(strength, 0.05).enough
    assert decide(strength, 0.05).cycles_needed is None

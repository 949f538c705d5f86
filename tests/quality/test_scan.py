"""The compiled passes over the samples against the same counted one sample after another."""

import math
from itertools import groupby

import numpy as np
import pytest
from numpy.typing import NDArray

from ringland.quality._scan import find_repeats, scan_samples

Floats = NDArray[np.float64]


def _signal(seed: int) -> Floats:
    """Longer than two pieces, in counts, cut off, with samples held and missing here and there."""
    rng = np.random.default_rng(seed)
    counts = np.round(rng.normal(0.0, rng.choice([2.0, 20.0]), int(rng.integers(4200, 6300))))
    x = np.clip(counts, -30.0, 25.0) / 4.0
    for _ in range(int(rng.integers(0, 5))):
        first, length = int(rng.integers(0, x.size)), int(rng.integers(2, 60))
        x[first : first + length] = x[first]
    if seed % 2:
        for value in (math.nan, math.inf, -math.inf, 1e31):
            first = int(rng.integers(0, x.size))
            x[first : first + int(rng.integers(1, 40))] = value
    return x


@pytest.mark.parametrize("seed", range(12))
def test_everything_counted_is_what_counting_gives(seed: int) -> None:
    x = _signal(seed)
    scan = scan_samples(x, 10_000.0, (-7.0, 6.0), 0.25)
    good = np.abs(x) <= 1e30
    kept = x[good]
    assert (scan.count, scan.good) == (x.size, kept.size)
    assert (scan.low, scan.high) == (kept.min(), kept.max())
    assert scan.mean == pytest.approx(kept.mean(), abs=1e-12)
    assert scan.spread == pytest.approx(kept.std(), rel=1e-9)
    assert scan.low_clipped == int((kept <= scan.low_end).sum())
    assert scan.high_clipped == int((kept >= scan.high_end).sum())
    assert scan.at_low == int((kept == scan.low).sum())
    assert scan.at_high == int((kept == scan.high).sum())
    runs = [(value, len(list(group))) for value, group in groupby(kept.tolist())]
    assert scan.longest_low == max(n for value, n in runs if value == scan.low)
    assert scan.longest_high == max(n for value, n in runs if value == scan.high)
    lengths = np.array([n for _, n in runs])
    assert scan.run_mean == pytest.approx(lengths.mean())
    assert scan.run_spread == pytest.approx(lengths.std())
    steps = np.abs(np.diff(kept))
    assert scan.step_least == steps[steps > 0.0].min()
    assert scan.step_mean == pytest.approx(steps[steps > 0.0].mean())
    marks = np.zeros(x.size, dtype=bool)
    for first, length in zip(scan.bad.start.tolist(), scan.bad.length.tolist(), strict=True):
        marks[first : first + length] = True
    np.testing.assert_array_equal(marks, ~good)
    blocks = x[: x.size // 3 * 3].reshape(-1, 3)
    for mean, block in zip(scan.slow.tolist(), blocks, strict=True):
        inside = block[np.abs(block) <= 1e30]
        if inside.size:
            assert mean == pytest.approx(inside.mean(), abs=1e-12)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_hardly_any_samples(count: int) -> None:
    scan = scan_samples(np.full(count, 2.5), 1000.0, None, None)
    assert (scan.good, scan.at_low, scan.longest_high) == (count, count, count)
    assert (scan.step_least, scan.spread) == (0.0, 0.0)


@pytest.mark.parametrize("first", [5, 1800, 4096, 4128, 7000])
def test_a_copy_is_found_wherever_it_stands(first: int) -> None:
    """Among others across the ends of the pieces that the samples are read by."""
    x = np.random.default_rng(first).normal(size=16_000)
    x[9000:9700] = x[first : first + 700]
    found = find_repeats(x)
    assert found.start.tolist() == [9000]
    assert found.length.tolist() == [700]


@pytest.mark.parametrize("count", [0, 31, 32, 33, 300])
def test_nothing_repeats_in_short_noise(count: int) -> None:
    assert find_repeats(np.random.default_rng(1).normal(size=count)).total == 0

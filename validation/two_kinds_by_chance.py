"""How far apart do two kinds of cycles look when there is only one?

    python validation/two_kinds_by_chance.py

Gaussian scatter in four directions, the best split along the two main ones: how misfires are
counted.
The curves in cylinders/misfire.py are held against the quantiles that chance exceeds once in 2,000
(counted) and once in 100 ("none missing" is no longer said).
"""

import numpy as np

from ringland.cylinders.misfire import (
    _DOUBT_FLOOR,
    _DOUBT_SLOPE,
    _SEPARATION_FLOOR,
    _SEPARATION_SLOPE,
    _split,
)

SETS, SEED = 4_000, 0
SPREAD = np.array([1.0, 0.7, 0.5, 0.3])


def separation(cycles: int, rng: np.random.Generator) -> float:
    """Largest separation of one drawn set, in standard deviations of one kind."""
    x = rng.standard_normal((cycles, len(SPREAD))) * SPREAD
    x -= x.mean(axis=0)
    largest = 0.0
    for direction in np.linalg.svd(x, full_matrices=False)[2][:2]:
        _, apart = _split(x @ direction)
        largest = max(largest, apart)
    return largest


def main() -> None:
    rng = np.random.default_rng(SEED)
    print("cycles | once in 2,000 | counted beyond | once in 100 | doubtful beyond")
    for cycles in (10, 12, 15, 20, 30, 50, 100):
        drawn = [separation(cycles, rng) for _ in range(SETS)]
        curve = _SEPARATION_FLOOR + _SEPARATION_SLOPE / cycles
        doubt = _DOUBT_FLOOR + _DOUBT_SLOPE / cycles
        rare, seldom = np.quantile(drawn, [0.9995, 0.99])
        print(f"{cycles} | {rare:.2f} | {curve:.2f} | {seldom:.2f} | {doubt:.2f}")


if __name__ == "__main__":
    main()

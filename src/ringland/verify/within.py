"""How much neighbouring cycles move together, and what that does to a standard error.

An idle that hunts moves many cycles the same way: n cycles then tell less than n independent ones.
See docs/theory/verify.md, equations (1) and (2); taking out the cycle before: Andrews and Monahan,
Econometrica 60 (1992) 953.
"""

import numpy as np

from ringland.model._arrays import FloatArray

__all__ = ["ASSUMED_INFLATION", "inflation", "long_run_variance"]

ASSUMED_INFLATION = 1.25
"""Used where the values of single cycles are not there (a saved analysis): the standard error is
made larger by this. The middle of simulated recordings at idle and held speed lies below it."""

_FEWEST = 8
_FURTHEST = 0.9  # of the correlation from cycle to cycle; beyond, the mean drifts


def bandwidth(count: int) -> int:
    """Lags counted among `count` cycles: 4 (n / 100)^(2/9), the usual rule of thumb, at least 1."""
    return max(1, int(4.0 * (count / 100.0) ** (2.0 / 9.0)))


def long_run_variance(values: FloatArray, lags: int) -> float:
    """Variance of one cycle times what correlation over `lags` cycles adds to it.

    `values` (n,) in time order, any unit; the result is in that unit squared. Triangular weights
    keep it from falling below zero (Newey and West, Econometrica 55 (1987) 703).
    """
    x = np.asarray(values, dtype=np.float64)
    x = x - x.mean()
    n = len(x)
    total = float(x @ x) / n
    for lag in range(1, min(lags, n - 1) + 1):
        total += 2.0 * (1.0 - lag / (lags + 1.0)) * float(x[lag:] @ x[:-lag]) / n
    return total


def inflation(values: FloatArray) -> float:
    """Factor by which correlation between cycles widens a standard error that left it out.

    `values` (n,) one per cycle in time order; not-finite ones are left out. Never below 1:
    cycles that alternate could narrow an interval, but only as long as they go on alternating.
    """
    x = np.asarray(values, dtype=np.float64)
    x = x[np.isfinite(x)]
    if len(x) < _FEWEST or not np.ptp(x) > 0.0:
        return 1.0
    x = x - x.mean()
    variance = float(x @ x) / len(x)
    # what the cycle before predicts is taken out first and put back in closed form: the lags
    # counted would not reach as far as an idle that hunts slowly
    follows = float(np.clip(x[1:] @ x[:-1] / (x @ x), 0.0, _FURTHEST))
    left = x[1:] - follows * x[:-1]
    whole = long_run_variance(left, bandwidth(len(x))) / (1.0 - follows) ** 2
    return float(np.sqrt(max(1.0, whole / variance)))

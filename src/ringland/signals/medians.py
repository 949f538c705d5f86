"""Medians of short arrays, compiled: numpy's take longer to begin than to run on ten values."""

import math

import numba
import numpy as np
from numpy.typing import NDArray

__all__ = ["column_medians", "median", "quantile"]

FloatArray = NDArray[np.float64]

_SHORT = 200  # values up to which sorting all of them takes less time than to begin otherwise


@numba.njit(cache=True)
def _middle(values: FloatArray) -> float:  # pragma: no cover - compiled
    """Median of contiguous values (n,), which are sorted in place."""
    n = values.shape[0]
    values.sort()  # NaN goes to the end
    if n == 0 or np.isnan(values[n - 1]):
        return math.nan
    return float(0.5 * values[(n - 1) // 2] + 0.5 * values[n // 2])


@numba.njit(cache=True)
def _column_medians(values: FloatArray) -> FloatArray:  # pragma: no cover - compiled
    rows, columns = values.shape
    out = np.empty(columns)
    column = np.empty(rows)
    for c in range(columns):
        count = 0
        for r in range(rows):
            if not np.isnan(values[r, c]):
                column[count] = values[r, c]
                count += 1
        out[c] = _middle(column[:count])
    return out


def median(values: FloatArray) -> float:
    """Median of the values (n,); NaN when there are none or one of them is NaN."""
    if len(values) > _SHORT:
        return float(np.median(values))
    return float(_middle(np.array(values, dtype=np.float64)))


def quantile(values: FloatArray, share: float) -> float:
    """Value that a share (0 to 1) of the values (n,) lie below, a straight line between
    neighbours; NaN when there are none."""
    ordered = np.sort(values)
    if not ordered.size:
        return math.nan
    where = share * (ordered.size - 1)
    low = min(int(where), ordered.size - 1)
    high = min(low + 1, ordered.size - 1)
    return float(ordered[low] + (where - low) * (ordered[high] - ordered[low]))


def column_medians(values: FloatArray) -> FloatArray:
    """Median of each column of (rows, columns), NaN left out; NaN where nothing is left."""
    found: FloatArray = _column_medians(np.ascontiguousarray(values, dtype=np.float64))
    return found

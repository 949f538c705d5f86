"""Small linear operations on uniformly sampled signals."""

import numba
import numpy as np
from numpy.typing import NDArray

__all__ = ["detrend_line", "fill_gaps", "interpolate_rising", "running_mean"]

FloatArray = NDArray[np.float64]


@numba.njit(cache=True)
def detrend_line(samples: FloatArray) -> FloatArray:  # pragma: no cover - compiled
    """The signal (n,) less its least-squares straight line."""
    n = len(samples)
    out = np.zeros(n)
    if n < 2:
        return out
    middle = (n - 1) / 2.0
    mean = samples.sum() / n
    tilt = 0.0
    for i in range(n):
        tilt += (i - middle) * (samples[i] - mean)
    slope = tilt / (n * (n * n - 1.0) / 12.0)  # over the sum of (i - middle)^2
    for i in range(n):
        out[i] = samples[i] - mean - slope * (i - middle)
    return out


@numba.njit(cache=True)
def interpolate_rising(
    at: FloatArray, x: FloatArray, y: FloatArray
) -> FloatArray:  # pragma: no cover - compiled
    """Straight lines through the points x, y (m,), read at places (n,) that rise, as np.interp does
    (which looks for every place anew); the ends are held."""
    out = np.empty(at.shape[0])
    last = x.shape[0] - 1
    k, slope = -1, 0.0
    for n in range(at.shape[0]):
        if at[n] <= x[0]:
            out[n] = y[0]
        elif at[n] >= x[last]:
            out[n] = y[last]
        else:
            if k < 0 or at[n] >= x[k + 1]:
                k = max(k, 0)
                while at[n] >= x[k + 1]:
                    k += 1
                slope = (y[k + 1] - y[k]) / (x[k + 1] - x[k])
            out[n] = slope * (at[n] - x[k]) + y[k]
    return out


def fill_gaps(samples: FloatArray) -> tuple[FloatArray, int]:
    """Non-finite samples replaced by a straight line between their neighbours.

    Returns the filled signal and how many samples were filled; all zeros when none is finite.
    """
    # a sum is one pass and stays finite exactly when every term does (short of overflow)
    if np.isfinite(samples.sum()):
        return samples, 0
    bad = ~np.isfinite(samples)
    count = int(bad.sum())
    if count == len(samples):
        return np.zeros(len(samples)), count
    index = np.arange(len(samples))
    filled = samples.copy()
    filled[bad] = np.interp(index[bad], index[~bad], samples[~bad])
    return filled, count


@numba.njit(cache=True)
def _running_mean(samples: FloatArray, width: int, out: FloatArray) -> None:
    n = samples.shape[0]
    total = np.zeros(n + 1)
    so_far = 0.0
    for i in range(n):
        so_far += samples[i]
        total[i + 1] = so_far
    width = min(width, n)
    half = width // 2
    # the width is kept whole at the ends, so that a periodic part still averages out
    for first in range(n - width + 1):
        out[first + half] = (total[first + width] - total[first]) / width
    for i in range(half):
        out[i] = out[half]
    for i in range(n - width + half, n):
        out[i] = out[n - width + half]


def running_mean(samples: FloatArray, width: int) -> FloatArray:
    """Mean over `width` samples centred on each one (shifted inwards at the ends).

    Subtracting it removes drift and leaves every multiple of the frequency 1 / width untouched.
    """
    out = np.empty(len(samples))
    _running_mean(np.ascontiguousarray(samples, dtype=np.float64), width, out)
    return out

"""A smooth curve of crank angle through the pulses of a trigger.

Pulse times are known no better than the sampling allows. The stiffest curve that leaves no more
than that takes the rounding out and nothing else, so a cycle in which the engine stumbled stays
one. It is Whittaker's, with third differences of the times over the pulse number (Proc. Edinburgh
Math. Soc. 41 (1922) 63; Eilers, Anal. Chem. 75 (2003) 3631). Between the pulses: the cubic spline
of the times over the angle, its slopes limited so that the angle never falls (Hyman, SIAM J. Sci.
Stat. Comput. 4 (1983) 645).
"""

import numba
import numpy as np
from numpy.typing import NDArray

__all__ = ["through_pulses"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_FINE = 8  # knots per pulse
_STIFFEST, _SOFTEST = 7.0, -1.0  # powers of ten of the penalty
_LOOSE = 1e-6  # penalty that leaves the known values alone
_MOST_BENT = 0.3  # least rise of a filled place over that of a straight line
_REACH = 3  # order of the differences, and bandwidth of the equations
_DIFFERENCE = np.array([-1.0, 3.0, -3.0, 1.0])
_STEEPEST = 3.0  # slope at a pulse over the gentler of the two beside it
_FLATTEST = 0.1


def through_pulses(
    time_s: FloatArray, count: IntArray, timing_sd_s: float
) -> tuple[FloatArray, FloatArray]:
    """Eight knots per pulse: (time, pulses since the first).

    `time_s` (n,) of the pulses, n >= 4; `count` (n,) pulses since the one before, more than 1 where
    some are missing; `timing_sd_s`: how well a single time is known (0: exactly).
    """
    number = np.cumsum(count)
    number -= number[0]
    return _curve(np.ascontiguousarray(time_s), number, timing_sd_s)


@numba.njit(cache=True)
def _curve(
    time_s: FloatArray, number: IntArray, sd_s: float
) -> tuple[FloatArray, FloatArray]:  # pragma: no cover - compiled
    n = number[-1] + 1
    at, weight = np.zeros(n), np.zeros(n)
    at[number] = time_s - time_s[0]
    weight[number] = 1.0
    value = _stiffest(at, weight, sd_s)
    slope = _slopes(value)
    time = np.empty((n - 1) * _FINE + 1)
    turns = np.empty_like(time)
    for k in range(n - 1):
        rise = value[k + 1] - value[k]
        for j in range(_FINE):
            u = j / _FINE
            v = 1.0 - u
            time[k * _FINE + j] = (
                value[k]
                + rise * u * u * (1.0 + 2.0 * v)
                + u * v * (v * slope[k] - u * slope[k + 1])
            )
            turns[k * _FINE + j] = k + u
    time[-1], turns[-1] = value[-1], n - 1.0
    return time + time_s[0], turns


@numba.njit(cache=True)
def _stiffest(
    value: FloatArray, weight: FloatArray, sd: float
) -> FloatArray:  # pragma: no cover - compiled
    """The stiffest rising curve whose root mean square distance is at most `sd`, else the values
    themselves, and where some are missing a smooth curve or, where that bends too much, a line."""
    known = weight.sum()
    for half_power in range(int(2 * (_STIFFEST - _SOFTEST)) + 1):
        if sd <= 0.0:
            break
        curve = _smoothed(value, weight, 10.0 ** (_STIFFEST - 0.5 * half_power))
        close = np.sum(weight * (value - curve) ** 2) <= known * sd * sd
        if close and np.all(curve[1:] > curve[:-1]):
            return curve
    if known == len(value):
        return value
    there = np.flatnonzero(weight > 0.0)
    straight = np.interp(np.arange(len(value)), there, value[there])
    curve = np.where(weight > 0.0, value, _smoothed(value, weight, _LOOSE))
    if np.all(np.diff(curve) > _MOST_BENT * np.diff(straight)):
        return curve
    return straight


@numba.njit(cache=True)
def _smoothed(
    value: FloatArray, weight: FloatArray, penalty: float
) -> FloatArray:  # pragma: no cover - compiled
    """Whittaker's smoother with third differences: Cholesky of the banded normal matrix."""
    n = len(value)
    band = np.zeros((n, _REACH + 1))  # band[i, k] is the element (i, i - k)
    for i in range(n):
        band[i, 0] = weight[i]
    for first in range(n - _REACH):
        for a in range(_REACH + 1):
            for b in range(a + 1):
                band[first + a, a - b] += penalty * _DIFFERENCE[a] * _DIFFERENCE[b]
    out = weight * value
    for i in range(n):
        for k in range(min(i, _REACH), -1, -1):
            total = band[i, k]
            for m in range(k + 1, min(i, _REACH) + 1):
                if m - k <= min(i - k, _REACH):
                    total -= band[i, m] * band[i - k, m - k]
            band[i, k] = np.sqrt(max(total, 1e-300)) if k == 0 else total / band[i - k, 0]
        for k in range(1, min(i, _REACH) + 1):
            out[i] -= band[i, k] * out[i - k]
        out[i] /= band[i, 0]
    for i in range(n - 1, -1, -1):
        for k in range(1, min(n - 1 - i, _REACH) + 1):
            out[i] -= band[i + k, k] * out[i + k]
        out[i] /= band[i, 0]
    return out


@numba.njit(cache=True)
def _slopes(value: FloatArray) -> FloatArray:  # pragma: no cover - compiled
    """Slopes of the cubic spline through even knots (parabolas at both ends), limited."""
    n = len(value)
    slope, upper = np.empty(n), np.empty(n)
    upper[0], slope[0] = 1.0, 2.0 * (value[1] - value[0])
    for i in range(1, n):
        lower, diagonal, above = 1.0, 4.0, 1.0
        right = 3.0 * (value[min(i + 1, n - 1)] - value[i - 1])
        if i == n - 1:
            diagonal, above, right = 1.0, 0.0, 2.0 * (value[i] - value[i - 1])
        pivot = diagonal - lower * upper[i - 1]
        if abs(pivot) < 1e-12:  # two knots: a straight line
            upper[i], slope[i] = 0.0, 0.5 * right
            continue
        upper[i] = above / pivot
        slope[i] = (right - lower * slope[i - 1]) / pivot
    for i in range(n - 2, -1, -1):
        slope[i] -= upper[i] * slope[i + 1]
    for i in range(n):
        gentle = value[min(i + 1, n - 1)] - value[min(i, n - 2)]
        if i > 0:
            gentle = min(gentle, value[i] - value[i - 1])
        slope[i] = min(max(slope[i], _FLATTEST * gentle), _STEEPEST * gentle)
    return slope

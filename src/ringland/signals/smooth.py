"""Smoothing and interpolation of a curve known at a few points.

Whittaker smoother: minimise sum w (y - z)^2 + penalty * sum (second difference of z)^2.
Sources: Whittaker, Proc. Edinburgh Math. Soc. 41 (1922) 63; Eilers, Anal. Chem. 75 (2003) 3631.
"""

import numba
import numpy as np
from numpy.typing import NDArray

__all__ = ["interpolate_cubic", "smooth_weighted"]

FloatArray = NDArray[np.float64]


@numba.njit(cache=True)
def _solve(values: FloatArray, weights: FloatArray, penalty: float, out: FloatArray) -> None:
    """LDL^T of the pentadiagonal matrix W + penalty * D'D (Eilers 2003, second differences)."""
    n = values.shape[0]
    d = np.zeros(n)
    e = np.zeros(n)
    c = np.zeros(n)
    z = np.zeros(n)
    for i in range(n):
        diagonal = weights[i] + penalty * (
            (1.0 if i < n - 2 else 0.0) + (4.0 if 0 < i < n - 1 else 0.0) + (1.0 if i > 1 else 0.0)
        )
        # off-diagonals of D'D: -2 at the ends, -4 inside; 1 two away
        first = 0.0
        if i < n - 1:
            first = -2.0 * ((1.0 if i < n - 2 else 0.0) + (1.0 if i > 0 else 0.0)) * penalty
        second = penalty if i < n - 2 else 0.0
        c1 = c[i - 1] if i > 0 else 0.0
        d1 = d[i - 1] if i > 0 else 0.0
        e2 = e[i - 2] if i > 1 else 0.0
        d2 = d[i - 2] if i > 1 else 0.0
        e1 = e[i - 1] if i > 0 else 0.0
        d[i] = diagonal - d1 * c1 * c1 - d2 * e2 * e2
        c[i] = (first - d1 * c1 * e1) / d[i]
        e[i] = second / d[i]
        z[i] = (
            weights[i] * values[i]
            - c1 * (z[i - 1] if i > 0 else 0.0)
            - e2 * (z[i - 2] if i > 1 else 0.0)
        )
    for i in range(n - 1, -1, -1):
        value = z[i] / d[i]
        if i < n - 1:
            value -= c[i] * out[i + 1]
        if i < n - 2:
            value -= e[i] * out[i + 2]
        out[i] = value


@numba.njit(cache=True)
def smooth_weighted(
    values: FloatArray, weights: FloatArray, penalty: float
) -> FloatArray:  # pragma: no cover - compiled
    """Smooth `values` (n,) with `weights` (n,) >= 0 and a second-difference `penalty`."""
    n = len(values)
    if n < 3:
        total = weights.sum()
        return np.full(n, (weights * values).sum() / total if total > 0 else 0.0)
    out = np.empty(n)
    _solve(values, weights + 1e-12, penalty, out)
    return out


@numba.njit(cache=True)
def _hermite(knots: FloatArray, values: FloatArray, at: FloatArray, out: FloatArray) -> None:
    n = knots.shape[0]
    slope = np.empty(n)
    for i in range(n):
        # three-point slope through the knot and its neighbours (second order, also at the ends)
        a = min(max(i - 1, 0), n - 3)
        h0 = knots[a + 1] - knots[a]
        h1 = knots[a + 2] - knots[a + 1]
        s0 = (values[a + 1] - values[a]) / h0
        s1 = (values[a + 2] - values[a + 1]) / h1
        bend = (s1 - s0) / (h0 + h1)
        slope[i] = s0 + bend * (2.0 * knots[i] - knots[a] - knots[a + 1])
    k = 0
    for m in range(at.shape[0]):
        x = at[m]
        while k < n - 2 and x > knots[k + 1]:
            k += 1
        while k > 0 and x < knots[k]:
            k -= 1
        h = knots[k + 1] - knots[k]
        u = (x - knots[k]) / h
        if u < 0.0:
            out[m] = values[k] + slope[k] * (x - knots[k])
        elif u > 1.0:
            out[m] = values[k + 1] + slope[k + 1] * (x - knots[k + 1])
        else:
            v = 1.0 - u
            out[m] = (
                values[k] * v * v * (1.0 + 2.0 * u)
                + values[k + 1] * u * u * (3.0 - 2.0 * u)
                + h * u * v * (v * slope[k] - u * slope[k + 1])
            )


@numba.njit(cache=True)
def interpolate_cubic(
    knots: FloatArray, values: FloatArray, at: FloatArray
) -> FloatArray:  # pragma: no cover - compiled
    """Cubic Hermite interpolation with three-point slopes; straight on beyond the ends.

    `knots` (n,) strictly increasing, n >= 2; `at` (m,) is fastest when sorted.
    """
    out = np.empty(len(at))
    if len(knots) < 3:
        slope = (values[-1] - values[0]) / (knots[-1] - knots[0])
        out[:] = values[0] + slope * (at - knots[0])
        return out
    _hermite(knots, values, at, out)
    return out

"""Crankcase pressure about each cylinder's firing and induction.

See docs/theory/crankcase.md. Gas past the rings flows while the cylinder is under pressure, about
firing top dead centre; the crankcase adds it up, so it is the *rise* of the pressure there that
tells of the flow, whatever the vent lets go later. What the cylinders share (the pistons'
displacement above all) is left out by order. In induction a leak pulls, and the pressure falls.
"""

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from ringland.cylinders.orders import firing_weights
from ringland.model import AngleSignal, EngineSpec, StrokeTerms

__all__ = ["crankcase_terms"]

FloatArray = NDArray[np.float64]

_HIGHEST_ORDER = 12.0
_PUSH_DEG = (-30.0, 40.0)  # about firing top dead centre
_PULL_DEG = (390.0, 510.0)  # the quick part of the induction stroke
_SHARED = 0.05
_LEAST_SHARE = 0.06  # of the channel's own rise and fall: the unit of push is never smaller


def crankcase_terms(signal: AngleSignal, engine: EngineSpec) -> StrokeTerms:
    """Push and pull of each position in every kept cycle, as pressure change per radian."""
    cycles, points = signal.values.shape
    cycle = engine.cycle_deg
    highest = min(round(_HIGHEST_ORDER * cycle / 360.0), points // 2 - 1)
    k = np.arange(highest + 1)
    angles = np.asarray(engine.firing_angles_deg)
    weight = firing_weights(angles, cycle, highest)
    unshared = np.where(weight > _SHARED, 0.0, 1.0)
    unshared[0] = 0.0
    lines = scipy.fft.rfft(signal.values, axis=1)[:, : highest + 1] * (1j * k * 360.0 / cycle)
    rise = _back(lines * unshared, points)
    every = _back(lines.mean(axis=0)[None, :], points)[0]
    push = _mean_about(rise, angles, _PUSH_DEG, cycle)
    pull = (
        -_mean_about(rise, angles, _PULL_DEG, cycle)
        if engine.strokes == 4
        else np.zeros((cycles, len(angles)))
    )
    shared = np.where((weight > _SHARED) & (k % 2 == 1), 1.0, 0.0)
    usual = _mean_about(
        _back((lines.mean(axis=0) * shared)[None, :], points), angles, _PUSH_DEG, cycle
    )
    least = _LEAST_SHARE * float(np.ptp(every))
    scale = float(np.abs(usual).mean())
    if scale > least:
        scale_from = "the usual cylinder's own push"
    else:
        scale, scale_from = least, "a share of the channel's own rise and fall"
    return StrokeTerms(signal.channel, push, pull, scale, scale_from, 0.0)


def _back(lines: NDArray[np.complex128], points: int) -> FloatArray:
    full = np.zeros((len(lines), points // 2 + 1), dtype=np.complex128)
    full[:, : lines.shape[1]] = lines
    return np.asarray(scipy.fft.irfft(full, points, axis=1))


def _mean_about(
    rows: FloatArray, angles_deg: FloatArray, window_deg: tuple[float, float], cycle_deg: float
) -> FloatArray:
    """Mean of each row in a window about each angle, (rows, angles)."""
    points = rows.shape[1]
    offset = np.arange(round(window_deg[0]), round(window_deg[1]) + 1)
    index = np.round((angles_deg[:, None] + offset[None, :]) / cycle_deg * points).astype(np.int64)
    return np.asarray(rows[:, index % points].mean(axis=2))

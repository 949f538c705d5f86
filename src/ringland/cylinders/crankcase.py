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
_LEAST_TOLD = 0.25  # directions heard less than this share of the best are not told apart
_GAMMA = 1.32
_DISPLACED = 0.05  # of one piston's stroke volume: from here displacement fills the shared orders
_SHARE_BESIDE_DISPLACEMENT = 0.12  # own heuristic, from simulated engines of eight layouts


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
    push = _mean_about(rise, angles, _PUSH_DEG, cycle) @ _unmixing(engine, k, unshared, points).T
    pull = (
        -_mean_about(rise, angles, _PULL_DEG, cycle)
        if engine.strokes == 4
        else np.zeros((cycles, len(angles)))
    )
    common = _back((lines.mean(axis=0) * (1.0 - unshared))[None, :], points)[0]
    scale, scale_from = float(np.ptp(common)), "the rise and fall that the cylinders share"
    if _displaced(angles, engine) > _DISPLACED:
        scale *= _SHARE_BESIDE_DISPLACEMENT
        scale_from = "a share of the rise and fall that the pistons' displacement makes"
    return StrokeTerms(signal.channel, push, pull, scale, scale_from)


def _displaced(angles_deg: FloatArray, engine: EngineSpec) -> float:
    """Peak-to-peak volume that all pistons displace together, over one piston's stroke volume.

    0.31 for four cylinders in line, 2 for a twin with both pistons together, near 0 for three,
    five, six and eight (closed form of the slider-crank; banks are not needed for this).
    """
    geometry = engine.geometry
    rod = 3.3 if geometry is None else 2.0 * geometry.rod_m / geometry.stroke_m
    turn = np.radians(np.arange(360.0)[:, None] - angles_deg[None, :])
    travel = 0.5 * (rod + 1.0 - np.cos(turn) - np.sqrt(rod**2 - np.sin(turn) ** 2))
    return float(np.ptp(travel.sum(axis=1)))


def _unmixing(
    engine: EngineSpec, k: NDArray[np.int64], unshared: FloatArray, points: int
) -> FloatArray:
    """What a window about each cylinder hears of a leak in every cylinder, undone (N, N).

    Leaving the shared orders out spreads a leak over the windows of the others (with four
    cylinders it appears with opposite sign 360 degrees on). The flow of a leak follows the
    cylinder pressure; directions it cannot be told in (what all share) are left out.
    """
    cycle = engine.cycle_deg
    angles = np.asarray(engine.firing_angles_deg)
    shape = _cylinder_pressure(engine)
    lines = scipy.fft.rfft(shape)[: len(k)] * (points / len(shape)) * unshared
    turned = lines[None, :] * np.exp(-2j * np.pi * k[None, :] * angles[:, None] / cycle)
    heard = _mean_about(_back(turned, points), angles, _PUSH_DEG, cycle).T
    return np.asarray(np.linalg.pinv(heard / np.abs(np.diag(heard)).mean(), rcond=_LEAST_TOLD))


def _cylinder_pressure(engine: EngineSpec) -> FloatArray:
    """Shape of the cylinder pressure over one cycle, firing top dead centre at 0, 1 deg steps.

    Polytropic over a slider-crank volume, raised after top dead centre as combustion does; the
    height does not matter, it is scaled out.
    """
    points = round(engine.cycle_deg)
    offset = (np.arange(points, dtype=np.float64) + points / 2.0) % points - points / 2.0
    geometry = engine.geometry
    ratio = 10.0 if geometry is None else geometry.compression_ratio
    rod = 3.3 if geometry is None else 2.0 * geometry.rod_m / geometry.stroke_m
    turn = np.radians(offset)
    travel = 0.5 * (rod + 1.0 - np.cos(turn) - np.sqrt(rod**2 - np.sin(turn) ** 2))
    volume = 1.0 / (ratio - 1.0) + travel
    pressure = (volume.max() / volume) ** _GAMMA - 1.0
    raised = np.where(offset > 0.0, 1.6, 1.0)
    closed = (offset > -140.0) & (offset < 135.0)
    return np.asarray(np.where(closed, pressure * raised, 0.0))


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

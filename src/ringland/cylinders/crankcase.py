"""Crankcase pressure about each cylinder's firing and induction.

See docs/theory/crankcase.md. Gas past the rings flows while the cylinder is under pressure, about
firing top dead centre; the crankcase adds it up, so it is the *rise* of the pressure there that
tells of the flow, whatever the vent lets go later. What the cylinders share (the pistons'
displacement above all) is left out by order. In induction a leak pulls, and the pressure falls.
"""

from dataclasses import dataclass
from functools import lru_cache

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
_DISPLACED = 0.05  # of one piston's stroke volume: from here displacement fills some shared orders
_LEAST_FREE = 0.01  # of one leak's power: below this the free shared orders tell nothing of gas
_SHARE_OF_RISE = 0.06  # own heuristic, where displacement leaves less gas than this to be seen


def crankcase_terms(signal: AngleSignal, engine: EngineSpec) -> StrokeTerms:
    """Push and pull of each position in every kept cycle, as pressure change per radian."""
    cycles, points = signal.values.shape
    cycle = engine.cycle_deg
    plan = _plan(engine, points)
    k, unshared, leak, alone = plan.k, plan.unshared, plan.leak, plan.alone
    angles = np.asarray(engine.firing_angles_deg)
    found: NDArray[np.complex128] = scipy.fft.rfft(signal.values, axis=1)[:, : len(k)]
    lines: NDArray[np.complex128] = found * (1j * k * 360.0 / cycle)
    rise = _back(lines * unshared, points)
    push = _mean_about(rise, angles, _PUSH_DEG, cycle) @ plan.unmixing.T
    pull = (
        -_mean_about(rise, angles, _PULL_DEG, cycle)
        if engine.strokes == 4
        else np.zeros((cycles, len(angles)))
    )
    shared = lines.mean(axis=0) * (1.0 - unshared)
    free, trusted = _free_of_displacement(shared, engine, plan)
    gas = alone * (_usual_gas(free, trusted, leak) or 0.0)
    share = _SHARE_OF_RISE * float(np.ptp(_back(shared[None, :], points)[0]))
    if gas > 0.0 and (gas >= share or trusted.sum() == np.count_nonzero(shared)):
        return StrokeTerms(signal.channel, push, pull, gas, "gas past a usual cylinder")
    # beside much displacement little gas is left to be seen, and less still to be a unit
    return StrokeTerms(
        signal.channel, push, pull, share, "a share of the rise and fall that the cylinders share"
    )


@dataclass(frozen=True, eq=False)
class _Plan:
    """What hangs on the engine alone. `k` (lines,): numbers of the order lines; `unshared` (lines,)
    1 where equal cylinders leave nothing, else 0; `leak` (N, lines) of a leak in each cylinder;
    `alone` what of it is heard about its own cylinder, and `unmixing` (N, N) what takes out the
    others; `moved` (lines,) by the pistons together, and `moved_swing` peak to peak."""

    k: NDArray[np.int64]
    unshared: FloatArray
    leak: NDArray[np.complex128]
    alone: float
    unmixing: FloatArray
    moved: NDArray[np.complex128]
    moved_swing: float


@lru_cache(maxsize=8)
def _plan(engine: EngineSpec, points: int) -> _Plan:
    cycle = engine.cycle_deg
    highest = min(round(_HIGHEST_ORDER * cycle / 360.0), points // 2 - 1)
    k = np.arange(highest + 1)
    angles = np.asarray(engine.firing_angles_deg)
    weight = firing_weights(angles, cycle, highest)
    unshared = np.where(weight > _SHARED, 0.0, 1.0)
    unshared[0] = 0.0
    leak = _leak_lines(engine, k, points)
    heard = _mean_about(_back(leak * unshared, points), angles, _PUSH_DEG, cycle).T
    alone = float(np.abs(np.diag(heard)).mean())
    moved = _displacement(engine, len(k))
    return _Plan(
        k=k,
        unshared=unshared,
        leak=leak,
        alone=alone,
        # of a single cylinder every order is shared: there is nothing to take apart
        unmixing=np.asarray(np.linalg.pinv(heard / (alone or 1.0), rcond=_LEAST_TOLD), np.float64),
        moved=moved,
        moved_swing=float(np.ptp(_back(moved[None, :], 720)[0])),
    )


def _free_of_displacement(
    shared: NDArray[np.complex128], engine: EngineSpec, plan: _Plan
) -> tuple[NDArray[np.complex128], FloatArray]:
    """Shared lines without what the pistons displace, and 1 where they can be trusted, else 0.

    A slider-crank displaces mostly at crank orders 1 and 2, which are given up; what it displaces
    at higher even orders (a hundredth) follows from order 2 by the closed form. Where the pistons
    together displace next to nothing nothing is given up.
    """
    trusted = np.where((np.abs(shared) > 0.0) & (plan.k > 0), 1.0, 0.0)
    if plan.moved_swing <= _DISPLACED:
        return shared, trusted
    order = plan.k * 360.0 / engine.cycle_deg
    second = int(np.flatnonzero(order == 2.0)[0])
    rise = plan.moved * 1j * order
    if abs(rise[second]) > 0.0:
        shared = shared - np.where(order > 2.0, shared[second] / rise[second], 0.0) * rise
    return shared, np.where((order == 1.0) | (order == 2.0), 0.0, trusted)


def _usual_gas(
    shared: NDArray[np.complex128], trusted: FloatArray, leak: NDArray[np.complex128]
) -> float | None:
    """Size of the usual cylinder's gas in units of `leak`, from the trusted shared orders; None
    where leaks of all cylinders together leave no power there."""
    together = float((np.abs(leak.sum(axis=0)) ** 2 * trusted).sum())
    one = float((np.abs(leak) ** 2).sum(axis=1).mean())
    if together < _LEAST_FREE * one:
        return None
    return float(np.sqrt((np.abs(shared) ** 2 * trusted).sum() / together))


def _displacement(engine: EngineSpec, count: int) -> NDArray[np.complex128]:
    """Lines (count,) of what all pistons displace together, over one piston's stroke volume, for a
    cycle of 720 points.

    Peak to peak 0.31 for four cylinders in line, 2 for a twin with both pistons together, near 0
    for three, five, six and eight (closed form of the slider-crank; banks are not needed for this).
    """
    turn = np.radians(
        np.arange(720)[:, None] * engine.cycle_deg / 720.0
        - np.asarray(engine.firing_angles_deg)[None, :]
    )
    travel = _travel(engine, turn).sum(axis=1)
    lines = np.zeros(count, dtype=np.complex128)
    found = scipy.fft.rfft(travel - travel.mean())[:count]
    lines[: len(found)] = found
    return lines


def _travel(engine: EngineSpec, turn_rad: FloatArray) -> FloatArray:
    """Piston travel from top dead centre over the stroke."""
    geometry = engine.geometry
    rod = 3.3 if geometry is None else 2.0 * geometry.rod_m / geometry.stroke_m
    return np.asarray(
        0.5 * (rod + 1.0 - np.cos(turn_rad) - np.sqrt(rod**2 - np.sin(turn_rad) ** 2))
    )


def _leak_lines(engine: EngineSpec, k: NDArray[np.int64], points: int) -> NDArray[np.complex128]:
    """Order lines of a leak in each cylinder whose flow follows its pressure, (N, len(k))."""
    shape = _cylinder_pressure(engine)
    lines = scipy.fft.rfft(shape)[: len(k)] * (points / len(shape))
    angles = np.asarray(engine.firing_angles_deg)
    turned: NDArray[np.complex128] = lines[None, :] * np.exp(
        -2j * np.pi * k[None, :] * angles[:, None] / engine.cycle_deg
    )
    return turned


def _cylinder_pressure(engine: EngineSpec) -> FloatArray:
    """Shape of the cylinder pressure over one cycle, firing top dead centre at 0, 1 deg steps.

    Polytropic over a slider-crank volume, raised after top dead centre as combustion does; the
    height does not matter, it is scaled out.
    """
    points = round(engine.cycle_deg)
    offset = (np.arange(points, dtype=np.float64) + points / 2.0) % points - points / 2.0
    geometry = engine.geometry
    ratio = 10.0 if geometry is None else geometry.compression_ratio
    volume = 1.0 / (ratio - 1.0) + _travel(engine, np.radians(offset))
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

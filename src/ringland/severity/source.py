"""Steady engine cycles from the simulator: what leaves the engine, before any pipe or sensor."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ringland.model._arrays import FloatArray, read_only
from ringland.simulator.faults import Fault
from ringland.simulator.parameters import SimulatedEngine
from ringland.simulator.run import simulate

__all__ = ["POINTS", "SourceCycle", "calm", "steady_cycle"]

POINTS = 360
"""Points per simulated cycle."""

_SETTLE_S = 1.6
_CYCLES = 4
_RATE_HZ = 6000.0
_STEP_DEG = 0.85  # coarser than the simulator's own: within 2 %, far inside the discrepancy stated

ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True, eq=False)
class SourceCycle:
    """One averaged cycle over crank angle, firing top dead centre of the first cylinder at 0.

    `exhaust_kg_s` (outlets, POINTS) leaving each collector; `crankcase_pa` (POINTS,).
    """

    exhaust_kg_s: FloatArray
    crankcase_pa: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "exhaust_kg_s", read_only(self.exhaust_kg_s))
        object.__setattr__(self, "crankcase_pa", read_only(self.crankcase_pa))


def calm(engine: SimulatedEngine) -> SimulatedEngine:
    """The engine without scatter from cycle to cycle, so that a few cycles are the average."""
    without = replace(
        engine.engine,
        duration_scatter=0.0,
        start_scatter_deg=0.0,
        heat_scatter=0.0,
        mixture_scatter=0.0,
    )
    return replace(engine, engine=without)


def steady_cycle(
    engine: SimulatedEngine,
    *,
    speed_rpm: float,
    faults: tuple[Fault, ...] = (),
    cycles: int = _CYCLES,
    seed: int = 0,
) -> SourceCycle:
    """The mean of a few cycles at a held speed without load, after the engine has settled.

    Raises SettingError for a fault the engine cannot have.
    """
    cycle_deg = engine.spec.cycle_deg
    seconds = (cycles + 1.2) * cycle_deg / (6.0 * speed_rpm) * 1.08
    run = simulate(
        engine,
        condition="held",
        held_rpm=speed_rpm,
        seconds=seconds,
        settle_s=_SETTLE_S,
        faults=faults,
        seed=seed,
        rate_hz=_RATE_HZ,
        step_deg=_STEP_DEG,
    )
    angle = run.crank_angle_deg
    last = math.floor(angle[-1] / cycle_deg)
    first = max(math.ceil(angle[0] / cycle_deg), last - cycles)
    if last <= first:  # far too slow: the little there is
        first = last - 1
    grid = first * cycle_deg + np.arange((last - first) * POINTS) * (cycle_deg / POINTS)

    def averaged(values: FloatArray) -> FloatArray:
        turned = np.interp(grid, angle, values).reshape(-1, POINTS)
        return np.asarray(turned.mean(axis=0))

    return SourceCycle(
        np.array([averaged(row) for row in run.exhaust_flow_kg_s]),
        averaged(run.crankcase_pressure_pa),
    )

"""What a simulated run gives: signals against time and the truth behind them."""

from dataclasses import dataclass, field

import numpy as np

from ringland.model._arrays import BoolArray, FloatArray, read_only, read_only_bool
from ringland.model.engine import EngineSpec
from ringland.model.recording import Condition

__all__ = ["CycleTruth", "FaultTruth", "SimulationResult"]


@dataclass(frozen=True)
class FaultTruth:
    """One fault that was put in: `failure_mode` id, `cylinders` (numbers; empty: whole engine),
    `severity` in `unit`, present from `onset_s` to `offset_s` of the recording."""

    failure_mode: str
    cylinders: tuple[int, ...]
    severity: float
    unit: str
    onset_s: float = 0.0
    offset_s: float = float("inf")


@dataclass(frozen=True, eq=False)
class CycleTruth:
    """What happened in each cylinder in each engine cycle.

    Every array is (cycles, cylinders): row k is the engine cycle that starts at crank angle
    k * cycle_deg, column c is cylinder number c + 1. `firing_time_s` is the moment of the firing
    top dead centre (NaN when outside the recording). `misfired`: no combustion although it was
    asked for. `imep_pa`: net indicated mean effective pressure of the cycle around that top dead
    centre (NaN when the cycle is not whole in the recording). `heat_j`: heat released.
    `residual_fraction`: burned mass fraction when the inlet valve closed. `trapped_kg`: mass in
    the cylinder then. `blow_by_kg`: net mass from the cylinder past its rings to the crankcase.
    `peak_pressure_pa` in that cycle. What lies beyond the end of the run is NaN, not misfired.
    """

    firing_time_s: FloatArray
    misfired: BoolArray
    imep_pa: FloatArray
    heat_j: FloatArray
    residual_fraction: FloatArray
    trapped_kg: FloatArray
    blow_by_kg: FloatArray
    peak_pressure_pa: FloatArray

    def __post_init__(self) -> None:
        for name in (
            "firing_time_s",
            "imep_pa",
            "heat_j",
            "residual_fraction",
            "trapped_kg",
            "blow_by_kg",
            "peak_pressure_pa",
        ):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        object.__setattr__(self, "misfired", read_only_bool(self.misfired))


@dataclass(frozen=True, eq=False)
class SimulationResult:
    """One simulated run on a uniform clock: sample i is at `time_s[i]` = i / `rate_hz`.

    (n,): `crank_angle_deg` unwrapped, a multiple of `engine.cycle_deg` at the firing top dead
    centre of the first cylinder in the firing order; `speed_rpm`; `crankcase_pressure_pa`
    (absolute); `crankcase_flow_kg_s` out through the breather; `plenum_pressure_pa` (absolute);
    `starter_current_a`; `battery_v`.
    (outlets, n), outlet numbers in rising order: `exhaust_flow_kg_s` leaving the collector towards
    the tailpipe, `exhaust_pressure_pa` (absolute) and `exhaust_temperature_k` in the collector.
    (cylinders, n): `cylinder_pressure_pa` (absolute), or None when not asked for.
    `ambient_pressure_pa` is what the absolute pressures are to be held against.
    """

    engine: EngineSpec
    condition: Condition
    rate_hz: float
    time_s: FloatArray
    crank_angle_deg: FloatArray
    speed_rpm: FloatArray
    exhaust_flow_kg_s: FloatArray
    exhaust_pressure_pa: FloatArray
    exhaust_temperature_k: FloatArray
    crankcase_pressure_pa: FloatArray
    crankcase_flow_kg_s: FloatArray
    plenum_pressure_pa: FloatArray
    starter_current_a: FloatArray
    battery_v: FloatArray
    cycles: CycleTruth
    faults: tuple[FaultTruth, ...] = ()
    cylinder_pressure_pa: FloatArray | None = None
    crankcase_temperature_k: float = 360.0
    ambient_pressure_pa: float = 101325.0
    ambient_temperature_k: float = 298.15
    seed: int = 0
    notes: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        for name in (
            "time_s",
            "crank_angle_deg",
            "speed_rpm",
            "exhaust_flow_kg_s",
            "exhaust_pressure_pa",
            "exhaust_temperature_k",
            "crankcase_pressure_pa",
            "crankcase_flow_kg_s",
            "plenum_pressure_pa",
            "starter_current_a",
            "battery_v",
        ):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        if self.cylinder_pressure_pa is not None:
            object.__setattr__(self, "cylinder_pressure_pa", read_only(self.cylinder_pressure_pa))

    @property
    def outlet_numbers(self) -> tuple[int, ...]:
        """Outlet number of each row of the exhaust arrays."""
        return tuple(sorted(set(self.engine.outlets)))

    def firing_times_s(self, cylinder: int) -> FloatArray:
        """Moments inside the recording at which this cylinder passes its firing top dead centre."""
        times = self.cycles.firing_time_s[:, cylinder - 1]
        return times[np.isfinite(times)]

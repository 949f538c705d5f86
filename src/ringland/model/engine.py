"""The engine, as far as it is known."""

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Aspiration", "EngineSpec", "Fuel", "Geometry", "ValveTiming"]


class Fuel(StrEnum):
    """What the engine burns; `UNKNOWN` when the description does not say."""

    PETROL = "petrol"
    DIESEL = "diesel"
    GAS = "gas"
    UNKNOWN = "unknown"


class Aspiration(StrEnum):
    """How air gets in."""

    NATURAL = "natural"
    TURBO = "turbo"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Geometry:
    """Slider-crank geometry, SI. `pin_offset_m` is positive towards the thrust side."""

    bore_m: float
    stroke_m: float
    rod_m: float
    compression_ratio: float
    pin_offset_m: float = 0.0


@dataclass(frozen=True)
class ValveTiming:
    """Valve events in crank degrees after the firing top dead centre of that cylinder, 0 to 720."""

    exhaust_opens_deg: float
    exhaust_closes_deg: float
    inlet_opens_deg: float
    inlet_closes_deg: float


@dataclass(frozen=True)
class EngineSpec:
    """One engine. Everything not known is None.

    `firing_order` holds cylinder numbers; `firing_angles_deg` the firing top dead centre of each,
    in firing order, first one 0, increasing, below `cycle_deg`. `outlets` and `banks` are indexed
    by cylinder number - 1. "Firing position" p (1 .. N) means the p-th entry of `firing_order`.
    `displacement_m3`: swept volume of all cylinders, for where `geometry` is not known.
    """

    name: str
    cylinders: int
    firing_order: tuple[int, ...]
    firing_angles_deg: tuple[float, ...]
    strokes: int = 4
    outlets: tuple[int, ...] = ()
    banks: tuple[int, ...] | None = None
    trigger_cylinder: int | None = None
    trigger_advance_deg: float | None = None
    trigger_pulses_per_cycle: int | None = None
    geometry: Geometry | None = None
    valve_timing: ValveTiming | None = None
    fuel: Fuel = Fuel.UNKNOWN
    aspiration: Aspiration = Aspiration.UNKNOWN
    exhaust_path_m: float | None = None
    idle_speed_rpm: float | None = None
    inactive_cylinders: tuple[int, ...] = ()
    displacement_m3: float | None = None

    def __post_init__(self) -> None:
        if not self.outlets:
            object.__setattr__(self, "outlets", (1,) * self.cylinders)

    @property
    def cycle_deg(self) -> float:
        """Crank angle of one working cycle: 720 for four-stroke, 360 for two-stroke."""
        return 720.0 if self.strokes == 4 else 360.0

    @property
    def revolutions_per_cycle(self) -> int:
        """2 for four-stroke, 1 for two-stroke."""
        return 2 if self.strokes == 4 else 1

    @property
    def even_firing(self) -> bool:
        """True when all firing intervals are equal within 0.5 deg."""
        step = self.cycle_deg / self.cylinders
        return all(abs(a - i * step) < 0.5 for i, a in enumerate(self.firing_angles_deg))

    @property
    def outlet_count(self) -> int:
        """Number of separate exhaust outlets."""
        return len(set(self.outlets))

    def firing_angle_deg(self, cylinder: int) -> float:
        """Firing top dead centre of a cylinder, degrees after that of the first in the order."""
        return self.firing_angles_deg[self.firing_order.index(cylinder)]

    def positions_on_outlet(self, outlet: int) -> tuple[int, ...]:
        """Firing positions (1-based) whose cylinders feed this outlet."""
        return tuple(
            p
            for p, cylinder in enumerate(self.firing_order, start=1)
            if self.outlets[cylinder - 1] == outlet
        )

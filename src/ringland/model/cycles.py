"""Crank angle against time, and the engine cycles found in a recording."""

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from ringland.model._arrays import FloatArray, read_only
from ringland.model.estimate import Estimate
from ringland.model.provenance import Provenance

__all__ = ["CycleSet", "CycleUse", "PhaseSource", "Reference", "ToothWheel"]


class PhaseSource(StrEnum):
    """What the crank angle was made from, in falling order of trust."""

    TOOTH_WHEEL = "tooth_wheel"
    TRIGGER = "trigger"
    PULSES = "pulses"


class Reference(StrEnum):
    """What angle zero means.

    CYLINDER: firing top dead centre of the first cylinder in the firing order.
    REVOLUTION: a crank reference is known, but not which of the two revolutions of the cycle.
    ARBITRARY: zero is where it happened to fall; only differences of angle mean anything.
    """

    CYLINDER = "cylinder"
    REVOLUTION = "revolution"
    ARBITRARY = "arbitrary"


@dataclass(frozen=True)
class ToothWheel:
    """A crank wheel as found: `slots` equal steps per revolution, `missing` slots without a tooth.

    `missing` are slot numbers counted from the first tooth after the first gap; empty for a plain
    wheel. `name` is the trade's name of the pattern ("60-2").
    """

    name: str
    slots: int
    missing: tuple[int, ...]


@dataclass(frozen=True)
class CycleUse:
    """One cycle found: [start_s, stop_s), kept or dropped with a reason."""

    start_s: float
    stop_s: float
    dropped: str | None = None

    @property
    def kept(self) -> bool:
        """True when the cycle is used."""
        return self.dropped is None


@dataclass(frozen=True, eq=False)
class CycleSet:
    """Crank angle through the recording and the cycles in it.

    `time_s` and `angle_deg`, both (n,), strictly increasing: knots of the crank angle (unwrapped,
    a multiple of `cycle_deg` at the start of each cycle), linear between knots (callers may use a
    smoother interpolant). `speed_rpm`, `speed_se_rpm` (n,): crank speed and its standard error
    there. `angle_se_deg`: standard error of the angle at a knot.
    """

    cycle_deg: float
    phase_source: PhaseSource
    reference: Reference
    reference_reason: str
    time_s: FloatArray
    angle_deg: FloatArray
    speed_rpm: FloatArray
    speed_se_rpm: FloatArray
    angle_se_deg: float
    mean_speed_rpm: Estimate
    cycles: tuple[CycleUse, ...]
    wheel: ToothWheel | None = None
    notes: tuple[str, ...] = ()
    provenance: Provenance = field(default_factory=Provenance)

    def __post_init__(self) -> None:
        for name in ("time_s", "angle_deg", "speed_rpm", "speed_se_rpm"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    @property
    def found(self) -> int:
        """Number of whole cycles in the recording."""
        return len(self.cycles)

    @property
    def kept(self) -> tuple[CycleUse, ...]:
        """The cycles in use."""
        return tuple(c for c in self.cycles if c.kept)

    @property
    def dropped(self) -> tuple[CycleUse, ...]:
        """The cycles not in use, each with its reason; kept + dropped = found."""
        return tuple(c for c in self.cycles if not c.kept)

    def angle_at(self, time_s: FloatArray) -> FloatArray:
        """Unwrapped crank angle, degrees, at the given times (NaN outside the knots)."""
        return np.interp(time_s, self.time_s, self.angle_deg, left=np.nan, right=np.nan)

    def time_at(self, angle_deg: FloatArray) -> FloatArray:
        """Time, seconds, at the given unwrapped crank angles (NaN outside the knots)."""
        return np.interp(angle_deg, self.angle_deg, self.time_s, left=np.nan, right=np.nan)

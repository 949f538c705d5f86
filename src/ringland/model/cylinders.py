"""Signals in the crank-angle domain, and which pulse belongs to which cylinder."""

from dataclasses import dataclass, field

import numpy as np

from ringland.model._arrays import FloatArray, read_only
from ringland.model.crank import CrankRipple
from ringland.model.estimate import Estimate
from ringland.model.orders import OrderLine
from ringland.model.provenance import Provenance
from ringland.model.recording import ChannelRole

__all__ = [
    "AngleSignal",
    "Assignment",
    "CylinderSet",
    "CylinderShare",
    "MisfireCount",
    "OrderLine",
    "OrderSpectrum",
    "PathDelay",
    "StrokeTerms",
]


@dataclass(frozen=True, eq=False)
class AngleSignal:
    """One channel resampled to crank angle.

    `values` (cycles, angles): kept cycles only, in time order, channel unit, with the mean level
    of the recording left in. `angle_deg` (angles,): crank angle of each column, 0 to cycle_deg.
    `mean`, `standard_error`, `low`, `high` (angles,): robust cyclic mean, its standard error, and
    the 5 % and 95 % points over cycles. `cycle_index` (cycles,): index into CycleSet.cycles.
    """

    channel: str
    role: ChannelRole
    unit: str
    angle_deg: FloatArray
    values: FloatArray
    mean: FloatArray
    standard_error: FloatArray
    low: FloatArray
    high: FloatArray
    cycle_index: tuple[int, ...]

    def __post_init__(self) -> None:
        for name in ("angle_deg", "values", "mean", "standard_error", "low", "high"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


@dataclass(frozen=True)
class OrderSpectrum:
    """Order lines of one channel and the test "is there any imbalance at all".

    `imbalance_ratio` is the RMS of the imbalance orders over that of the shared orders;
    `imbalance_p` the probability of so much imbalance from scatter alone.
    """

    channel: str
    unit: str
    lines: tuple[OrderLine, ...]
    imbalance_ratio: Estimate
    imbalance_p: float


@dataclass(frozen=True)
class PathDelay:
    """How late a channel hears a cylinder, in crank degrees after its firing top dead centre.

    `pulse_angle_deg`: where the blow-down of a cylinder arrives; `path_delay_deg` the part of it
    due to the path (the rest is the exhaust opening). `shift_probability`: probability that the
    assignment is off by k firing positions, keyed by k.
    """

    channel: str
    pulse_angle_deg: Estimate
    path_delay_deg: Estimate
    shift_probability: tuple[tuple[int, float], ...]
    reason: str


@dataclass(frozen=True)
class Assignment:
    """Which cylinder a firing position is. `cylinder` None when the number is not known.

    `position_known` is False when even the position counts from an arbitrary start.
    """

    firing_position: int
    firing_angle_deg: float
    cylinder: int | None
    probability: float
    position_known: bool
    reason: str


@dataclass(frozen=True, eq=False)
class CylinderShare:
    """What one channel says of each firing position.

    `positions` are the firing positions this channel can hear. `window_angle_deg` (w,): angle
    after the pulse's expected arrival. `windows` (positions, w): each cylinder's own part of the
    averaged cycle, aligned. `common` (w,): the shared pulse. `strength` (cycles, positions):
    size of each cylinder's pulse in every cycle, 1 = the median cylinder. `deviation` (positions,
    w): the windows of the averaged cycle less what the cylinders share (empty when not made).
    """

    channel: str
    role: ChannelRole
    positions: tuple[int, ...]
    window_angle_deg: FloatArray
    windows: FloatArray
    window_se: FloatArray
    common: FloatArray
    strength: FloatArray
    deviation: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))

    def __post_init__(self) -> None:
        names = ("window_angle_deg", "windows", "window_se", "common", "strength", "deviation")
        for name in names:
            object.__setattr__(self, name, read_only(getattr(self, name)))


@dataclass(frozen=True)
class MisfireCount:
    """Cycles of one firing position in which its pulse was missing.

    `rate` per cycle with its 95 % Wilson interval; `longest_run` consecutive cycles;
    `repeat_ratio`: rate after a misfire over the rate after a good cycle (dependence on the
    previous cycle). `events` are indices into CycleSet.cycles.
    """

    channel: str
    firing_position: int
    missed: int
    cycles: int
    rate: Estimate
    longest_run: int
    repeat_ratio: Estimate
    events: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class StrokeTerms:
    """Crankcase pressure in stroke-shaped terms, (cycles, positions) each, channel unit.

    `push` in compression and expansion, `pull` in induction. `scale`: the push of a usual
    cylinder of this engine (or, where that cannot be told, what `scale_from` says).
    """

    channel: str
    push: FloatArray
    pull: FloatArray
    scale: float
    scale_from: str

    def __post_init__(self) -> None:
        for name in ("push", "pull"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


@dataclass(frozen=True, eq=False)
class CylinderSet:
    """Everything measured in the crank-angle domain."""

    signals: tuple[AngleSignal, ...]
    spectra: tuple[OrderSpectrum, ...]
    delays: tuple[PathDelay, ...]
    assignments: tuple[Assignment, ...]
    shares: tuple[CylinderShare, ...]
    misfires: tuple[MisfireCount, ...]
    notes: tuple[str, ...] = ()
    provenance: Provenance = field(default_factory=Provenance)
    stroke_terms: StrokeTerms | None = None
    ripples: tuple[CrankRipple, ...] = ()

    def signal(self, role: ChannelRole) -> AngleSignal | None:
        """The angle signal with this role, or None."""
        return next((s for s in self.signals if s.role is role), None)

    def share(self, role: ChannelRole) -> CylinderShare | None:
        """What the channel with this role says of each position, or None."""
        return next((s for s in self.shares if s.role is role), None)

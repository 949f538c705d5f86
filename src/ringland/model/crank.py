"""What the crank speed, or the starter's current, says of each cylinder."""

from dataclasses import dataclass, field
from enum import StrEnum

from ringland.model.estimate import Estimate
from ringland.model.orders import OrderLine
from ringland.model.provenance import Provenance

__all__ = ["COMPRESSION_METRICS", "CrankPhase", "CrankRipple", "RippleSegment"]

COMPRESSION_METRICS = ("relative_compression", "starter_relative_compression")
"""Metrics that show how well a cylinder holds compression while the starter turns the engine."""


class CrankPhase(StrEnum):
    """Who turns the crank."""

    CRANKING = "cranking"
    RUNNING = "running"


@dataclass(frozen=True)
class RippleSegment:
    """One span of the recording in which the crank was turned in one way.

    `orders`: amplitude of each line as a fraction of the mean (0.166 = 16.6 %), peak value, per
    crank revolution. `peak_to_peak`: of the averaged cycle, fraction of the mean.
    `strength`: per firing position, size of its dip (cranking) or swing (running), 1 = the mean
    of the positions. `extreme_deg`: crank angle, modulo one firing interval, of the mean dip
    (speed) or hump (current).
    """

    phase: CrankPhase
    start_s: float
    stop_s: float
    cycles: int
    mean: Estimate
    peak_to_peak: Estimate
    orders: tuple[OrderLine, ...]
    strength: tuple[Estimate, ...]
    extreme_deg: Estimate

    def order(self, order: float) -> OrderLine | None:
        """The line of this order, or None."""
        return next((line for line in self.orders if abs(line.order - order) < 1e-6), None)


@dataclass(frozen=True)
class CrankRipple:
    """Ripple of one channel, split where cranking turns into running.

    `positions_known` is False when firing position 1 is an arbitrary start; `reason` says what is
    open (usually: which of the two revolutions of the cycle is which).
    """

    channel: str
    unit: str
    segments: tuple[RippleSegment, ...]
    positions_known: bool
    reason: str
    notes: tuple[str, ...] = ()
    provenance: Provenance = field(default_factory=Provenance)

    def segment(self, phase: CrankPhase) -> RippleSegment | None:
        """The first segment of this kind, or None."""
        return next((s for s in self.segments if s.phase is phase), None)

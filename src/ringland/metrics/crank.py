"""Metrics from crank speed and starter current."""

from ringland.model import (
    ChannelRole,
    CrankPhase,
    CrankRipple,
    CylinderSet,
    MetricDefinition,
    MetricValue,
    Sense,
)

__all__ = ["DEFINITIONS", "crank_metrics"]


def _definition(id_: str, title: str, role: ChannelRole, spread: float) -> MetricDefinition:
    return MetricDefinition(
        id=id_,
        title=title,
        unit="1",
        role=role,
        sense=Sense.LOW,
        valid_low=-10.0,
        valid_high=10.0,
        fewest_cycles=2,
        healthy_spread=spread,
        alert_deviation=0.2,
        alarm_deviation=0.35,
        citation="heuristic",
    )


COMPRESSION = _definition(
    "relative_compression", "Relative compression from crank speed", ChannelRole.CRANK_TOOTH, 0.05
)
TORQUE = _definition(
    "crank_torque_pulse", "Torque pulse from crank speed", ChannelRole.CRANK_TOOTH, 0.1
)
STARTER = _definition(
    "starter_relative_compression",
    "Relative compression from starter current",
    ChannelRole.STARTER_CURRENT,
    0.05,
)
DEFINITIONS = (COMPRESSION, TORQUE, STARTER)

_Z90 = 1.6448536269514722


def crank_metrics(cylinders: CylinderSet) -> list[MetricValue]:
    """Strength of each position's dip or swing, 1 = the mean of the positions."""
    out: list[MetricValue] = []
    for ripple in cylinders.ripples:
        out.extend(_of_ripple(ripple))
    return out


def _of_ripple(ripple: CrankRipple) -> list[MetricValue]:
    out = []
    starter = ripple.unit == "A" or ripple.unit not in ("rpm", "rad/s")
    for segment in ripple.segments:
        if segment.phase is CrankPhase.CRANKING:
            definition = STARTER if starter else COMPRESSION
        else:
            definition = TORQUE
        for position, estimate in enumerate(segment.strength, start=1):
            error = (
                None
                if estimate.high is None or estimate.low is None
                else (estimate.high - estimate.low) / (2.0 * _Z90)
            )
            out.append(MetricValue(definition.id, ripple.channel, position, estimate, error))
    return out

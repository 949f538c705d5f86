"""Metrics of each cylinder's part in the crankcase pressure."""

from ringland.metrics._values import over_cycles
from ringland.model import ChannelRole, CylinderSet, MetricDefinition, MetricValue, Sense

__all__ = ["DEFINITIONS", "crankcase_metrics"]

PUSH = MetricDefinition(
    id="crankcase_push",
    title="Push on the crankcase in compression and expansion",
    unit="1",
    role=ChannelRole.CRANKCASE,
    sense=Sense.HIGH,
    valid_low=-100.0,
    valid_high=1000.0,
    fewest_cycles=4,
    healthy_spread=0.3,
    alert_deviation=0.7,
    alarm_deviation=1.1,
    citation="heuristic",
)
PULL = MetricDefinition(
    id="crankcase_pull",
    title="Pull on the crankcase in induction",
    unit="1",
    role=ChannelRole.CRANKCASE,
    sense=Sense.HIGH,
    valid_low=-1000.0,
    valid_high=1000.0,
    fewest_cycles=4,
    healthy_spread=0.3,
    alert_deviation=0.8,
    alarm_deviation=1.2,
    citation="heuristic",
)
DEFINITIONS = (PUSH, PULL)


def crankcase_metrics(cylinders: CylinderSet) -> list[MetricValue]:
    """Push and pull of each position over that of a usual cylinder."""
    terms = cylinders.stroke_terms
    if terms is None or terms.scale <= 0.0:
        return []
    out = []
    for column in range(terms.push.shape[1]):
        for definition, values in ((PUSH, terms.push), (PULL, terms.pull)):
            out.append(
                over_cycles(definition, terms.channel, column + 1, values[:, column] / terms.scale)
            )
    return out

"""Metrics of each cylinder's part in the intake pressure."""

import numpy as np

from ringland.metrics._values import over_cycles
from ringland.model import ChannelRole, CylinderSet, MetricDefinition, MetricValue, Sense

__all__ = ["DEFINITIONS", "intake_metrics"]

DRAW = MetricDefinition(
    id="intake_draw",
    title="Draw on the intake",
    unit="1",
    role=ChannelRole.INTAKE,
    sense=Sense.BOTH,
    valid_low=-5.0,
    valid_high=5.0,
    fewest_cycles=4,
    healthy_spread=0.1,
    alert_deviation=0.3,
    alarm_deviation=0.5,
    citation="heuristic",
)
DEFINITIONS = (DRAW,)


def intake_metrics(cylinders: CylinderSet) -> list[MetricValue]:
    """Strength of each position's dip in the intake pressure, 1 = the usual cylinder."""
    share = cylinders.share(ChannelRole.INTAKE)
    if share is None:
        return []
    return [
        over_cycles(DRAW, share.channel, position, np.asarray(share.strength[:, column]))
        for column, position in enumerate(share.positions)
    ]

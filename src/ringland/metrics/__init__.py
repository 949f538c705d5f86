"""Declared metrics. Adding one: a definition and a pure function in a family file, a docs page."""

from ringland.metrics import crank, crankcase, exhaust, intake
from ringland.model import CylinderSet, MetricDefinition, MetricTable

__all__ = ["DEFINITIONS", "measure_metrics"]

DEFINITIONS: tuple[MetricDefinition, ...] = (
    *exhaust.DEFINITIONS,
    *crankcase.DEFINITIONS,
    *intake.DEFINITIONS,
    *crank.DEFINITIONS,
)


def measure_metrics(cylinders: CylinderSet) -> MetricTable:
    """Every metric that the measured channels allow."""
    values = (
        *exhaust.exhaust_metrics(cylinders),
        *crankcase.crankcase_metrics(cylinders),
        *intake.intake_metrics(cylinders),
        *crank.crank_metrics(cylinders),
    )
    used = {v.metric for v in values}
    return MetricTable(tuple(d for d in DEFINITIONS if d.id in used), values)

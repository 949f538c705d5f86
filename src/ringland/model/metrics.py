"""Declared metrics, and their values per firing position."""

from dataclasses import dataclass
from enum import StrEnum

from ringland.model.estimate import Estimate
from ringland.model.recording import ChannelRole

__all__ = ["MetricDefinition", "MetricTable", "MetricValue", "Sense"]


class Sense(StrEnum):
    """Which deviation from the other cylinders is a symptom."""

    LOW = "low"
    HIGH = "high"
    BOTH = "both"


@dataclass(frozen=True)
class MetricDefinition:
    """Declaration of a metric.

    `healthy_spread` is the standard deviation between sound cylinders of one engine, in `unit`,
    and `alert_deviation`, `alarm_deviation` the deviations that matter in practice. `citation` is
    a key of docs/references.bib or the word "heuristic".
    """

    id: str
    title: str
    unit: str
    role: ChannelRole
    sense: Sense
    valid_low: float
    valid_high: float
    fewest_cycles: int
    healthy_spread: float
    alert_deviation: float
    alarm_deviation: float
    citation: str
    per_cylinder: bool = True


@dataclass(frozen=True)
class MetricValue:
    """One metric for one firing position (None: for the engine as a whole)."""

    metric: str
    channel: str
    firing_position: int | None
    estimate: Estimate
    standard_error: float | None = None


@dataclass(frozen=True)
class MetricTable:
    """All metric values of a recording, with the definitions they were made by."""

    definitions: tuple[MetricDefinition, ...]
    values: tuple[MetricValue, ...]

    def definition(self, metric: str) -> MetricDefinition:
        """The definition with this id; KeyError when there is none."""
        for definition in self.definitions:
            if definition.id == metric:
                return definition
        raise KeyError(metric)

    def of_metric(self, metric: str) -> tuple[MetricValue, ...]:
        """Values of one metric."""
        return tuple(v for v in self.values if v.metric == metric)

    def of_position(self, firing_position: int | None) -> tuple[MetricValue, ...]:
        """Values for one firing position."""
        return tuple(v for v in self.values if v.firing_position == firing_position)

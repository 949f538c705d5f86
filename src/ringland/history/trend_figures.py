"""Trends of a vehicle as figures, those that say most first; each cylinder against the others."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ringland.figures import trend as figure
from ringland.figures.labels import as_percent
from ringland.history.insight import PlaceTrend, series_of, trend_axis, trends_of
from ringland.history.store import Store
from ringland.history.trends import Event, fan
from ringland.metrics import DEFINITIONS
from ringland.model import Estimate, MetricDefinition

__all__ = ["ToldTrend", "figure_of", "told_trends"]

_FEWEST_POINTS = 2


@dataclass(frozen=True)
class ToldTrend:
    """One trend that has something to show. `over`: see `trend_axis`; `events`: work done."""

    place: PlaceTrend
    over: str
    events: tuple[Event, ...]

    @property
    def definition(self) -> MetricDefinition:
        """The metric."""
        return next(d for d in DEFINITIONS if d.id == self.place.metric)

    @property
    def title(self) -> str:
        """The metric and its place, in words."""
        number, title = self.place.cylinder, self.definition.title
        if number is not None:
            return f"{title}, cylinder {number}"
        return f"{title}, position {self.place.firing_position}"

    @property
    def rank(self) -> tuple[float, bool, bool, float]:
        """What says most sorts first: nearest to its limit, then a trend, then a repair that
        shows, then what moved most in its own standard errors."""
        told = self.place.trend
        values = [p.value for p in self.place.points]
        error = max(sum(p.standard_error for p in self.place.points) / len(values), 1e-12)
        shows = any(change.shows for change in told.change_points)
        near = math.inf if told.to_limit.low is None else told.to_limit.low
        return (near, not told.has_trend, not shows, -(max(values) - min(values)) / error)


def told_trends(store: Store, vehicle_id: str) -> Sequence[ToldTrend]:
    """All trends over odometer, or hours where there is none, that have points enough."""
    over = trend_axis(store, vehicle_id) or "odometer_km"
    _, events = series_of(store, vehicle_id, over=over)
    told = [
        ToldTrend(place, over, events)
        for place in trends_of(store, vehicle_id, over=over)
        if len(place.points) >= _FEWEST_POINTS
    ]
    return sorted(told, key=lambda t: t.rank)


def figure_of(told: ToldTrend) -> figure.TrendFigure:
    """Ready to be drawn: `ringland.figures.trend`."""
    trend, points = told.place.trend, told.place.points
    factor = 100.0 if as_percent(told.definition) else 1.0
    unit = "%" if factor == 100.0 else told.definition.unit
    shown = tuple(
        figure.TrendPoint(p.x, Estimate.from_se(factor * p.value, factor * p.standard_error, unit))
        for p in points
    )
    ahead = tuple(
        (x, factor * low, factor * middle, factor * high)
        for x, low, middle, high in fan(trend, max(p.x for p in points))
    )
    return figure.prepare(
        shown,
        x_label="Odometer, km" if told.over == "odometer_km" else "Hours run",
        y_label=f"Against the other cylinders, {unit}",
        verdict=told.place.sentence,
        fan=ahead,
        repairs=tuple((e.x, e.words) for e in told.events),
        limit=None if trend.limit is None else factor * trend.limit,
        limit_name=told.place.limit_name,
    )

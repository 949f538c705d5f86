"""The fleet, the trends and the track record as pages need them; the numbers come from history."""

import math
from dataclasses import dataclass
from functools import partial
from typing import Any

from ringland.diagnosis import load_knowledge
from ringland.errors import RinglandError
from ringland.figures import trend as figure
from ringland.figures.labels import as_percent
from ringland.history import Owner, list_owners
from ringland.history.fleet import FleetRow, fleet_order
from ringland.history.insight import (
    PlaceTrend,
    calls,
    costs_of,
    fleet_cases,
    series_of,
    trend_axis,
)
from ringland.history.insight import trends_of as history_trends
from ringland.history.track_record import HEALTHY, UNLISTED, Call, hit_rate, reliability
from ringland.history.trends import Event, fan
from ringland.metrics import DEFINITIONS
from ringland.model import Estimate, MetricDefinition
from ringland.report.blocks import Picture
from ringland.web.blocks import plain_picture
from ringland.web.context import Context
from ringland.web.worker import Plain

__all__ = ["FleetOf", "fleets", "record_of", "trends_of"]

_MOST_TRENDS = 4
_FEWEST_POINTS = 2


@dataclass(frozen=True)
class FleetOf:
    """The order of one owner's vehicles; `assumed` names costs nobody stated."""

    owner: Owner | None
    rows: tuple[FleetRow, ...]
    assumed: tuple[str, ...]
    error: Plain | None = None

    @property
    def most(self) -> float:
        """Largest end of an interval: the length of the scale."""
        return max((r.until_service.high or 0.0 for r in self.rows), default=0.0) or 1.0


def fleets(app: Context) -> tuple[FleetOf, ...]:
    """One order for each owner: costs of different owners are not comparable."""
    found = []
    owned: set[str] = set()
    for owner in list_owners(app.store):
        cases = fleet_cases(app.store, owner_id=owner.id)
        owned |= {c.vehicle for c in cases}
        if cases:
            found.append(_fleet(owner, cases))
    others = tuple(c for c in fleet_cases(app.store) if c.vehicle not in owned)
    if others:
        found.append(_fleet(None, others))
    return tuple(found)


def _fleet(owner: Owner | None, cases: Any) -> FleetOf:
    try:
        costs = costs_of(owner)
        rows = fleet_order(cases, costs)
    except RinglandError as error:
        return FleetOf(owner, (), (), error.as_dict())
    return FleetOf(owner, rows, costs.assumed)


def trends_of(app: Context, vehicle_id: str) -> Plain:
    """Trends of a vehicle over odometer, or hours where there is none, each cylinder against the
    others: those that say most as figures, the others in words."""
    over = trend_axis(app.store, vehicle_id) or "odometer_km"
    series, events = series_of(app.store, vehicle_id, over=over)
    told = [
        _Told(place)
        for place in history_trends(app.store, vehicle_id, over=over)
        if len(place.points) >= _FEWEST_POINTS
    ]
    told.sort(key=lambda t: (t.soonest, not t.place.trend.has_trend, not t.shows, -t.moved))
    shown, rest = told[:_MOST_TRENDS], told[_MOST_TRENDS:]
    return {
        "pictures": [_picture(i, one, events, over) for i, one in enumerate(shown)],
        "others": [f"{one.title}: {one.place.sentence}" for one in rest],
        "visits": max((len(one.points) for one in series), default=0),
    }


@dataclass(frozen=True)
class _Told:
    """A trend as a picture."""

    place: PlaceTrend

    @property
    def soonest(self) -> float:
        """Nearest end of the way to the limit; infinite where none is told."""
        near = self.place.trend.to_limit.low
        return math.inf if near is None else near

    @property
    def shows(self) -> bool:
        """True when a repair shows in it."""
        return any(change.shows for change in self.place.trend.change_points)

    @property
    def moved(self) -> float:
        """Spread of the values in their own standard errors: what moved most comes first."""
        values = [p.value for p in self.place.points]
        error = max(sum(p.standard_error for p in self.place.points) / len(values), 1e-12)
        return (max(values) - min(values)) / error

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


def _picture(number: int, told: _Told, events: tuple[Event, ...], over: str) -> Plain:
    trend, definition = told.place.trend, told.definition
    factor = 100.0 if as_percent(definition) else 1.0
    unit = "%" if factor == 100.0 else definition.unit
    points = tuple(
        figure.TrendPoint(p.x, Estimate.from_se(factor * p.value, factor * p.standard_error, unit))
        for p in told.place.points
    )
    ahead = tuple(
        (x, factor * low, factor * middle, factor * high)
        for x, low, middle, high in fan(trend, max(p.x for p in told.place.points))
    )
    prepared = figure.prepare(
        points,
        x_label="Odometer, km" if over == "odometer_km" else "Hours run",
        y_label=f"Against the other cylinders, {unit}",
        verdict=told.place.sentence,
        fan=ahead,
        repairs=tuple((e.x, e.words) for e in events),
        limit=None if trend.limit is None else factor * trend.limit,
        limit_name=told.place.limit_name,
    )
    return plain_picture(
        Picture(
            f"trend-{number}",
            f"{told.title} over the visits",
            "Each cylinder against the others. Bars are 90 % intervals; ruled lines are work done; "
            "the fan is where it may go.",
            figure.size_in(prepared),
            partial(figure.compose, prepared=prepared),
            told.title,
        )
    )


def record_of(app: Context) -> Plain:
    """How often past calls were right: every mode of every call is one prediction."""
    made = calls(app.store)
    if not made:
        return {"calls": 0}
    pairs = [
        (min(1.0, max(0.0, call.probability(mode))), mode == call.found)
        for call in made
        for mode in {*call.predicted, call.found}
    ]
    rate = hit_rate(made)
    places = [c.right_place for c in made if c.right_place is not None]
    return {
        "calls": len(made),
        "hit": {"value": rate.value, "low": rate.low, "high": rate.high, "unit": "1"},
        "places": (sum(places), len(places)),
        "bins": reliability([p for p, _ in pairs], [h for _, h in pairs], bins=5),
        "list": [_called(call) for call in made],
    }


def _mode_name(mode_id: str) -> str:
    """What a call or an outcome says, as the causes of a visit name it."""
    others = {HEALTHY: "Nothing wrong", UNLISTED: "None of the causes listed"}
    named = others | {m.id: m.name for m in load_knowledge().modes}
    return named.get(mode_id, mode_id.replace("_", " "))


def _called(call: Call) -> Plain:
    best = max(call.predicted, key=call.probability)
    return {
        "said": _mode_name(best),
        "probability": call.probability(best),
        "found": _mode_name(call.found),
        "given": call.probability(call.found),
        "right": best == call.found,
        "place": call.right_place,
    }

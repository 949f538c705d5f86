"""The fleet, the trends and the track record as pages need them; the numbers come from history."""

from dataclasses import dataclass
from functools import partial
from typing import Any

from ringland.errors import RinglandError
from ringland.figures import trend as figure
from ringland.figures.labels import as_percent
from ringland.history import Owner, list_owners
from ringland.history.fleet import FleetRow, fleet_order
from ringland.history.insight import (
    MetricSeries,
    calls,
    costs_of,
    fleet_cases,
    series_of,
    trend_of,
)
from ringland.history.track_record import Call, hit_rate, reliability
from ringland.history.trends import Event, Trend, fan
from ringland.metrics import DEFINITIONS
from ringland.model import Estimate
from ringland.report.blocks import Picture
from ringland.web.blocks import plain_picture
from ringland.web.context import Context
from ringland.web.worker import Plain

__all__ = ["FleetOf", "fleets", "record_of", "trends_of"]

_MOST_TRENDS = 6
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
    """Trends of a vehicle over odometer, or hours where there is none: those that say most as
    figures, the others in words."""
    over = "odometer_km"
    series, events = series_of(app.store, vehicle_id)
    if not series:
        over = "running_hours"
        series, events = series_of(app.store, vehicle_id, over=over)
    told: list[tuple[MetricSeries, Trend]] = []
    for one in series:
        if len(one.points) < _FEWEST_POINTS:
            continue
        try:
            told.append((one, trend_of(one, events, over=over)))
        except (KeyError, RinglandError):
            continue
    told.sort(key=lambda pair: (not pair[1].has_trend, not _shows(pair[1]), -_moved(pair[0])))
    shown, rest = told[:_MOST_TRENDS], told[_MOST_TRENDS:]
    return {
        "pictures": [_picture(i, one, trend, events, over) for i, (one, trend) in enumerate(shown)],
        "others": [f"{_title(one)}: {trend.sentence}" for one, trend in rest],
        "visits": max((len(one.points) for one in series), default=0),
    }


def _shows(trend: Trend) -> bool:
    return any(change.shows for change in trend.change_points)


def _moved(series: MetricSeries) -> float:
    """Spread of the values in their own standard errors: what moved most comes first."""
    values = [p.value for p in series.points]
    error = max(sum(p.standard_error for p in series.points) / len(values), 1e-12)
    return (max(values) - min(values)) / error


def _title(series: MetricSeries) -> str:
    definition = next(d for d in DEFINITIONS if d.id == series.metric)
    if series.cylinder is not None:
        return f"{definition.title}, cylinder {series.cylinder}"
    if series.firing_position is not None:
        return f"{definition.title}, position {series.firing_position}"
    return definition.title


def _picture(
    number: int, series: MetricSeries, trend: Trend, events: tuple[Event, ...], over: str
) -> Plain:
    definition = next(d for d in DEFINITIONS if d.id == series.metric)
    factor = 100.0 if as_percent(definition) else 1.0
    unit = "%" if factor == 100.0 else definition.unit
    points = tuple(
        figure.TrendPoint(p.x, Estimate.from_se(factor * p.value, factor * p.standard_error, unit))
        for p in series.points
    )
    ahead = tuple(
        (x, *(factor * v for v in values))
        for x, *values in fan(trend, max(p.x for p in series.points))
    )
    prepared = figure.prepare(
        points,
        x_label="Odometer, km" if over == "odometer_km" else "Hours run",
        y_label=f"{_title(series)}, {unit}",
        verdict=trend.sentence,
        fan=ahead,  # type: ignore[arg-type]  # four columns, as fan() makes them
        repairs=tuple((e.x, e.words) for e in events),
        limit=None if trend.limit is None else factor * trend.limit,
    )
    return plain_picture(
        Picture(
            f"trend-{number}",
            f"{_title(series)} over the visits",
            "Bars are 90 % intervals; ruled lines are work done; the fan is where it may go.",
            figure.size_in(prepared),
            partial(figure.compose, prepared=prepared),
            _title(series),
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


def _called(call: Call) -> Plain:
    best = max(call.predicted, key=call.probability)
    return {
        "said": best.replace("_", " "),
        "probability": call.probability(best),
        "found": call.found.replace("_", " "),
        "given": call.probability(call.found),
        "right": best == call.found,
        "place": call.right_place,
    }

"""From rows of the store to what trends, the fleet order and the track record are made of."""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select

from ringland.figures.labels import as_percent
from ringland.history.fleet import (
    FleetRow,
    VehicleCase,
    _damage,
    _wait_days,
    fleet_order,
)
from ringland.history.rows import (
    AnalysisRow,
    Outcome,
    Owner,
    Purpose,
    ReportSent,
    Vehicle,
    Visit,
    Work,
)
from ringland.history.schema import TABLES
from ringland.history.shares import mode_names, unpacked
from ringland.history.shelves import SHELVES
from ringland.history.store import Store
from ringland.history.track_record import HEALTHY, Call
from ringland.history.trends import (
    Event,
    Point,
    Trend,
    Wording,
    against_others,
    told_range,
    trend,
)
from ringland.history.waiting import UNLISTED, OwnerCosts, load_waiting, owner_costs
from ringland.model import MetricDefinition, Sense

__all__ = [
    "MetricSeries",
    "PlaceTrend",
    "VisitPage",
    "calls",
    "costs_of",
    "fleet_cases",
    "fleet_top",
    "series_of",
    "trend_axis",
    "trends_of",
    "vehicle_page",
]

AXES = ("odometer_km", "running_hours")
_QUANTILE = 1.6448536269514722
"""Half width of a 90 % interval in standard errors, as Estimate.from_se makes them."""


@dataclass(frozen=True)
class VisitPage:
    """One visit with its newest analysis, what was done, what was found and what was sent."""

    visit: Visit
    analysis: AnalysisRow | None
    works: tuple[Work, ...]
    outcomes: tuple[Outcome, ...]
    reports: tuple[ReportSent, ...] = ()


@dataclass(frozen=True)
class MetricSeries:
    """One metric of one firing position over the visits of an engine, oldest first."""

    metric: str
    role: str
    firing_position: int | None
    cylinder: int | None
    points: tuple[Point, ...]


def vehicle_page(store: Store, vehicle_id: str, *, limit: int = 200) -> tuple[VisitPage, ...]:
    """The visits of a vehicle, newest first, each with what belongs to it."""
    with store.reading():
        visits: tuple[Visit, ...] = SHELVES["visit"].all(store, vehicle_id=vehicle_id, limit=limit)
        ids = tuple(visit.id for visit in visits)
        recordings = {r.id: r.visit_id for r in SHELVES["recording"].all(store, visit_id=ids)}
        newest: dict[str, AnalysisRow] = {}
        for row in SHELVES["analysis"].all(store, recording_id=tuple(recordings)):
            newest.setdefault(recordings[row.recording_id], row)
        works = _by_visit(SHELVES["work"].all(store, visit_id=ids))
        outcomes = _by_visit(SHELVES["outcome"].all(store, visit_id=ids))
        reports = _by_visit(SHELVES["report_sent"].all(store, visit_id=ids, state="sent"))
    return tuple(
        VisitPage(
            v,
            newest.get(v.id),
            works.get(v.id, ()),
            outcomes.get(v.id, ()),
            reports.get(v.id, ()),
        )
        for v in visits
    )


def _by_visit(rows: Sequence[Any]) -> dict[str, tuple[Any, ...]]:
    found: dict[str, list[Any]] = {}
    for row in rows:
        found.setdefault(row.visit_id, []).append(row)
    return {key: tuple(several) for key, several in found.items()}


def series_of(
    store: Store, vehicle_id: str, *, over: str = "odometer_km"
) -> tuple[tuple[MetricSeries, ...], tuple[Event, ...]]:
    """Every metric of the vehicle over `over` ("odometer_km" or "running_hours"), and the events:
    work done, and engines fitted."""
    pages = [p for p in reversed(vehicle_page(store, vehicle_id)) if getattr(p.visit, over)]
    analyses = {p.analysis.id: p for p in pages if p.analysis is not None}
    series: dict[tuple[str, str, int | None], tuple[int | None, list[Point]]] = {}
    kept = SHELVES["reading_set"].all(store, id=tuple(analyses))
    for one in sorted(kept, key=lambda s: getattr(analyses[s.id].visit, over)):
        visit = analyses[one.id].visit
        for metric, role, position, cylinder, value, low, high, _ in json.loads(one.readings):
            if value is None:
                continue
            error = max(0.0, (high - low) / (2.0 * _QUANTILE))
            entry = series.setdefault((metric, role, position), (cylinder, []))
            entry[1].append(Point(getattr(visit, over), value, error, visit.visited_on))
    found = tuple(
        MetricSeries(metric, role, position, cylinder, tuple(points))
        for (metric, role, position), (cylinder, points) in series.items()
    )
    return found, tuple(_events(store, vehicle_id, pages, over))


def _events(
    store: Store, vehicle_id: str, pages: Sequence[VisitPage], over: str
) -> Iterator[Event]:
    for page in pages:
        for work in page.works:
            x = work.odometer_km if over == "odometer_km" and work.odometer_km else None
            words = work.text or work.code or "work"
            # recorded first and worked on afterwards, but for a visit after the work
            side = -0.5 if page.visit.purpose is Purpose.AFTER else 0.5
            yield Event(float(x or getattr(page.visit, over)) + side, "repair", words)
    if over == "odometer_km":
        for engine in SHELVES["engine"].all(store, vehicle_id=vehicle_id):
            if engine.fitted_km:
                yield Event(engine.fitted_km, "engine_swap", f"engine {engine.name} fitted")


@dataclass(frozen=True)
class PlaceTrend:
    """The trend of one metric at one place, as its deviation from the other cylinders (`points`,
    visit by visit). `limit_name`: which limit it is held against. `days_to_limit`: `to_limit` at
    the pace of the visits, None where that or the pace is not known."""

    metric: str
    role: str
    firing_position: int
    cylinder: int | None
    points: tuple[Point, ...]
    trend: Trend
    limit_name: str
    days_to_limit: tuple[float, float] | None

    @property
    def sentence(self) -> str:
        """The trend in words, with the time at the pace of the visits."""
        if self.days_to_limit is None:
            return self.trend.sentence
        return (
            f"{self.trend.sentence} At the pace of its visits that is {_span(self.days_to_limit)}."
        )


def trends_of(
    store: Store, vehicle_id: str, *, over: str = "odometer_km", metric: str | None = None
) -> tuple[PlaceTrend, ...]:
    """Trends of every metric and cylinder since the last repair that showed, or engine, against
    the deviation that is an alert, or where that is passed the one that is an alarm."""
    from ringland.metrics import DEFINITIONS

    series, events = series_of(store, vehicle_id, over=over)
    hours = over == "running_hours"
    found = []
    for definition in DEFINITIONS:
        for role in sorted({s.role for s in series if s.metric == definition.id}):
            here = [s for s in series if (s.metric, s.role) == (definition.id, role)]
            if metric not in (None, definition.id):
                continue
            cylinders = {s.firing_position: s.cylinder for s in here}
            for position, points in sorted(against_others(_by_x(here), definition.id).items()):
                told, name = _against_limits(points, definition, events, hours=hours)
                found.append(
                    PlaceTrend(
                        definition.id,
                        role,
                        position,
                        cylinders.get(position),
                        points,
                        told,
                        name,
                        _days_to_limit(told, points),
                    )
                )
    return tuple(found)


def _against_limits(
    points: Sequence[Point], definition: MetricDefinition, events: Sequence[Event], *, hours: bool
) -> tuple[Trend, str]:
    """The trend towards the next limit, and its name."""
    percent = as_percent(definition)
    side = -1.0 if definition.sense is Sense.LOW else 1.0
    limits = (
        ("alert limit", definition.alert_deviation),
        ("alarm limit", definition.alarm_deviation),
    )
    for name, size in limits:
        told = trend(
            points,
            unit=definition.unit,
            x_unit="h" if hours else "km",
            sense=definition.sense,
            limit=side * size,
            events=events,
            per=500.0 if hours else 10_000.0,
            wording=Wording(name, 100.0, "%") if percent else Wording(name),
        )
        if not told.limit_passed:
            break
    return told, name


def _days_to_limit(told: Trend, points: Sequence[Point]) -> tuple[float, float] | None:
    """How long the way to the limit takes at the pace of the visits that the trend rests on."""
    used = [p for p in points if p.x >= told.used_from and p.label]
    low, high = told.to_limit.low, told.to_limit.high
    if low is None or high is None or len(used) < 2:
        return None
    days = (date.fromisoformat(used[-1].label) - date.fromisoformat(used[0].label)).days
    way = used[-1].x - used[0].x
    return None if days <= 0 or way <= 0.0 else (low * days / way, high * days / way)


def _span(days: tuple[float, float]) -> str:
    """Days in words: days, months or years, whichever says it in small numbers."""
    unit, size = ("days", 1.0) if days[1] < 90.0 else ("months", 30.44)
    if days[1] > 1100.0:
        unit, size = "years", 365.25
    return f"{told_range(days[0] / size, days[1] / size)} {unit}"


def trend_axis(store: Store, vehicle_id: str) -> str | None:
    """What trends of this vehicle run over: "odometer_km", else "running_hours"; None when no
    judged visit has a reading of either."""
    return next((o for o in AXES if series_of(store, vehicle_id, over=o)[0]), None)


def _by_x(series: Sequence[MetricSeries]) -> list[list[tuple[int, Point]]]:
    """The same points, visit by visit, of what belongs to a cylinder."""
    visits: dict[float, list[tuple[int, Point]]] = {}
    for one in series:
        if one.firing_position is not None:
            for point in one.points:
                visits.setdefault(point.x, []).append((one.firing_position, point))
    return [visits[x] for x in sorted(visits)]


def costs_of(owner: Owner | None) -> OwnerCosts:
    """The owner's costs as stated, assumed where not. Raises SettingError for wrong ones."""
    return owner_costs(json.loads(owner.costs) if owner is not None else None)


def fleet_cases(
    store: Store, *, owner_id: str | None = None, today: date | None = None
) -> tuple[VehicleCase, ...]:
    """Every vehicle with a judged recording, as its newest analysis leaves it."""
    day = today or date.today()
    return tuple(_case(values, day) for values in _newest_analyses(store, owner_id))


def fleet_top(
    store: Store,
    costs: OwnerCosts,
    *,
    limit: int,
    owner_id: str | None = None,
    today: date | None = None,
) -> tuple[FleetRow, ...]:
    """The first `limit` lines of `fleet_order(fleet_cases(...))`, without reckoning every line.

    The order is found for all vehicles at once; only lines that may be among the first are written.
    """
    day = today or date.today()
    rows = _newest_analyses(store, owner_id, causes=False)
    if not rows:
        return ()
    cost, known = _waiting_costs(rows, costs, day)
    ranked = np.argsort(np.where(known, -cost, -np.inf), kind="stable")
    # a few more than asked for: the short numbers may turn two that are nearly alike
    count = limit + 20 + int(np.count_nonzero(~known))
    first = sorted(int(i) for i in ranked[:count])
    with store.reading() as connection:
        table = TABLES["analysis"].c
        ids = [rows[i]["analysis_id"] for i in first]
        texts: dict[str, str] = {}
        for start in range(0, len(ids), 500):
            query = select(table.id, table.causes).where(table.id.in_(ids[start : start + 500]))
            texts.update({row.id: row.causes for row in connection.execute(query)})
    cases = [_case({**rows[i], "causes": texts[rows[i]["analysis_id"]]}, day) for i in first]
    return fleet_order(cases, costs)[:limit]


def _waiting_costs(
    rows: Sequence[Mapping[str, Any]], costs: OwnerCosts, today: date
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """`waiting_cost` until the service of every vehicle, and for which it could be told fast."""
    shares, known = unpacked([row["shares"] for row in rows])
    healthy = np.array([row["healthy"] for row in rows])
    rest = np.maximum(0.0, 1.0 - healthy - shares.sum(axis=1))
    days = np.array([(today - date.fromisoformat(row["visited_on"])).days for row in rows])
    waits = np.array(
        [
            _wait_days(
                (date.fromisoformat(row["service_due_on"]) - today).days
                if row["service_due_on"]
                else None
            )
            for row in rows
        ]
    )
    book = load_waiting().modes
    modes = [book[name] for name in (*mode_names(), UNLISTED)]
    pace = np.array([mode.days for mode in modes])
    damage = np.array([_damage(mode, costs) for mode in modes])
    done = np.exp(-np.maximum(days, 0)[:, None] / pace)
    more = -np.expm1(-np.maximum(waits, 0)[:, None] / pace)
    return (np.column_stack([shares, rest]) * damage * done * more).sum(axis=1), known


def _newest_analyses(
    store: Store, owner_id: str | None, *, causes: bool = True
) -> Sequence[Mapping[str, Any]]:
    """One row per vehicle: the analysis of its newest visit that has a judged one."""
    vehicle, visit, recording, analysis = (
        TABLES[name] for name in ("vehicle", "visit", "recording", "analysis")
    )
    live = [t.c.deleted_utc.is_(None) for t in (visit, recording, analysis)]
    newest = (
        select(analysis.c.id)
        .select_from(visit.join(recording).join(analysis))
        .where(visit.c.vehicle_id == vehicle.c.id, analysis.c.healthy.is_not(None), *live)
        .order_by(visit.c.visited_on.desc(), analysis.c.created_utc.desc(), analysis.c.id.desc())
        .limit(1)
        .correlate(vehicle)
        .scalar_subquery()
    )
    query = (
        select(
            vehicle.c.id,
            vehicle.c.name,
            vehicle.c.service_due_on,
            visit.c.visited_on,
            analysis.c.healthy,
            analysis.c.state,
            analysis.c.id.label("analysis_id"),
            analysis.c.causes if causes else analysis.c.shares,
        )
        .select_from(vehicle)
        .join(analysis, analysis.c.id == newest)
        .join(recording, recording.c.id == analysis.c.recording_id)
        .join(visit, visit.c.id == recording.c.visit_id)
        .where(vehicle.c.deleted_utc.is_(None))
        .order_by(vehicle.c.name)
    )
    if owner_id is not None:
        query = query.where(vehicle.c.owner_id == owner_id)
    with store.reading() as connection:
        return [dict(row) for row in connection.execute(query).mappings()]


def _case(values: Mapping[str, Any], today: date) -> VehicleCase:
    causes = [
        (cause["failure_mode"], cause.get("cylinder"), cause["probability"] or 0.0)
        for cause in json.loads(values["causes"])
    ]
    healthy, listed = values["healthy"], sum(p for _, _, p in causes)
    due = values["service_due_on"]
    return VehicleCase(
        vehicle=values["id"],
        name=values["name"],
        causes=tuple(causes),
        healthy=healthy,
        # what was too small to be kept by name belongs to what is not named
        none_of_these=max(0.0, 1.0 - healthy - listed),
        service_in_days=(date.fromisoformat(due) - today).days if due else None,
        days_since=max(0, (today - date.fromisoformat(values["visited_on"])).days),
        state=values["state"],
        seen_on=values["visited_on"],
    )


def calls(store: Store, *, owner_id: str | None = None) -> tuple[Call, ...]:
    """Predictions with what was found, for every confirmed outcome that has an analysis."""
    found = []
    for outcome in cast(tuple[Outcome, ...], SHELVES["outcome"].all(store)):
        visit: Visit = SHELVES["visit"].get(store, outcome.visit_id)
        if owner_id is not None:
            vehicle: Vehicle = SHELVES["vehicle"].get(store, visit.vehicle_id)
            if vehicle.owner_id != owner_id:
                continue
        analysis = _called(store, outcome)
        if analysis is None or analysis.healthy is None:
            continue
        causes = json.loads(analysis.causes)
        predicted: dict[str, float] = {HEALTHY: analysis.healthy}
        for cause in causes:
            mode = cause["failure_mode"]
            predicted[mode] = predicted.get(mode, 0.0) + (cause["probability"] or 0.0)
        predicted["none_of_these"] = max(0.0, 1.0 - sum(predicted.values()))
        place = None
        if outcome.cylinder is not None and outcome.failure_mode:
            places = [c.get("cylinder") for c in causes if c.get("cylinder") is not None]
            place = bool(places) and places[0] == outcome.cylinder
        found.append(Call(predicted, outcome.failure_mode or HEALTHY, outcome.id, place))
    return tuple(found)


def _called(store: Store, outcome: Outcome) -> AnalysisRow | None:
    """The analysis an outcome confirms: as named, else the first of its visit."""
    shelf = SHELVES["analysis"]
    if outcome.analysis_id is not None:
        return cast(AnalysisRow, shelf.get(store, outcome.analysis_id))
    recordings = SHELVES["recording"].all(store, visit_id=outcome.visit_id)
    rows = shelf.all(store, recording_id=tuple(r.id for r in recordings))
    return cast(AnalysisRow, rows[-1]) if rows else None

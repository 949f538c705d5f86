"""The fleet, the trends and the track record as pages need them; the numbers come from history."""

from dataclasses import dataclass
from functools import partial
from typing import Any

from ringland.diagnosis import load_knowledge
from ringland.errors import RinglandError
from ringland.figures import trend as figure
from ringland.history import (
    Owner,
    Visit,
    list_owners,
    list_reports_sent,
    list_vehicles,
    list_visits,
)
from ringland.history.fleet import FleetRow, fleet_order
from ringland.history.insight import (
    calls,
    costs_of,
    fleet_cases,
    series_of,
    trend_axis,
)
from ringland.history.track_record import HEALTHY, UNLISTED, Call, hit_rate, reliability
from ringland.history.trend_figures import ToldTrend, figure_of, told_trends
from ringland.report.blocks import Picture
from ringland.web.blocks import plain_picture
from ringland.web.context import Context
from ringland.web.handouts import FLEET
from ringland.web.letters import Told, letters_of
from ringland.web.worker import Plain

__all__ = ["FleetOf", "fleets", "newest_visit", "record_of", "sent_of_fleet", "trends_of"]

_MOST_TRENDS = 4


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


def _visits_of(app: Context, owner: Owner) -> tuple[Visit, ...]:
    """Visits of an owner's vehicles, newest first."""
    vehicles = tuple(v.id for v in list_vehicles(app.store, owner_id=owner.id))
    return list_visits(app.store, vehicle_id=vehicles) if vehicles else ()


def newest_visit(app: Context, owner: Owner) -> Visit | None:
    """The newest visit of an owner's vehicles."""
    return next(iter(_visits_of(app, owner)), None)


def sent_of_fleet(app: Context, owner: Owner | None) -> tuple[Told, ...]:
    """Letters with an owner's fleet summary, the newest first."""
    visits = () if owner is None else tuple(v.id for v in _visits_of(app, owner))
    sent = list_reports_sent(app.store, kind=FLEET)
    return letters_of(app, [row for row in sent if row.visit_id in visits])


def trends_of(app: Context, vehicle_id: str) -> Plain:
    """Trends of a vehicle: those that say most as figures, the others in words."""
    over = trend_axis(app.store, vehicle_id) or "odometer_km"
    series, _ = series_of(app.store, vehicle_id, over=over)
    told = told_trends(app.store, vehicle_id)
    return {
        "pictures": [_picture(i, one) for i, one in enumerate(told[:_MOST_TRENDS])],
        "others": [f"{one.title}: {one.place.sentence}" for one in told[_MOST_TRENDS:]],
        "visits": max((len(one.points) for one in series), default=0),
    }


def _picture(number: int, told: ToldTrend) -> Plain:
    prepared = figure_of(told)
    return plain_picture(
        Picture(
            f"trend-{number}",
            f"{told.title} over the visits",
            "Each cylinder against the others. Bars are 90 % intervals; ruled lines are work done; "
            "the fan is where it may go.",
            figure.size_in(prepared),
            partial(figure.compose, prepared=prepared),
            told.title,
            narrow_in=figure.size_in(prepared, narrow=True),
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

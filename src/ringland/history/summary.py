"""The fleet summary of a store, as a document: which vehicle first and why, and how the numbers of
those that should come in move."""

from datetime import date

from ringland.history.fleet import FleetRow, VehicleCase, fleet_order
from ringland.history.insight import costs_of, fleet_cases
from ringland.history.rows import Owner
from ringland.history.store import Store
from ringland.history.trend_figures import ToldTrend, figure_of, told_trends
from ringland.model import State
from ringland.report.document import Document
from ringland.report.firm import Firm
from ringland.report.fleet_summary import FleetLine, FleetTrend, fleet_document
from ringland.report.language import words_of
from ringland.report.words import capital

__all__ = ["fleet_summary"]

_MOST_TRENDS = 5


def fleet_summary(
    store: Store,
    owner: Owner | None,
    *,
    firm: Firm | None = None,
    language: str = "en",
    currency: str = "EUR",
    today: date | None = None,
) -> Document:
    """The summary for one owner, or for all vehicles at assumed costs. Raises SettingError."""
    owner_id = None if owner is None else owner.id
    cases = {c.vehicle: c for c in fleet_cases(store, owner_id=owner_id, today=today)}
    rows = fleet_order(tuple(cases.values()), costs_of(owner))
    called = [row for row in rows if row.bring_in][:_MOST_TRENDS]
    trends = ((row.name, _trend(store, cases[row.vehicle])) for row in called)
    return fleet_document(
        [_line(row, cases[row.vehicle], currency) for row in rows],
        [FleetTrend(name, told.title, figure_of(told)) for name, told in trends if told],
        title=owner.name if owner is not None else words_of(language)("All vehicles"),
        subtitle=words_of(language)(f"{len(rows)} vehicles with a judged recording"),
        firm=firm,
        language=language,
        made_on=today,
    )


def _trend(store: Store, case: VehicleCase) -> ToldTrend | None:
    """What says most of the cylinder that is thought of, else of any."""
    cylinder = max(case.causes, key=lambda cause: cause[2], default=("", None, 0.0))[1]
    told = told_trends(store, case.vehicle)
    return next((t for t in told if t.place.cylinder == cylinder), next(iter(told), None))


def _line(row: FleetRow, case: VehicleCase, currency: str) -> FleetLine:
    return FleetLine(
        vehicle=row.name,
        state=State(case.state.replace(" ", "_")),
        sentence=capital(row.sentence.removeprefix(f"{row.name}: ")),
        waiting_cost=row.until_service,
        wait_days=row.wait_days,
        visit_hours=row.visit_hours,
        bring_in=row.bring_in,
        last_seen=case.seen_on,
        currency=currency,
    )

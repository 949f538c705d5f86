"""One vehicle: history over odometer, engine, open questions; and a new one in a minute."""

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response

from ringland.engines import layouts
from ringland.errors import RinglandError
from ringland.history import (
    get_vehicle,
    list_engines,
    list_notes,
    list_owners,
    list_visits,
)
from ringland.history.insight import VisitPage
from ringland.history.insight import vehicle_page as history_of
from ringland.history.shelves import SHELVES
from ringland.model import Fuel
from ringland.web.api.rows import found
from ringland.web.context import App, Context
from ringland.web.judgement import engine_spec
from ringland.web.overview import trends_of
from ringland.web.path import next_step, standing_of, steps_of
from ringland.web.templating import page

__all__ = ["router"]

router = APIRouter()


@router.get("/vehicles/new")
def new_vehicle(request: Request, app: App) -> Response:
    """The form for a vehicle in the door."""
    return page(
        request,
        "vehicle_new.html.j2",
        layouts=layouts(),
        fuels=[f.value for f in Fuel if f is not Fuel.UNKNOWN],
        owners=list_owners(app.store),
    )


@router.get("/vehicles/{row_id}")
def vehicle_page(request: Request, app: App, row_id: str) -> Response:
    """The whole vehicle on one page."""
    vehicle: Any = found(SHELVES["vehicle"], app, row_id)
    rows = history_of(app.store, vehicle.id)
    engines = [_engine(e) for e in list_engines(app.store, vehicle_id=vehicle.id)]
    owners = list_owners(app.store)
    return page(
        request,
        "vehicle.html.j2",
        vehicle=vehicle,
        owner=next((o for o in owners if o.id == vehicle.owner_id), None),
        owners=owners,
        visits=rows,
        engines=engines,
        questions=_questions(app, rows),
        notes=[n for n in list_notes(app.store, vehicle_id=vehicle.id)][::-1],
        here="/vehicles",
    )


def _engine(row: Any) -> dict[str, Any]:
    try:
        return {"row": row, "spec": engine_spec(row), "error": None}
    except RinglandError as error:
        return {"row": row, "spec": None, "error": error.as_dict()}


def _questions(app: Context, rows: tuple[VisitPage, ...]) -> list[dict[str, str]]:
    """What is not settled: decided work not done, the newest visit's open step, no outcome yet."""
    questions = [
        {"text": f"Decided, not done yet: {w.text}", "link": f"/visits/{r.visit.id}/decide"}
        for r in rows
        for w in r.works
        if w.done_on is None
    ]
    if rows:
        visit = rows[0].visit
        step = next_step(steps_of(app, standing_of(app, visit)))
        questions.append({
            "text": f"Visit of {visit.visited_on}: {step.title} ({step.said})",
            "link": f"/visits/{visit.id}/{step.id}",
        })  # fmt: skip
    questions += [
        {
            "text": f"Visit of {r.visit.visited_on} ended in {r.analysis.state}; what was really "
            "found is not entered",
            "link": f"/visits/{r.visit.id}/decide",
        }
        for r in rows
        if r.analysis is not None and r.analysis.state in ("alarm", "alert") and not r.outcomes
    ]
    return questions


@router.get("/vehicles/{row_id}/trends")
def trends(request: Request, app: App, row_id: str) -> Response:
    """What moves over the odometer; loaded after the page, because it draws."""
    vehicle: Any = found(SHELVES["vehicle"], app, row_id)
    return page(request, "trends.html.j2", trends=trends_of(app, vehicle.id))


@router.get("/vehicles/{row_id}/visit")
def new_visit(request: Request, app: App, row_id: str) -> Response:
    """The form that begins a visit."""
    vehicle = get_vehicle(app.store, found(SHELVES["vehicle"], app, row_id).id)
    visits = list_visits(app.store, vehicle_id=vehicle.id, limit=1)
    return page(
        request,
        "visit_new.html.j2",
        vehicle=vehicle,
        last=visits[0] if visits else None,
        engines=[e for e in list_engines(app.store, vehicle_id=vehicle.id) if not e.removed_on],
        here="/vehicles",
    )

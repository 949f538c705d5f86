"""Today, vehicles, finding, words, settings: what is looked up at the desk."""

import tomllib
from functools import cache
from importlib.resources import files
from math import ceil
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from ringland.history import (
    Visit,
    get_vehicle,
    list_owners,
    list_vehicles,
    list_visits,
    search,
)
from ringland.web.caring import CARE, last_backup
from ringland.web.context import App, Context
from ringland.web.errors import Refused
from ringland.web.handouts import logo_version
from ringland.web.letters import unfinished
from ringland.web.measured import measured
from ringland.web.path import checklist_name, next_step, standing_of, steps_of
from ringland.web.templating import page

__all__ = ["router"]

router = APIRouter()
_OPEN_VISITS = 8
_LOOKED_AT = 24
_LAST_VISITS = 5000
_WORDS_OF_KINDS = {
    "owner": "Owner",
    "vehicle": "Vehicle",
    "engine": "Engine",
    "visit": "Visit",
    "recording": "Recording",
    "test_result": "Answer",
    "work": "Work",
    "outcome": "Found",
    "report_sent": "Report",
    "note": "Note",
    "photo": "Photo",
    "calibration": "Instrument",
}


def _open_visits(app: Context) -> list[dict[str, Any]]:
    """The newest visit of each vehicle, unless it was put away, with what comes next."""
    found: list[dict[str, Any]] = []
    newest: set[str] = set()
    for visit in list_visits(app.store, limit=_LOOKED_AT):
        if visit.vehicle_id in newest or _finished(app, visit):
            newest.add(visit.vehicle_id)
            continue
        newest.add(visit.vehicle_id)
        steps = steps_of(app, standing_of(app, visit))
        vehicle = get_vehicle(app.store, visit.vehicle_id)
        found.append({
            "visit": visit,
            "vehicle": vehicle,
            "next": next_step(steps),
            "steps": {s.id: s for s in steps},
        })  # fmt: skip
        if len(found) == _OPEN_VISITS:
            break
    return found


def _finished(app: Context, visit: Visit) -> bool:
    return bool(app.drafts.read(checklist_name(visit.id, "visit")).get("finished"))


@router.get("/")
def today(request: Request, app: App) -> Response:
    """What to do next, and which vehicles."""
    visits = _open_visits(app)
    due = [v for v in list_vehicles(app.store) if v.service_due_on or v.service_due_km]
    return page(
        request,
        "today.html.j2",
        visits=visits,
        letters=unfinished(app),
        due=sorted(due, key=lambda v: v.service_due_on or "9999")[:8],
        jobs=[j for j in app.jobs.all() if not j.over and not (j.own and app.device)],
        any_vehicle=bool(list_vehicles(app.store, limit=1)),
    )


@router.get("/vehicles")
def vehicles(request: Request, app: App) -> Response:
    """All vehicles with their owners and last visits."""
    owners = {o.id: o for o in list_owners(app.store, deleted=True)}
    last: dict[str, Visit] = {}
    for visit in list_visits(app.store, limit=_LAST_VISITS):
        last.setdefault(visit.vehicle_id, visit)
    return page(
        request, "vehicles.html.j2", vehicles=list_vehicles(app.store), owners=owners, last=last
    )


@router.get("/find")
def find(request: Request, app: App, text: Annotated[str, Query(max_length=200)] = "") -> Response:
    """Rows that hold the words."""
    hits = search(app.store, text) if text.strip() else ()
    named = {h.vehicle_id: get_vehicle(app.store, h.vehicle_id) for h in hits if h.vehicle_id}
    return page(
        request,
        "find.html.j2",
        found_text=text,
        hits=hits,
        vehicles=named,
        kinds=_WORDS_OF_KINDS,
    )


@cache
def _glossary() -> tuple[dict[str, str], ...]:
    """The words of the reports and those of the app, in one order."""
    own = files("ringland.web").joinpath("words.toml").read_text(encoding="utf-8")
    reports = files("ringland.report").joinpath("texts.toml").read_text(encoding="utf-8")
    words = [*tomllib.loads(reports)["glossary"], *tomllib.loads(own)["word"]]
    return tuple(sorted(words, key=lambda w: str(w["word"]).casefold()))


@router.get("/words")
def words(request: Request) -> Response:
    """The glossary: two lines each, with the standard that owns the term."""
    return page(request, "words.html.j2", words=_glossary())


@router.get("/settings")
def settings_page(request: Request, app: App) -> Response:
    """Units, language, costs, data folder, backup."""
    from ringland.report.language import languages

    code = app.sharing.pairing.newest() if app.sharing else None
    return page(
        request,
        "settings.html.j2",
        app=app,
        owners=list_owners(app.store),
        languages=languages(),
        measured=measured(app.store),
        logo=logo_version(app),
        code=code,
        minutes_left=ceil(app.sharing.pairing.left_s(code) / 60) if app.sharing and code else 0,
        own_session=request.state.session.id,
        sessions=() if app.device else app.sessions.all(),
        **({} if app.device else _care(app)),
    )


def _care(app: Context) -> dict[str, Any]:
    """Where looking after the store stands, and the last backup."""
    return {"care": app.jobs.about(CARE), "last_backup": last_backup(app)}


@router.get("/settings/care")
def settings_care(request: Request, app: App) -> Response:
    """The piece of the settings that changes while the store is looked after."""
    if app.device is not None:
        raise Refused(
            "This is shown on the computer that shares only.", remedy="Go to its settings page."
        )
    return page(request, "part.html.j2", part="settings_care.html.j2", **_care(app))

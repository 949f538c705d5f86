"""A visit: one page for each step of the work, and parts that are loaded again when they change."""

from dataclasses import replace
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import RedirectResponse, Response

from ringland.diagnosis import load_knowledge
from ringland.diagnosis.answers import READ_OF_ONE
from ringland.history import (
    get_vehicle,
    list_engines,
    list_notes,
    list_outcomes,
    list_owners,
    list_reports_sent,
    list_test_results,
    list_works,
)
from ringland.history.shelves import SHELVES
from ringland.web.api.rows import found
from ringland.web.context import App, Context
from ringland.web.errors import NotFound
from ringland.web.joining import (
    BY_ITSELF,
    EARLIER,
    choice_of,
    earlier_visit,
    joined_name,
    sound_visit,
)
from ringland.web.judgement import drawn, engine_of_visit
from ringland.web.letters import letters_of
from ringland.web.pages.record import live_values, said_when_recorded
from ringland.web.path import (
    STEPS,
    Standing,
    answers_text,
    checklist_name,
    plan_of,
    standing_of,
    steps_of,
)
from ringland.web.readings import READING_FIELDS
from ringland.web.recorder import RecorderOf
from ringland.web.reporting import mailing, report_name
from ringland.web.sizing import can_be_sized, size_subject, sized
from ringland.web.templating import page

__all__ = ["router"]

router = APIRouter()
_DRAWN = ("cylinders", "why", "report")
"""Steps that show sections of the report."""
_IDS = [step for step, _ in STEPS]
Chosen = Annotated[str | None, Query(alias="recording", max_length=36)]


@router.get("/visits/{row_id}")
def visit_start(app: App, row_id: str) -> Response:
    """To the step that comes next."""
    from ringland.web.path import next_step

    visit: Any = found(SHELVES["visit"], app, row_id)
    step = next_step(steps_of(app, standing_of(app, visit)))
    return RedirectResponse(f"/visits/{visit.id}/{step.id}", 303)


@router.get("/visits/{row_id}/part/{part}")
def visit_part(  # noqa: PLR0917 - parameters of a request
    request: Request,
    app: App,
    recorder: RecorderOf,
    row_id: str,
    part: str,
    recording: Chosen = None,
) -> Response:
    """A piece of a step, loaded again when something changed; `path` is the list of steps."""
    if part not in (*_IDS, "path"):
        raise NotFound("There is no such part of a visit.", got=part[:40])
    step = request.query_params.get("step", "about") if part == "path" else part
    values = _values(app, row_id, step if step in _IDS else "about", recording)
    values |= live_values(recorder, row_id)
    name = "part_path" if part == "path" else f"part_{part.replace('-', '_')}"
    return page(request, "part.html.j2", part=f"{name}.html.j2", **values)


@router.get("/visits/{row_id}/{step}")
def visit_page(  # noqa: PLR0917 - parameters of a request
    request: Request,
    app: App,
    recorder: RecorderOf,
    row_id: str,
    step: str,
    recording: Chosen = None,
) -> Response:
    """One step of a visit."""
    if step not in _IDS:
        raise NotFound("There is no such step of a visit.", got=step[:40], allowed=", ".join(_IDS))
    values = _values(app, row_id, step, recording) | live_values(recorder, row_id)
    values["part"] = f"part_{step.replace('-', '_')}.html.j2"
    return page(request, "visit.html.j2", here="/vehicles", **values)


def _values(app: Context, row_id: str, step: str, chosen: str | None) -> dict[str, Any]:
    """What the templates of a visit need; each step adds its own."""
    visit: Any = found(SHELVES["visit"], app, row_id)
    standing = standing_of(app, visit, chosen)
    if step in _DRAWN and standing.shown is not None and standing.document is not None:
        shown = drawn(app, standing.shown, standing.document)
        standing = replace(standing, shown=shown)
    steps = steps_of(app, standing)
    place = _IDS.index(step)
    following = steps[(place + 1) % len(steps)] if place + 1 < len(steps) else None
    values: dict[str, Any] = {
        "visit": visit,
        "vehicle": get_vehicle(app.store, visit.vehicle_id),
        "standing": standing,
        "document": standing.document,
        "shown": standing.shown,
        "steps": steps,
        "step": steps[place],
        "following": following,
        "engine": engine_of_visit(app, visit.id),
        "chosen": chosen or "",
    }
    values |= _OWN[step](app, standing) if step in _OWN else {}
    return values


def _about(app: Context, standing: Standing) -> dict[str, Any]:
    vehicle_id = standing.visit.vehicle_id
    notes = list_notes(app.store, visit_id=standing.visit.id)
    return {"engines": list_engines(app.store, vehicle_id=vehicle_id), "notes": notes[::-1]}


def _hook_up(app: Context, standing: Standing) -> dict[str, Any]:
    from ringland.instruments.plan import drawing

    plan = plan_of(app, standing.visit)
    picture = None if plan is None else drawing.prepare(plan)
    return {
        "plan": plan,
        "pictures": ()
        if picture is None
        else (
            ("broad", picture, drawing.WIDTH, drawing.HEIGHT),
            ("narrow", drawing.upright(picture), *drawing.UPRIGHT),
        ),
        "ticks": app.drafts.read(checklist_name(standing.visit.id, "hookup")),
        "list_name": checklist_name(standing.visit.id, "hookup"),
        "phases": (("before", "Before the hood is opened"), ("hook_up", "Hook up")),
    }


def _away(app: Context, standing: Standing) -> dict[str, Any]:
    return {
        "plan": plan_of(app, standing.visit),
        "ticks": app.drafts.read(checklist_name(standing.visit.id, "away")),
        "list_name": checklist_name(standing.visit.id, "away"),
        "phases": (("take_down", "Take down"),),
        "state": app.drafts.read(checklist_name(standing.visit.id, "visit")),
        "state_name": checklist_name(standing.visit.id, "visit"),
    }


def _recordings(app: Context, standing: Standing) -> dict[str, Any]:
    from ringland.model import ChannelRole

    plan = plan_of(app, standing.visit)
    phases = ("record",)
    return {
        "plan": plan,
        "record_steps": [] if plan is None else [s for s in plan.steps if s.phase in phases],
        "roles": [r.value for r in ChannelRole if r is not ChannelRole.UNASSIGNED],
        "said": {r.recording.id: said_when_recorded(app.folder, r.recording.id)
                 for r in standing.recordings},
    }  # fmt: skip


def _checks(app: Context, standing: Standing) -> dict[str, Any]:
    knowledge = load_knowledge()
    given = list_test_results(app.store, visit_id=standing.visit.id)
    titles = {t.id: t.title for t in knowledge.tests}
    words = {(t.id, o.id): o.title for t in knowledge.tests for o in t.outcomes}
    count = 0 if standing.document is None else standing.document["engine"]["cylinders"]
    return {
        "knowledge": {t.id: t for t in knowledge.tests},
        "all_tests": knowledge.tests,
        "given": [(r, titles.get(r.test, r.test), words.get((r.test, r.outcome), r.outcome),
                   answers_text(r.readings)) for r in given],
        "reading_fields": READING_FIELDS,
        "read_of_one": READ_OF_ONE,
        **_from_vehicle(app, standing.visit.id),
        "cylinder_count": count,
    }  # fmt: skip


def _from_vehicle(app: Context, visit_id: str) -> dict[str, Any]:
    """What the vehicle said of itself at this visit, and which tests that answers."""
    from ringland.instruments.obd.said import CAUTIONS, lines_of
    from ringland.web.from_vehicle import offers, vehicle_readings

    known = vehicle_readings(app, visit_id)
    return {
        "vehicle_cautions": CAUTIONS,
        "vehicle_said": [(one, [line for line in lines_of(one) if line]) for one in known],
        "vehicle_offers": offers(known),
    }


def _why(app: Context, standing: Standing) -> dict[str, Any]:
    visit_id = standing.visit.id
    found, job = None, None
    if standing.shown is not None and standing.analysis is not None:
        recording_id = standing.shown.recording.id
        found = sized(app, recording_id, standing.analysis.asked)
        job = app.jobs.about(size_subject(recording_id))
    return {
        "size_sections": {} if found is None else {s["id"]: s for s in found["sections"]},
        "size_job": job,
        "can_be_sized": can_be_sized(standing.document),
        "joined": choice_of(app, visit_id),
        "joined_name": joined_name(visit_id),
        "earlier_visit": earlier_visit(app, visit_id),
        "EARLIER": EARLIER,
        "sound_visit": sound_visit(app, visit_id),
        "BY_ITSELF": BY_ITSELF,
    }


def _decide(app: Context, standing: Standing) -> dict[str, Any]:
    knowledge = load_knowledge()
    return {
        "works": list_works(app.store, visit_id=standing.visit.id),
        "outcomes": list_outcomes(app.store, visit_id=standing.visit.id),
        "modes": knowledge.modes,
        "mode_names": {m.id: m.name for m in knowledge.modes},
    }


def _report(app: Context, standing: Standing) -> dict[str, Any]:
    vehicle = get_vehicle(app.store, standing.visit.vehicle_id)
    owners = [o for o in list_owners(app.store) if o.id == vehicle.owner_id]
    return {
        **mailing(app),
        "owner": owners[0] if owners else None,
        "written": {"pdf": None, **app.drafts.read(report_name(standing.visit.id))},
        "report_job": app.jobs.about(f"report-{standing.visit.id}"),
        "letters": letters_of(app, list_reports_sent(app.store, visit_id=standing.visit.id)),
    }


_OWN = {
    "about": _about,
    "hook-up": _hook_up,
    "recordings": _recordings,
    "why": _why,
    "checks": _checks,
    "decide": _decide,
    "report": _report,
    "away": _away,
}

"""Recording with an instrument, on a page of its own: set up, watch, verdict."""

import json
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response

from ringland.history import get_vehicle, list_recordings
from ringland.history.shelves import SHELVES
from ringland.web.api.live import running_files
from ringland.web.api.rows import found
from ringland.web.context import App
from ringland.web.judgement import engine_of_visit
from ringland.web.left_behind import left_behind
from ringland.web.path import plan_of
from ringland.web.recorder import Recorder, RecorderOf, recording_folder
from ringland.web.templating import page

__all__ = ["live_values", "router", "said_when_recorded"]

router = APIRouter()
_STEPS = {"idle": "Idle", "held": "Held", "snap": "Snap", "cranking": "Cranking"}
"""How the step of the plan begins that belongs to a condition."""


@router.get("/visits/{row_id}/record")
def record_page(request: Request, app: App, recorder: RecorderOf, row_id: str) -> Response:
    """The page; what runs is filled in by its script, from the API."""
    visit: Any = found(SHELVES["visit"], app, row_id)
    plan = plan_of(app, visit)
    steps = [] if plan is None else [s for s in plan.steps if s.phase == "record"]
    rows = list_recordings(app.store, visit_id=visit.id)
    return page(
        request,
        "record.html.j2",
        here="/vehicles",
        visit=visit,
        vehicle=get_vehicle(app.store, visit.vehicle_id),
        engine=engine_of_visit(app, visit.id),
        plan=plan,
        first_cautions=[c for s in steps[:1] for c in s.cautions],
        how={key: [s for s in steps if s.text.startswith(word)] for key, word in _STEPS.items()},
        cranked=sum(r.condition == "cranking" for r in rows),
        left=left_of(recorder, visit.id),
    )


@router.get("/visits/{row_id}/left-behind")
def left_part(request: Request, app: App, recorder: RecorderOf, row_id: str) -> Response:
    """What a server that died had recorded for this visit."""
    visit: Any = found(SHELVES["visit"], app, row_id)
    left = left_of(recorder, visit.id)
    return page(request, "part.html.j2", part="part_left_behind.html.j2", visit=visit, left=left)


def live_values(recorder: Recorder, visit_id: str) -> dict[str, Any]:
    """What the step of the recordings shows of live ones."""
    return {
        "left": left_of(recorder, visit_id),
        "recording_now": any(not one.over for one in recorder.all(visit_id)),
    }


def said_when_recorded(folder: Path, recording_id: str) -> dict[str, Any] | None:
    """The verdict that was given at the vehicle; None for a file that was dropped in."""
    try:
        found = json.loads((recording_folder(folder) / f"{recording_id}.json").read_text("utf-8"))
        return {"fit_to_judge": bool(found["fit_to_judge"]), "why": str(found["why"])}
    except (OSError, ValueError, KeyError, TypeError):
        return None


def left_of(recorder: Recorder, visit_id: str) -> list[Any]:
    """Recordings of a visit that broke off with the server."""
    rows = left_behind(recorder.folder, running_files(recorder))
    return [one for one in rows if one.visit_id == visit_id]

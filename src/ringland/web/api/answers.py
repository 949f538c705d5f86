"""What a follow-up test said: read as a technician writes it, kept, and the causes ranked anew."""

import json
from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Path
from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from ringland.history import TestResult, add_test_result
from ringland.history.shelves import SHELVES
from ringland.model import GivenAnswer
from ringland.web.api.rows import Window, changing
from ringland.web.api.shapes import ERRORS, RowId, Undo, undo_of
from ringland.web.api.uploads import JobShape
from ringland.web.context import App, Context
from ringland.web.judgement import judge, judge_visit
from ringland.web.sizing import size

__all__ = ["KeptAnswer", "Name", "Place", "keep_answer", "router"]

router = APIRouter(responses=ERRORS, tags=["follow-up tests"])
Text = Annotated[str, StringConstraints(max_length=200)]
Name = Annotated[str, StringConstraints(min_length=1, max_length=80)]
Place = Annotated[int, Field(ge=1, le=64)]


class NewAnswer(BaseModel):
    """An answer by the id of its outcome, or by readings as typed ("35", "1.0mm", "7bar")."""

    model_config = ConfigDict(extra="forbid")

    test: Name
    outcome: Text | None = None
    cylinder: Place | None = None
    firing_position: Place | None = None
    readings: dict[Name, Text] = Field(default_factory=dict, max_length=30)
    minutes: Annotated[float, Field(ge=0, le=10_000, allow_inf_nan=False)] | None = None
    remark: Annotated[str, StringConstraints(max_length=10_000)] = ""


class KeptAnswer(BaseModel):
    """The answer as kept, the work of ranking anew, and how to take it back."""

    row: TestResult
    jobs: list[JobShape]
    undo: Undo


class JobsShape(BaseModel):
    """Work that was started."""

    jobs: list[JobShape]


@router.post("/visits/{visit_id}/answers", response_model=KeptAnswer, status_code=201)
def add_answer(
    app: App, visit_id: Annotated[RowId, Path()], given: NewAnswer, window: Window = ""
) -> Any:
    """Keep what a test said at a visit; every recording of the visit is ranked with it."""
    from ringland.diagnosis.answers import parse_answer

    answer = parse_answer(
        given.test,
        cylinder=given.cylinder,
        firing_position=given.firing_position,
        outcome=given.outcome or None,
        readings=given.readings,
    )
    return keep_answer(
        app, visit_id, answer, minutes=given.minutes, remark=given.remark, window=window
    )


def keep_answer(
    app: Context,
    visit_id: str,
    answer: GivenAnswer,
    *,
    minutes: float | None = None,
    remark: str = "",
    window: str = "",
) -> dict[str, Any]:
    """Into the store, and every recording of the visit ranked with it: a `KeptAnswer`."""
    row = changing(
        SHELVES["visit"],
        app,
        visit_id,
        lambda: add_test_result(
            app.store,
            visit_id=visit_id,
            test=answer.test,
            outcome=answer.outcome,
            cylinder=answer.cylinder,
            firing_position=answer.firing_position,
            readings=json.dumps(dict(answer.readings)),
            done_on=date.today().isoformat(),
            minutes=minutes,
            remark=remark,
        ),
    )
    app.changed("test_result", row.id, window)
    jobs = [vars(job) for job in judge_visit(app, visit_id)]
    undo = undo_of("answer", "DELETE", f"/api/v1/visits/{visit_id}/answers/{row.id}")
    return {"row": row, "jobs": jobs, "undo": undo}


@router.delete("/visits/{visit_id}/answers/{row_id}", response_model=KeptAnswer)
def delete_answer(app: App, visit_id: RowId, row_id: RowId, window: Window = "") -> Any:
    """Take an answer back; the causes are ranked without it."""
    shelf = SHELVES["test_result"]
    row = changing(shelf, app, row_id, lambda: shelf.delete(app.store, row_id))
    app.changed("test_result", row_id, window)
    jobs = [vars(job) for job in judge_visit(app, visit_id)]
    path = f"/api/v1/visits/{visit_id}/answers/{row_id}/restore"
    return {"row": row, "jobs": jobs, "undo": undo_of("answer taken back", "POST", path)}


@router.post("/visits/{visit_id}/answers/{row_id}/restore", response_model=JobsShape)
def restore_answer(app: App, visit_id: RowId, row_id: RowId, window: Window = "") -> Any:
    """Bring an answer back."""
    shelf = SHELVES["test_result"]
    changing(shelf, app, row_id, lambda: shelf.restore(app.store, row_id))
    app.changed("test_result", row_id, window)
    return {"jobs": [vars(job) for job in judge_visit(app, visit_id)]}


@router.post("/visits/{visit_id}/judge", response_model=JobsShape)
def judge_again(app: App, visit_id: RowId) -> Any:
    """Judge the recordings of a visit whose analysis no longer holds."""
    changing(SHELVES["visit"], app, visit_id, lambda: SHELVES["visit"].get(app.store, visit_id))
    return {"jobs": [vars(job) for job in judge_visit(app, visit_id)]}


@router.post("/recordings/{recording_id}/judge", response_model=JobShape, tags=["recording"])
def judge_one(app: App, recording_id: RowId) -> Any:
    """Judge one recording."""
    shelf = SHELVES["recording"]
    row: Any = changing(shelf, app, recording_id, lambda: shelf.get(app.store, recording_id))
    return vars(judge(app, row))


@router.post("/recordings/{recording_id}/size", response_model=JobShape, tags=["recording"])
def size_one(app: App, recording_id: RowId) -> Any:
    """Find how large the leading cause is, by simulating the engine with it (some seconds)."""
    shelf = SHELVES["recording"]
    row: Any = changing(shelf, app, recording_id, lambda: shelf.get(app.store, recording_id))
    return vars(size(app, row))

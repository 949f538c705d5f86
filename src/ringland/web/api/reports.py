"""Reports: have one written, fetch it, send it, or say that it was handed over."""

from collections.abc import Callable
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Response
from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from ringland.history import ReportSent, Visit, add_report_sent, get_recording
from ringland.history.ids import utc_now
from ringland.history.shelves import SHELVES
from ringland.report.mail import addresses
from ringland.web.api.rows import Window, found
from ringland.web.api.shapes import ERRORS, RowId, Undo
from ringland.web.api.uploads import JobShape
from ringland.web.context import App, Context
from ringland.web.errors import NotFound
from ringland.web.reporting import report_name, send_report, write_report

__all__ = ["MEDIA", "Sending", "SentRow", "router", "to_each"]

router = APIRouter(responses=ERRORS, tags=["report"])
Line = Annotated[str, StringConstraints(max_length=300)]
MEDIA = {"pdf": "application/pdf", "html": "text/html; charset=utf-8"}


class NewReport(BaseModel):
    """Which recording, and for whom."""

    model_config = ConfigDict(extra="forbid")

    recording_id: RowId
    readers: Annotated[list[Literal["owner", "workshop"]], Field(min_length=1, max_length=2)] = [
        "owner",
        "workshop",
    ]


class Sending(BaseModel):
    """To whom (several with commas), with what words."""

    model_config = ConfigDict(extra="forbid")

    recipient: Annotated[str, StringConstraints(min_length=3, max_length=300)]
    subject: Annotated[str, StringConstraints(min_length=1, max_length=300)]
    text: Annotated[str, StringConstraints(max_length=20_000)] = ""
    kind: Literal["pdf", "html"] = "pdf"


class HandedOver(BaseModel):
    """How else the report reached the owner."""

    model_config = ConfigDict(extra="forbid")

    how: Annotated[str, StringConstraints(min_length=1, max_length=300)]
    recipient: Line = ""


class SentRow(BaseModel):
    """What was sent, or is on its way; `also`: to the other recipients."""

    row: ReportSent
    also: list[ReportSent] = []
    undo: Undo | None = None


def _visit(app: Context, visit_id: str) -> Visit:
    visit = found(SHELVES["visit"], app, visit_id)
    assert isinstance(visit, Visit)
    return visit


@router.post("/visits/{visit_id}/reports", response_model=JobShape, status_code=202)
def make_report(app: App, visit_id: RowId, given: NewReport) -> Any:
    """Have the report written as PDF and HTML."""
    visit = _visit(app, visit_id)
    found(SHELVES["recording"], app, given.recording_id)
    recording = get_recording(app.store, given.recording_id)
    if recording.visit_id != visit.id:
        raise NotFound("This recording belongs to another visit.", got=recording.id)
    return vars(write_report(app, visit, recording, readers=tuple(given.readers)))


@router.get(
    "/visits/{visit_id}/report",
    response_class=Response,
    responses={200: {"content": {"application/pdf": {}, "text/html": {}}}},
)
def fetch_report(
    app: App, visit_id: RowId, kind: Annotated[Literal["pdf", "html"], Query()] = "pdf"
) -> Response:
    """The report written last, as a file."""
    visit = _visit(app, visit_id)
    sha256 = app.drafts.read(report_name(visit.id)).get(kind)
    if not sha256:
        raise NotFound("No report of this visit has been written yet.", got=visit.id)
    name = f"report-{visit.visited_on}.{kind}"
    return Response(
        app.store.file(sha256).read_bytes(),
        media_type=MEDIA[kind],
        headers={"content-disposition": f'attachment; filename="{name}"'},
    )


@router.post("/visits/{visit_id}/send", response_model=SentRow, status_code=201)
def send(app: App, visit_id: RowId, given: Sending, window: Window = "") -> Any:
    """Put the report into the outbox, a letter for each recipient; it leaves when the network is
    there, and never twice."""
    visit = _visit(app, visit_id)
    words = {"subject": given.subject, "text": given.text}
    return to_each(
        app,
        given.recipient,
        lambda one: send_report(app, visit, recipient=one, kind=given.kind, **words),
        window,
    )


def to_each(app: Context, recipients: str, send: Callable[[str], ReportSent], window: str) -> Any:
    """A letter for each recipient, none when one of the addresses is wrong; then the sender is
    woken. Raises SettingError."""
    rows = [send(one) for one in addresses(recipients) or ("",)]
    for row in rows:
        app.changed("report_sent", row.id, window)
    app.send_now.set()
    return {"row": rows[0], "also": rows[1:]}


@router.post("/visits/{visit_id}/handed-over", response_model=SentRow, status_code=201)
def handed_over(app: App, visit_id: RowId, given: HandedOver, window: Window = "") -> Any:
    """Say that the report reached the owner another way."""
    visit = _visit(app, visit_id)
    written = app.drafts.read(report_name(visit.id))
    row = add_report_sent(
        app.store,
        visit_id=visit.id,
        kind="by hand",
        recipient=given.recipient,
        subject=given.how,
        sha256=written.get("pdf"),
        state="sent",
        sent_utc=utc_now(),
    )
    app.changed("report_sent", row.id, window)
    return {"row": row}

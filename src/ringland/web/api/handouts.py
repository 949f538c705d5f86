"""Documents to hand out: before and after of a vehicle, summary of a fleet; files, or sent."""

from typing import Annotated, Any, NamedTuple

from fastapi import APIRouter, Depends, Query, Response

from ringland.errors import BadInput
from ringland.history import ReportSent, get_visit
from ringland.history.shelves import SHELVES
from ringland.report.mail import Attachment, Letter
from ringland.web.api.reports import MEDIA, Sending, SentRow, to_each
from ringland.web.api.rows import Window, found
from ringland.web.api.shapes import ERRORS, RowId
from ringland.web.comparing import judged_of_vehicle, row_of
from ringland.web.context import App
from ringland.web.errors import NotFound
from ringland.web.handouts import (
    BEFORE_AFTER,
    FLEET,
    Handout,
    Kind,
    before_after_file,
    fleet_file,
)
from ringland.web.handouts import MEDIA as PLAIN_MEDIA
from ringland.web.judgement import Judged
from ringland.web.overview import newest_visit
from ringland.web.reporting import post

__all__ = ["router"]

router = APIRouter(responses=ERRORS, tags=["report"])
_FILES: Any = {200: {"content": {"application/pdf": {}, "text/html": {}}}}


def _as_file(made: Handout, name: str, kind: Kind) -> Response:
    headers = {"content-disposition": f'attachment; filename="{name}.{kind}"'}
    return Response(made.content, media_type=MEDIA[kind], headers=headers)


def _letter(made: Handout, name: str, given: Sending, recipient: str) -> Letter:
    file = Attachment(f"{name}.{given.kind}", PLAIN_MEDIA[given.kind], made.content)
    return Letter(recipient, given.subject, given.text, (file,))


class Compared(NamedTuple):
    """Two judged recordings of a vehicle and one of when it was sound, found."""

    before: Judged
    after: Judged
    baseline: Judged | None


def _compared(
    app: App,
    vehicle_id: RowId,
    before: RowId,
    after: RowId,
    baseline: Annotated[RowId | None, Query()] = None,
) -> Compared:
    """The recordings that the address names. Raises NotFound."""
    found(SHELVES["vehicle"], app, vehicle_id)
    pairs = judged_of_vehicle(app, vehicle_id)
    one, two = row_of(pairs, before), row_of(pairs, after)
    if one is None or two is None:
        raise NotFound(
            "This vehicle has no such judged recording.", got=before if one is None else after
        )
    return Compared(one, two, row_of(pairs, baseline))


Pair = Annotated[Compared, Depends(_compared)]


@router.get("/vehicles/{vehicle_id}/before-after", response_class=Response, responses=_FILES)
def fetch_before_after(app: App, pair: Pair, kind: Kind = "pdf") -> Response:
    """Two judged recordings of a vehicle held against each other, as a file."""
    return _as_file(before_after_file(app, *pair, kind), "before-and-after", kind)


@router.post("/vehicles/{vehicle_id}/before-after/send", response_model=SentRow, status_code=201)
def send_before_after(app: App, pair: Pair, given: Sending, window: Window = "") -> Any:
    """Put it into the outbox, a letter for each recipient; written down with the visit of the
    recording after."""
    made = before_after_file(app, *pair, given.kind)
    visit = get_visit(app.store, pair.after.recording.visit_id)

    def one(recipient: str) -> ReportSent:
        letter = _letter(made, "before-and-after", given, recipient)
        return post(app, visit, letter, kind=BEFORE_AFTER, content_hash=made.digest)

    return to_each(app, given.recipient, one, window)


@router.get("/fleet-summary", response_class=Response, responses=_FILES)
def fetch_fleet_summary(app: App, owner_id: RowId | None = None, kind: Kind = "pdf") -> Response:
    """Which vehicle first, of one owner or of all, as a file."""
    owner: Any = None if owner_id is None else found(SHELVES["owner"], app, owner_id)
    return _as_file(fleet_file(app, owner, kind), "fleet-summary", kind)


@router.post("/owners/{owner_id}/fleet-summary/send", response_model=SentRow, status_code=201)
def send_fleet_summary(app: App, owner_id: RowId, given: Sending, window: Window = "") -> Any:
    """Put the summary of an owner's fleet into the outbox, a letter for each recipient; written
    down with the newest visit of the fleet."""
    owner: Any = found(SHELVES["owner"], app, owner_id)
    visit = newest_visit(app, owner)
    if visit is None:
        raise BadInput(
            "No vehicle of this owner has a visit yet.", got=owner.name, remedy="Begin one first."
        )
    made = fleet_file(app, owner, given.kind)

    def one(recipient: str) -> ReportSent:
        letter = _letter(made, "fleet-summary", given, recipient)
        return post(app, visit, letter, kind=FLEET, content_hash=made.digest)

    return to_each(app, given.recipient, one, window)

"""Before and after: two visits of one vehicle held against each other."""

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from ringland.history import ReportSent, get_owner, list_reports_sent
from ringland.history.shelves import SHELVES
from ringland.web.api.rows import found
from ringland.web.comparing import compare_recordings, judged_of_vehicle, row_of
from ringland.web.context import App, Context
from ringland.web.handouts import BEFORE_AFTER, proposed_letter
from ringland.web.letters import letters_of
from ringland.web.reporting import mailing
from ringland.web.templating import page

__all__ = ["router"]

router = APIRouter()
RecordingId = Annotated[str | None, Query(max_length=36)]


@router.get("/vehicles/{row_id}/compare")
def compare_page(  # noqa: PLR0917 - parameters of a request
    request: Request,
    app: App,
    row_id: str,
    before: RecordingId = None,
    after: RecordingId = None,
    baseline: RecordingId = None,
) -> Response:
    """Choose two recordings; what changed by more than the method can wobble."""
    vehicle: Any = found(SHELVES["vehicle"], app, row_id)
    pairs = judged_of_vehicle(app, vehicle.id)
    one, two = row_of(pairs, before), row_of(pairs, after)
    result = None
    if one is not None and two is not None:
        result = compare_recordings(app, one, two, row_of(pairs, baseline))
    elif len(pairs) >= 2:
        one, two = _suggested(pairs)
    return page(
        request,
        "compare.html.j2",
        vehicle=vehicle,
        pairs=pairs,
        before=one,
        after=two,
        baseline=baseline or _sound(pairs),
        result=result,
        owner=get_owner(app.store, vehicle.owner_id) if vehicle.owner_id else None,
        letters=letters_of(app, _sent(app, pairs)),
        proposed=proposed_letter(app, BEFORE_AFTER, vehicle.name),
        **mailing(app),
        here="/vehicles",
    )


def _sent(app: Context, pairs: list[tuple[Any, Any]]) -> tuple[ReportSent, ...]:
    """What was sent of the visits that were judged."""
    visits = tuple({v.id for v, _ in pairs})
    if not visits:
        return ()
    return list_reports_sent(app.store, visit_id=visits, kind=BEFORE_AFTER)


def _suggested(pairs: list[tuple[Any, Any]]) -> tuple[Any, Any]:
    """The newest visit as after, and the newest one before it that is no baseline."""
    after = pairs[0]
    earlier = [p for p in pairs[1:] if p[0].id != after[0].id] or pairs[1:]
    before = next((p for p in earlier if p[0].purpose != "baseline"), earlier[0])
    return before[1], after[1]


def _sound(pairs: list[tuple[Any, Any]]) -> str:
    return next((j.recording.id for v, j in pairs if v.purpose == "baseline"), "")

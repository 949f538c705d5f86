"""Documents to hand out: before and after of a vehicle, the summary of a fleet."""

from typing import Annotated, Any

from fastapi import APIRouter, Query, Response

from ringland.history.shelves import SHELVES
from ringland.web.api.reports import MEDIA
from ringland.web.api.rows import found
from ringland.web.api.shapes import ERRORS, RowId
from ringland.web.comparing import judged_of_vehicle, row_of
from ringland.web.context import App
from ringland.web.errors import NotFound
from ringland.web.handouts import Kind, before_after_file, fleet_file

__all__ = ["router"]

router = APIRouter(responses=ERRORS, tags=["report"])
_FILES: Any = {200: {"content": {"application/pdf": {}, "text/html": {}}}}


def _as_file(content: bytes, name: str, kind: Kind) -> Response:
    headers = {"content-disposition": f'attachment; filename="{name}.{kind}"'}
    return Response(content, media_type=MEDIA[kind], headers=headers)


@router.get("/vehicles/{vehicle_id}/before-after", response_class=Response, responses=_FILES)
def fetch_before_after(  # noqa: PLR0917 - parameters of a request
    app: App,
    vehicle_id: RowId,
    before: RowId,
    after: RowId,
    baseline: Annotated[RowId | None, Query()] = None,
    kind: Kind = "pdf",
) -> Response:
    """Two judged recordings of a vehicle held against each other, as a file."""
    found(SHELVES["vehicle"], app, vehicle_id)
    pairs = judged_of_vehicle(app, vehicle_id)
    one, two = row_of(pairs, before), row_of(pairs, after)
    if one is None or two is None:
        raise NotFound(
            "This vehicle has no such judged recording.", got=before if one is None else after
        )
    content = before_after_file(app, one, two, row_of(pairs, baseline), kind)
    return _as_file(content, "before-and-after", kind)


@router.get("/fleet-summary", response_class=Response, responses=_FILES)
def fetch_fleet_summary(app: App, owner_id: RowId | None = None, kind: Kind = "pdf") -> Response:
    """Which vehicle first, of one owner or of all, as a file."""
    owner: Any = None if owner_id is None else found(SHELVES["owner"], app, owner_id)
    return _as_file(fleet_file(app, owner, kind), "fleet-summary", kind)

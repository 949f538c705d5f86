"""Before and after: two visits of one vehicle held against each other."""

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from ringland.history import list_visits
from ringland.history.shelves import SHELVES
from ringland.web.api.rows import found
from ringland.web.context import App
from ringland.web.templating import page

__all__ = ["router"]

router = APIRouter()
RecordingId = Annotated[str | None, Query(max_length=36)]


@router.get("/vehicles/{row_id}/compare")
def compare_page(
    request: Request, app: App, row_id: str, before: RecordingId = None, after: RecordingId = None
) -> Response:
    """Choose two visits; what changed by more than the method can wobble."""
    vehicle: Any = found(SHELVES["vehicle"], app, row_id)
    visits = list_visits(app.store, vehicle_id=vehicle.id)
    return page(request, "compare.html.j2", vehicle=vehicle, visits=visits, here="/vehicles")

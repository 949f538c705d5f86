"""Which vehicle first, trends, and how often past calls were right."""

from fastapi import APIRouter, Request
from fastapi.responses import Response

from ringland.web.api.priors import priors_now
from ringland.web.context import App
from ringland.web.overview import fleets, record_of
from ringland.web.templating import page

__all__ = ["router"]

router = APIRouter()


@router.get("/fleet")
def fleet(request: Request, app: App) -> Response:
    """The order of the fleet with its reasons."""
    return page(request, "fleet.html.j2", fleets=fleets(app))


@router.get("/track-record")
def track_record(request: Request, app: App) -> Response:
    """How often past calls were right."""
    return page(request, "track_record.html.j2", record=record_of(app), priors=priors_now(app))

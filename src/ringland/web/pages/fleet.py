"""Which vehicle first, trends, and how often past calls were right."""

from fastapi import APIRouter, Request
from fastapi.responses import Response

from ringland.web.api.priors import priors_now
from ringland.web.context import App
from ringland.web.handouts import FLEET, proposed_letter
from ringland.web.overview import fleets, record_of, sent_of_fleet
from ringland.web.reporting import mailing
from ringland.web.templating import page

__all__ = ["router"]

router = APIRouter()


@router.get("/fleet")
def fleet(request: Request, app: App) -> Response:
    """The order of the fleet with its reasons."""
    found = fleets(app)
    return page(
        request,
        "fleet.html.j2",
        fleets=found,
        letters_of={f.owner: sent_of_fleet(app, f.owner) for f in found},
        proposed={f.owner: proposed_letter(app, FLEET, f.owner.name) for f in found if f.owner},
        **mailing(app),
    )


@router.get("/track-record")
def track_record(request: Request, app: App) -> Response:
    """How often past calls were right."""
    return page(request, "track_record.html.j2", record=record_of(app), priors=priors_now(app))

"""How a browser is let in: once, with the key that only this computer's user can read."""

from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import RedirectResponse, Response

from ringland.web.context import App
from ringland.web.errors import Refused
from ringland.web.sessions import LONGEST_S, Role

__all__ = ["router"]

router = APIRouter()


@router.get("/enter")
def enter(request: Request, app: App, key: Annotated[str, Query(max_length=200)] = "") -> Response:
    """Take the key, hand out a new session and forget the key from the address."""
    if not app.sessions.key_fits(key):
        raise Refused(
            "This browser has not been let in.",
            remedy="Start from the address that `ringland serve` opens or prints.",
        )
    response = RedirectResponse("/", 303)
    response.set_cookie(
        request.app.state.cookie,
        app.sessions.open(Role.TECHNICIAN),
        max_age=int(LONGEST_S),
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",
        path="/",
    )
    return response

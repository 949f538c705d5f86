"""How a browser is let in: on this computer with the key that only its user can read, another
device with a pairing code. And how it leaves."""

from typing import Annotated

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import RedirectResponse, Response

from ringland.errors import BadInput
from ringland.web.context import App, Context
from ringland.web.errors import NotFound, NotPaired, Refused, status_of
from ringland.web.guard import LEAVE, Door
from ringland.web.sessions import LONGEST_S, SHARED_LONGEST_S, Role
from ringland.web.sharing import write_down
from ringland.web.templating import page

__all__ = ["router"]

router = APIRouter()
LONGEST_NAME = 60


@router.get("/enter")
def enter(request: Request, app: App, key: Annotated[str, Query(max_length=200)] = "") -> Response:
    """Take the key, hand out a new session and forget the key from the address."""
    if not app.sessions.key_fits(key):
        raise Refused(
            "This browser has not been let in.",
            remedy="Start from the address that `ringland serve` opens or prints.",
        )
    return _let_in(request, app.sessions.open(Role.TECHNICIAN), LONGEST_S)


@router.get("/pair")
def pair_page(request: Request) -> Response:
    """Where the code is typed."""
    return page(request, "pair.html.j2", told=None, given={})


@router.post("/pair")
def pair(
    request: Request,
    app: App,
    code: Annotated[str, Form(max_length=40)] = "",
    name: Annotated[str, Form(max_length=1000)] = "",
    device: Annotated[str, Form(max_length=1000)] = "",
) -> Response:
    """Take the code and hand out a new session; one that was brought along ends."""
    if app.sharing is None:
        raise NotFound("The app is not shared.", got="/pair")
    given = {"name": name, "device": device}
    try:
        who, what = _label("your name", name), _label("a name for the device", device)
        role = app.sharing.pairing.redeem(code)
    except (BadInput, NotPaired) as error:
        if "text/html" not in request.headers.get("accept", ""):
            raise
        told = error.as_dict()
        return page(request, "pair.html.j2", status=status_of(error), told=told, given=given)
    _end(request, app)
    address = request.client.host if request.client else ""
    token = app.sessions.open_shared(role, name=who, device=what, address=address)
    session = app.sessions.find(token)
    assert session is not None  # opened just now
    write_down(app.store, "pair", session, {"address": address})
    app.sharing.say(f"Let in: {session.who}, {role}, from {address}")
    return _let_in(request, token, SHARED_LONGEST_S)


@router.post(LEAVE)
def leave(request: Request, app: App) -> Response:
    """End the session of this browser, and have it forget what it kept."""
    ended = app.sessions.revoke(request.state.session.id)
    if ended is not None:
        write_down(app.store, "leave", ended, {})
    response = Response(status_code=204, headers={"clear-site-data": '"cache", "storage"'})
    response.delete_cookie(_door(request).cookie, path="/", secure=_door(request).shared)
    return response


def _door(request: Request) -> Door:
    door: Door = request.state.door
    return door


def _label(what: str, given: str) -> str:
    """A short plain text. Raises BadInput."""
    text = " ".join("".join(c if c.isprintable() else " " for c in given).split())
    if not 1 <= len(text) <= LONGEST_NAME:
        raise BadInput(
            f"Give {what}, so that the others know who did what.",
            got=f"{len(text)} characters",
            allowed=f"1 to {LONGEST_NAME} characters",
        )
    return text


def _end(request: Request, app: Context) -> None:
    """End the session that came with a request, so that no old token lives on."""
    old = request.cookies.get(_door(request).cookie)
    if old:
        app.sessions.close(old)


def _let_in(request: Request, token: str, longest_s: float) -> Response:
    response = RedirectResponse("/", 303)
    response.set_cookie(
        _door(request).cookie,
        token,
        max_age=int(longest_s),
        httponly=True,
        samesite="strict",
        secure=_door(request).shared,
        path="/",
    )
    return response

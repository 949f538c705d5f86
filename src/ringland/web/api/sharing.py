"""Sharing in the workshop: the pairing code, and which devices were let in.

For this computer alone; the guard refuses these addresses to other devices."""

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path
from pydantic import BaseModel, ConfigDict

from ringland.web.api.shapes import ERRORS, Undo
from ringland.web.context import App, Context
from ringland.web.errors import NotFound
from ringland.web.pairing import Pairing
from ringland.web.sessions import Role
from ringland.web.sharing import write_down

__all__ = ["router"]

router = APIRouter(prefix="/sharing", responses=ERRORS, tags=["sharing"])
SessionId = Annotated[str, Path(pattern=r"^[0-9a-f]{32}$")]
RoleName = Literal["technician", "reader"]


class CodeShape(BaseModel):
    """The pairing code made last. `left_s`: seconds for which it is good, 0 when it is not."""

    code: str
    role: RoleName
    state: Literal["good", "used", "too old", "ended after wrong tries", "ended"]
    left_s: float
    wrong_tries: int


class SharingShape(BaseModel):
    """Whether and where the app is shared."""

    shared: bool
    addresses: list[str]
    fingerprint: str | None
    code: CodeShape | None


class NewCode(BaseModel):
    """What the device may do that uses the code."""

    model_config = ConfigDict(extra="forbid")

    role: RoleName


class DeviceShape(BaseModel):
    """A browser that was let in. Times in seconds since 1970."""

    id: str
    role: RoleName
    shared: bool
    name: str
    device: str
    address: str
    made_s: float
    used_s: float


class SentAway(BaseModel):
    """The device that was sent away; that cannot be undone, it pairs again."""

    row: DeviceShape
    undo: Undo | None = None


def _pairing(app: Context) -> Pairing:
    if app.sharing is None:
        raise NotFound(
            "The app is not shared.", remedy="Stop it and start it with: ringland serve --lan"
        )
    return app.sharing.pairing


def _told(app: Context) -> SharingShape:
    sharing = app.sharing
    if sharing is None:
        return SharingShape(shared=False, addresses=[], fingerprint=None, code=None)
    code = sharing.pairing.newest()
    return SharingShape(
        shared=True,
        addresses=list(sharing.addresses),
        fingerprint=sharing.certificate.fingerprint,
        code=None
        if code is None
        else CodeShape(
            code=code.shown,
            role=code.role.value,
            state=code.state.value,
            left_s=sharing.pairing.left_s(code),
            wrong_tries=code.wrong_tries,
        ),
    )


@router.get("", response_model=SharingShape)
def get_sharing(app: App) -> Any:
    """Addresses, fingerprint and the code made last."""
    return _told(app)


@router.post("/code", response_model=SharingShape, status_code=201)
def new_code(app: App, given: NewCode) -> Any:
    """Make a code; the one before is no longer good."""
    _pairing(app).new(Role(given.role))
    return _told(app)


@router.delete("/code", response_model=SharingShape)
def end_code(app: App) -> Any:
    """No code is good any more."""
    _pairing(app).end()
    return _told(app)


@router.get("/devices", response_model=list[DeviceShape])
def list_devices(app: App) -> Any:
    """Every browser that is let in, the one used last first."""
    return [DeviceShape.model_validate(s, from_attributes=True) for s in app.sessions.all()]


@router.delete("/devices/{session_id}", response_model=SentAway)
def send_away(app: App, session_id: SessionId) -> Any:
    """End the session of a browser at once."""
    session = app.sessions.revoke(session_id)
    if session is None:
        raise NotFound("No such device is let in.", got=session_id)
    write_down(app.store, "send away", session, {})
    app.hub.tell("devices", {})  # its pages are told at once that they may not go on
    return {"row": DeviceShape.model_validate(session, from_attributes=True)}

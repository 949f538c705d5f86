"""Long work, what open pages are told, drafts, settings, finding."""

from base64 import b64decode
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request, Response
from fastapi.responses import StreamingResponse
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from ringland.errors import SettingError
from ringland.history import search
from ringland.web.api.rows import Window
from ringland.web.api.shapes import ERRORS, Undo, undo_of
from ringland.web.api.uploads import JobShape
from ringland.web.context import App
from ringland.web.errors import NotFound
from ringland.web.handouts import LOGO_FILE, firm_of
from ringland.web.log import write_change
from ringland.web.settings import AppSettings

__all__ = ["router"]

router = APIRouter(responses=ERRORS)
JobId = Annotated[str, Path(pattern=r"^[0-9a-f]{32}$")]
_DRAFTS = {"hookup": "tick", "away": "tick", "visit": "put away"}
"""What a draft holds, by the beginning of its name."""
DraftName = Annotated[str, Path(pattern=r"^[a-z0-9-]{1,80}$")]


class FoundRow(BaseModel):
    """One hit of a search."""

    kind: str
    row_id: str
    vehicle_id: str | None
    text: str


class Draft(BaseModel):
    """A small JSON object with the version it was read at (0: there is none yet)."""

    model_config = ConfigDict(extra="forbid")

    version: Annotated[int, Field(ge=0, le=2**53 - 1)]
    fields: dict[str, Any] = Field(max_length=200)


class SettingsChanged(BaseModel):
    """The settings as they now stand."""

    row: AppSettings
    undo: Undo | None = None


class SettingsChange(BaseModel):
    """Any of the settings, and the version they were read at."""

    model_config = ConfigDict(extra="allow")

    version: Annotated[int, Field(ge=1, le=2**53 - 1)]


@router.get("/events", tags=["work"], response_class=StreamingResponse)
async def events(request: Request, app: App) -> StreamingResponse:
    """Server-sent events: `job` (progress), `changed` (a row, by whom), `beat` (still here). Ends
    with the session."""
    session = request.state.session
    told = app.hub.listen(lambda: app.sessions.is_alive(session))
    return StreamingResponse(
        told, media_type="text/event-stream", headers={"x-accel-buffering": "no"}
    )


@router.get("/jobs", tags=["work"], response_model=list[JobShape])
def list_jobs(app: App) -> Any:
    """Long work, oldest first; that of this computer alone is shown there alone."""
    return [vars(job) for job in app.jobs.all() if not (job.own and app.device)]


@router.get("/jobs/{job_id}", tags=["work"], response_model=JobShape)
def get_job(app: App, job_id: JobId) -> Any:
    """One piece of work."""
    job = app.jobs.get(job_id)
    if job is None or (job.own and app.device):
        raise NotFound("There is no such work.", got=job_id)
    return vars(job)


@router.delete("/jobs/{job_id}", tags=["work"], response_model=JobShape)
def stop_job(app: App, job_id: JobId) -> Any:
    """Stop it; nothing half-done is kept."""
    known = app.jobs.get(job_id)
    job = None if known is not None and known.own and app.device else app.jobs.stop(job_id)
    if job is None:
        raise NotFound("There is no such work.", got=job_id)
    return vars(job)


@router.get("/drafts/{name}", tags=["drafts"], response_model=dict[str, Any])
def get_draft(app: App, name: DraftName) -> Any:
    """A draft; version 0 when there is none."""
    return app.drafts.read(name)


@router.put("/drafts/{name}", tags=["drafts"], response_model=dict[str, Any])
def put_draft(app: App, name: DraftName, draft: Draft, window: Window = "") -> Any:
    """Merge fields into a draft."""
    if "version" in draft.fields:
        raise SettingError("A draft cannot hold a field called version.", got="version")
    before = app.drafts.read(name)
    row = app.drafts.write(name, draft.version, draft.fields)
    write_change(app.store, "draft", name, before, row)
    app.changed("draft", name, window)
    old = {key: before.get(key) for key in draft.fields}
    back = {"version": row["version"], "fields": old}
    undo = undo_of(
        _DRAFTS.get(name.partition("-")[0], "change"), "PUT", f"/api/v1/drafts/{name}", back
    )
    return {"row": row, "undo": undo.model_dump()}


@router.get("/settings", tags=["settings"], response_model=AppSettings)
def get_settings(app: App) -> Any:
    """What was chosen."""
    return app.settings


@router.patch("/settings", tags=["settings"], response_model=SettingsChanged)
def change_settings(app: App, change: SettingsChange, window: Window = "") -> Any:
    """Choose otherwise."""
    before = app.settings
    given = {k: v for k, v in change.model_dump().items() if k != "version"}
    try:
        row = app.settings_file.change(change.version, given)
    except ValidationError as error:
        first = error.errors()[0]
        raise SettingError(
            f"The setting {'.'.join(str(p) for p in first['loc'])} cannot be this.",
            got=repr(first.get("input"))[:200],
            allowed=str(first["msg"]),
        ) from error
    write_change(app.store, "settings", "settings", before.model_dump(), row.model_dump())
    app.changed("settings", "settings", window)
    old = {k: getattr(before, k) for k in given if k in AppSettings.model_fields}
    back = {**old, "version": row.version}
    return {"row": row, "undo": undo_of("settings", "PATCH", "/api/v1/settings", back)}


@router.put("/settings/logo", tags=["settings"], response_model=AppSettings)
async def put_logo(app: App, request: Request) -> Any:
    """The firm's logo: the bytes of a PNG or JPEG."""
    from ringland.report.firm import logo_of

    beside = app.folder / f"{LOGO_FILE}.new"
    beside.write_bytes(await request.body())
    try:
        logo_of(beside)
        beside.replace(app.folder / LOGO_FILE)
    finally:
        beside.unlink(missing_ok=True)
    app.changed("settings", "settings")
    return app.settings


@router.get(
    "/settings/logo",
    tags=["settings"],
    response_class=Response,
    responses={200: {"content": {"image/png": {}, "image/jpeg": {}}}},
)
def get_logo(app: App) -> Response:
    """The firm's logo."""
    firm = firm_of(app)
    if not firm.logo:
        raise NotFound("No logo was chosen.")
    headers = {"content-disposition": 'attachment; filename="logo"'}
    return Response(b64decode(firm.logo), media_type=firm.logo_type, headers=headers)


@router.delete("/settings/logo", tags=["settings"], response_model=AppSettings)
def delete_logo(app: App) -> Any:
    """Reports without a logo from now on."""
    (app.folder / LOGO_FILE).unlink(missing_ok=True)
    app.changed("settings", "settings")
    return app.settings


@router.get("/search", tags=["search"], response_model=list[FoundRow])
def find(
    app: App,
    text: Annotated[str, Query(max_length=200)],
    limit: Annotated[int, Query(ge=1, le=200)] = 50,
) -> Any:
    """Rows that hold every word given, or its beginning."""
    return [FoundRow(**vars(hit)) for hit in search(app.store, text, limit=limit)]

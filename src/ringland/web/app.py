"""The app put together: pages, API, what guards them, and how errors are told."""

import ipaddress
import threading
from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager
from dataclasses import asdict, replace
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException

from ringland import __version__
from ringland.errors import BadInput, RinglandError
from ringland.history.calibrations import known_calibrations
from ringland.history.store import Store
from ringland.web.context import Context
from ringland.web.errors import Conflict, NotFound, NotPaired, Refused, status_of
from ringland.web.events import Hub
from ringland.web.guard import Guard, GuardSettings, Scope
from ringland.web.jobs import Job, Jobs
from ringland.web.recorder import Recorder
from ringland.web.reporting import Sender
from ringland.web.resume import judge_what_was_left
from ringland.web.self_check import SelfChecks
from ringland.web.sessions import Sessions, read_or_make_key
from ringland.web.settings import Drafts, SettingsFile
from ringland.web.sharing import Sharing
from ringland.web.templating import STATIC, page
from ringland.web.worker import fault

__all__ = ["create_app", "local_hosts"]

DEFAULT_PORT = 8765
DESCRIPTION = """\
The API that Ringland's own pages use. Every change answers with the row as it now stands and, where
it can be taken back, with the request that does so (`undo`). A change names the `version` it was
made on; when somebody was faster the answer is 409 with the row as it stands (`current`), and
nothing was written. Every error has one shape: error, wrong, got, allowed, remedy.
"""


def local_hosts(port: int) -> frozenset[str]:
    """What the Host header may say on this computer."""
    names = ("127.0.0.1", "localhost", "[::1]")
    return frozenset(f"{name}:{port}" for name in names)


def create_app(
    store: Store,
    *,
    folder: Path,
    hosts: Iterable[str] = local_hosts(DEFAULT_PORT),
    guard: GuardSettings | None = None,
    sharing: Sharing | None = None,
    warm: bool = True,
) -> FastAPI:
    """The app over one open store.

    `folder`: where this computer keeps the app's key, settings, drafts and drawn figures. `hosts`:
    allowed Host headers. `sharing`: how other devices come in; what comes over TLS is theirs.
    `warm`: start the worker process at once.
    """
    hub = Hub()
    jobs = Jobs(lambda job: hub.tell("job", _told(job)))
    sessions = Sessions(folder, read_or_make_key(folder))
    settings_file = SettingsFile(folder)
    drafts = Drafts(folder)
    wake = threading.Event()
    context = Context(store, folder, sessions, settings_file, drafts, hub, jobs, wake, sharing)
    sender = Sender(context)
    recorder = Recorder(folder, hub.tell, lambda set_up: known_calibrations(store, set_up))

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        hub.start()
        if warm:
            jobs.warm()
            judge_what_was_left(context)
        sender.start()
        yield
        sender.stop()
        recorder.close()
        hub.stop()
        jobs.close()

    app = FastAPI(
        title="Ringland",
        version=__version__,
        description=DESCRIPTION,
        openapi_url="/api/v1/openapi.json",
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
    )
    app.state.context = context
    app.state.recorder = recorder
    app.state.self_checks = SelfChecks(recorder, folder)
    app.state.settings = settings_file
    _tell_errors(app)
    _routes(app)
    chosen = guard or GuardSettings(hosts=frozenset(hosts))
    if sharing is not None:
        chosen = replace(chosen, shared_hosts=sharing.hosts, shared_cookie=sharing.cookie)
    app.add_middleware(
        Guard, settings=chosen, sessions=sessions, answer=lambda s, e: _response(app, s, e)
    )
    return app


def _told(job: Job) -> dict[str, Any]:
    """What all open pages hear; of this computer's own work no more than where it stands."""
    told = {**asdict(job), "state": str(job.state)}
    if job.own:
        told |= {"error": None}
    return told


def _routes(app: FastAPI) -> None:
    from ringland.web.api import router as api
    from ringland.web.pages import router as pages

    app.mount("/static", _Static(directory=STATIC), name="static")
    app.include_router(api)
    app.include_router(pages)
    _instrument(app)


def _instrument(app: FastAPI) -> None:
    """The instrument view and what-if page, where they are installed."""
    name = "ringland.web.instrument"
    if find_spec(name) is not None:
        app.include_router(import_module(name).router)


class _Static(StaticFiles):
    """Static files; an address that carries the file's content hash is kept for a year."""

    def file_response(self, *args: Any, **kwargs: Any) -> Response:
        response = super().file_response(*args, **kwargs)
        scope: Scope = args[2] if len(args) > 2 else kwargs["scope"]
        named = bool(scope.get("query_string"))
        kept = "public, max-age=31536000, immutable" if named else "no-cache"
        response.headers["cache-control"] = kept
        return response


def _tell_errors(app: FastAPI) -> None:
    @app.exception_handler(RinglandError)
    async def told(request: Request, error: Exception) -> Response:
        assert isinstance(error, RinglandError)
        return _answer(request, error)

    @app.exception_handler(RequestValidationError)
    async def invalid(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        return _answer(request, _said_of(error), 422)

    @app.exception_handler(HTTPException)
    async def other(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        if error.status_code == 404:
            nowhere = NotFound(
                "There is no such page.",
                got=request.url.path[:200],
                remedy="Look the vehicle up with Find, or begin at today's list.",
            )
            return _answer(request, nowhere)
        headers = dict(error.headers or {})
        told = BadInput(str(error.detail), got=f"{request.method} {request.url.path[:200]}")
        return _answer(request, told, error.status_code, headers)

    @app.exception_handler(Exception)
    async def unforeseen(request: Request, error: Exception) -> Response:
        content = fault(error)
        return _shaped(request, content, 500)


def _said_of(error: RequestValidationError) -> BadInput:
    """The first fault in words, with the names of the other fields at fault."""
    errors = error.errors()
    first = errors[0]
    field = ".".join(str(p) for p in first["loc"][1:]) or "the request"
    others = sorted({".".join(str(p) for p in e["loc"][1:]) for e in errors[1:]} - {field})
    return BadInput(
        f"{field.replace('_', ' ').capitalize()} is not allowed like this.",
        got=repr(first.get("input"))[:200],
        allowed=str(first["msg"]),
        remedy=f"Also look at: {', '.join(others)}." if others else None,
    )


def _response(app: FastAPI, scope: Scope, error: RinglandError) -> Response:
    """An answer from the guard, before any page was reached."""
    scope.setdefault("state", {})
    scope["app"] = app
    return _answer(Request(scope), error)


def _answer(
    request: Request,
    error: RinglandError,
    status: int | None = None,
    headers: dict[str, str] | None = None,
) -> Response:
    content: dict[str, Any] = dict(error.as_dict())
    if isinstance(error, Conflict):
        content["current"] = error.current
    return _shaped(request, content, status or status_of(error), headers)


def _shaped(
    request: Request,
    content: dict[str, Any],
    status: int,
    headers: dict[str, str] | None = None,
) -> Response:
    """JSON for programs and for our own scripts; a page for a person."""
    wants_page = "text/html" in request.headers.get("accept", "")
    if request.url.path.startswith("/api/") or not wants_page:
        return JSONResponse(content, status, headers)
    state = request.scope.get("state", {})
    kind = content["error"]
    if kind == NotPaired.__name__:
        return page(request, "pair.html.j2", status=status, told=None, given={})
    inside = state.get("session") is not None and kind not in (Refused.__name__, "TooMany")
    template = "error.html.j2" if inside else "enter.html.j2"
    return page(request, template, status=status, told=content)


def is_loopback(host: str) -> bool:
    """True for an address that only this computer reaches."""
    return host == "localhost" or ipaddress.ip_address(host.strip("[]")).is_loopback

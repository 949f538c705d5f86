"""Addresses of the instrument view and of what if, and their two pages."""

import math
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Annotated, Any, cast

from fastapi import APIRouter, Depends, FastAPI, Query, Request
from fastapi.responses import Response

from ringland.errors import EngineError, SettingError
from ringland.history import RecordingRow, get_vehicle, get_visit
from ringland.history.shelves import SHELVES
from ringland.web.api.rows import found
from ringland.web.api.shapes import ERRORS, RowId
from ringland.web.context import App, Context
from ringland.web.instrument.process import Desk
from ringland.web.instrument.start import start_of
from ringland.web.instrument.traces import Lane, Traces, TracesOf, window
from ringland.web.judgement import engine_of_visit, engine_spec, task_of
from ringland.web.templating import page
from ringland.web.worker import Plain

__all__ = ["router"]

WIDEST = 8192
MOST_LANES = 16
MOST_STRETCHES = 20
_FURTHEST_S = 1e7


@dataclass(frozen=True)
class View:
    """What the instrument view holds while the app runs."""

    traces: Traces
    desk: Desk


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    yield
    view = getattr(app.state, "instrument", None)
    if view is not None:
        view.desk.close()


def _view_of(request: Request) -> View:
    state = request.app.state
    if not hasattr(state, "instrument"):
        state.instrument = View(Traces(), Desk())
    return cast(View, state.instrument)


router = APIRouter(lifespan=_lifespan)
Held = Annotated[View, Depends(_view_of)]
Moment = Annotated[float, Query(ge=-_FURTHEST_S, le=_FURTHEST_S, allow_inf_nan=False)]
LaneNumbers = Annotated[list[int], Query(min_length=1, max_length=MOST_LANES)]
Stretches = Annotated[
    list[str] | None,
    Query(max_length=MOST_STRETCHES, description='Stretches to leave out, such as "1.2:3.4"'),
]
Name = Annotated[str, Query(min_length=1, max_length=200)]
_API = "/api/v1/recordings/{row_id}/instrument"
_TAG: list[Any] = ["instrument view"]
_BINARY: dict[int | str, dict[str, Any]] = {
    **ERRORS,
    200: {
        "description": "Little-endian float32: for each channel the least of every part, then the "
        "greatest of every part; NaN where there is no sample",
        "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
    },
}


def _recording(app: Context, row_id: str) -> RecordingRow:
    return cast(RecordingRow, found(SHELVES["recording"], app, row_id))


def _lanes(app: Context, held: View, row: RecordingRow) -> TracesOf:
    return held.traces.get(app.store.file(row.sha256), row)


@router.get(f"{_API}/lanes", tags=_TAG, responses=ERRORS)
def lanes(app: App, held: Held, row_id: RowId) -> dict[str, Any]:
    """The channels of a recording, and from when to when it goes, in seconds."""
    traces = _lanes(app, held, _recording(app, row_id))
    return {
        "start_s": traces.start_s,
        "stop_s": traces.stop_s,
        "notes": traces.notes,
        "lanes": [_plain_lane(n, lane) for n, lane in enumerate(traces.lanes)],
    }


def _plain_lane(number: int, lane: Lane) -> dict[str, Any]:
    from ringland.figures.labels import channel_title

    names = ("name", "unit", "start_s", "stop_s", "rate_hz", "low", "high")
    return {
        "number": number,
        "role": str(lane.role),
        "title": channel_title(lane.role),
        **{name: getattr(lane, name) for name in names},
    }


@router.get(f"{_API}/trace", tags=_TAG, responses=_BINARY, response_class=Response)
def trace(  # noqa: PLR0917 - parameters of a request
    app: App,
    held: Held,
    row_id: RowId,
    start_s: Moment,
    stop_s: Moment,
    width: Annotated[int, Query(ge=1, le=WIDEST)],
    channel: LaneNumbers,
) -> Response:
    """Least and greatest of every `width`-th part of [start_s, stop_s), for each channel asked."""
    if not stop_s - start_s >= 1e-9:
        raise SettingError(
            "The window ends before it begins.",
            got=f"{start_s:g} to {stop_s:g} s",
            allowed="an end after the beginning",
        )
    traces = _lanes(app, held, _recording(app, row_id))
    wrong = [c for c in channel if not 0 <= c < len(traces.lanes)]
    if wrong:
        raise SettingError(
            "There is no channel of this number.",
            got=", ".join(map(str, wrong)),
            allowed=f"0 to {len(traces.lanes) - 1}",
        )
    began = time.perf_counter()
    parts = [window(traces.lanes[c], start_s, stop_s, width) for c in channel]
    body = b"".join(part.astype("<f4", copy=False).tobytes() for part in parts)
    spent = f"decimate;dur={1000 * (time.perf_counter() - began):.2f}"
    return Response(body, media_type="application/octet-stream", headers={"server-timing": spent})


def _stretches(given: list[str] | None) -> list[list[float]]:
    """Pairs of seconds from "a:b"."""
    pairs = []
    for text in given or ():
        try:
            start, stop = (float(part) for part in text[:60].split(":"))
        except ValueError:
            start, stop = math.nan, math.nan
        if not (start < stop and abs(start) <= _FURTHEST_S and abs(stop) <= _FURTHEST_S):
            raise SettingError(
                "A stretch to leave out cannot be read.",
                got=text[:60],
                allowed='beginning and end in seconds, such as "1.2:3.4"',
            )
        pairs.append([start, stop])
    return sorted(pairs)


def _ask(app: Context, held: View, what: str, row_id: str, **given: Any) -> Plain:
    row = _recording(app, row_id)
    task = {**task_of(app, row), "path": str(app.store.file(row.sha256)), "excluded": []}
    return held.desk.ask(what, {**task, **given})


@router.get(f"{_API}/cycles", tags=_TAG, responses=ERRORS)
def cycles(app: App, held: Held, row_id: RowId, exclude: Stretches = None) -> dict[str, Any]:
    """Every cycle with the time of 25 crank angles in it, and where each position fires."""
    return _ask(app, held, "cycles", row_id, excluded=_stretches(exclude))


@router.get(f"{_API}/raster", tags=_TAG, responses=ERRORS)
def raster(
    app: App, held: Held, row_id: RowId, channel: Name, exclude: Stretches = None
) -> dict[str, Any]:
    """Cycle by angle: `values` are rows x columns little-endian float32 in base64, NaN for a
    dropped cycle; `mean`, `mean_low`, `mean_high` are the robust mean of all kept cycles and their
    5 and 95 % points."""
    excluded = _stretches(exclude)
    return _ask(app, held, "raster", row_id, channel=channel, excluded=excluded)


@router.get(f"{_API}/results", tags=_TAG, responses=ERRORS)
def results(app: App, held: Held, row_id: RowId, exclude: Stretches = None) -> dict[str, Any]:
    """States, strengths and causes with the stretches and without them. Nothing is kept."""
    return _ask(app, held, "results", row_id, excluded=_stretches(exclude))


@router.get("/recordings/{row_id}/figures", include_in_schema=False)
def figures(
    request: Request, app: App, held: Held, row_id: RowId, exclude: Stretches = None
) -> Response:
    """Averaged cycle and order spectrum, as part of the page."""
    made = _ask(app, held, "figures", row_id, excluded=_stretches(exclude))
    return page(request, "instrument_figures.html.j2", sections=made["sections"])


Cylinders = Annotated[list[int] | None, Query(max_length=24)]


@router.get(f"{_API}/what-if", tags=_TAG, responses=ERRORS)
def what_if(
    app: App,
    held: Held,
    row_id: RowId,
    kind: Annotated[str, Query(max_length=40)],
    cylinder: Cylinders = None,
) -> dict[str, Any]:
    """A simulated fault over the averaged cycles, at the size that fits best. About two seconds."""
    return _ask(app, held, "what_if", row_id, kind=kind, cylinders=cylinder or [])


@router.get(f"{_API}/what-if/cycle", tags=_TAG, responses=ERRORS)
def what_if_cycle(  # noqa: PLR0917 - parameters of a request
    app: App,
    held: Held,
    row_id: RowId,
    kind: Annotated[str, Query(max_length=40)],
    severity: Annotated[float, Query(ge=-1000, le=1000, allow_inf_nan=False)],
    cylinder: Cylinders = None,
) -> dict[str, Any]:
    """The simulated cycles at one size of the fault: what the slider asks for."""
    given = {"kind": kind, "cylinders": cylinder or [], "severity": severity}
    return _ask(app, held, "what_if_cycle", row_id, **given)


def _about(app: Context, row_id: str) -> dict[str, Any]:
    recording = _recording(app, row_id)
    visit = get_visit(app.store, recording.visit_id)
    return {
        "recording": recording,
        "visit": visit,
        "vehicle": get_vehicle(app.store, visit.vehicle_id),
        "here": "/vehicles",
    }


@router.get("/recordings/{row_id}", include_in_schema=False)
def instrument_page(request: Request, app: App, row_id: RowId) -> Response:
    """The instrument view of one recording."""
    return page(request, "instrument.html.j2", **_about(app, row_id))


@router.get("/recordings/{row_id}/what-if", include_in_schema=False)
def what_if_page(request: Request, app: App, row_id: RowId) -> Response:
    """A simulated fault over one recording, set to the leading cause of its visit."""
    from ringland.simulator.faults import FAULT_KINDS

    about = _about(app, row_id)
    engine = engine_of_visit(app, about["visit"].id)
    if engine is None:
        raise EngineError(
            "The engine of this vehicle is not described.",
            remedy="Describe it on the page of the vehicle.",
        )
    order = engine_spec(engine).firing_order
    return page(
        request,
        "what_if.html.j2",
        kinds=list(FAULT_KINDS.values()),
        cylinders=sorted(order),
        start=start_of(app, about["recording"], order),
        **about,
    )

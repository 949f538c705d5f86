"""Recordings come in: streamed to disk, kept by content, judged at once."""

import secrets
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request
from fastapi.concurrency import run_in_threadpool
from pydantic import BaseModel

from ringland.errors import BadInput
from ringland.history import RecordingRow, keep_recording
from ringland.history.shelves import SHELVES
from ringland.web.api.rows import Window, changing, found
from ringland.web.api.shapes import ERRORS, RowId, Undo, undo_of
from ringland.web.context import App, Context
from ringland.web.judgement import judge

__all__ = ["JobShape", "KeptRecording", "router"]

router = APIRouter(responses=ERRORS, tags=["recording"])
ConditionName = Literal["idle", "held", "cranking", "snap", "unknown"]


class JobShape(BaseModel):
    """Long work and where it stands."""

    id: str
    title: str
    subject: str
    visit: str
    state: Literal["waiting", "working", "done", "failed", "stopped"]
    fraction: float
    said: str
    error: dict[str, Any] | None = None


class KeptRecording(BaseModel):
    """The row of a recording, the work of judging it, and how to take it back."""

    row: RecordingRow
    job: JobShape
    undo: Undo


def plain_name(given: str) -> str:
    """The last part of a name, without anything a path could be made of."""
    name = PureWindowsPath(PurePosixPath(given).name).name
    name = "".join(c for c in name if c.isprintable()).strip(". ")[:200]
    if not name:
        raise BadInput("The file has no usable name.", got=repr(given[:80]))
    return name


@router.post(
    "/visits/{visit_id}/recordings/upload",
    response_model=KeptRecording,
    status_code=201,
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {"application/octet-stream": {"schema": {"type": "string"}}},
        }
    },
)
async def upload(  # noqa: PLR0917 - parameters of a request
    request: Request,
    app: App,
    visit_id: RowId,
    name: Annotated[str, Query(min_length=1, max_length=500)],
    condition: ConditionName = "unknown",
    window: Window = "",
) -> Any:
    """Keep one recording file of a visit and judge it. The body is the file as it is."""
    file_name = plain_name(name)
    await run_in_threadpool(found, SHELVES["visit"], app, visit_id)
    with _arriving(app.folder) as path:
        await _write(path, request.stream())
        row = await run_in_threadpool(_keep, app, visit_id, path, file_name, condition)
    app.changed("recording", row.id, window)
    undo = undo_of(f"recording {file_name}"[:60], "DELETE", f"/api/v1/recordings/{row.id}")
    return {"row": row, "job": vars(judge(app, row)), "undo": undo}


def _keep(app: Context, visit_id: str, path: Path, file_name: str, condition: str) -> RecordingRow:
    row = changing(
        SHELVES["visit"],
        app,
        visit_id,
        lambda: keep_recording(app.store, visit_id, path, file_name=file_name, condition=condition),
    )
    assert isinstance(row, RecordingRow)
    return row


@contextmanager
def _arriving(folder: Path) -> Iterator[Path]:
    """A file of our own naming for what comes in; gone when the block ends."""
    place = folder / "web-arriving"
    place.mkdir(parents=True, exist_ok=True)
    path = place / secrets.token_hex(16)
    try:
        yield path
    finally:
        path.unlink(missing_ok=True)


async def _write(path: Path, stream: AsyncIterator[bytes]) -> None:
    size = 0
    with path.open("xb") as file:
        async for piece in stream:
            size += len(piece)
            await run_in_threadpool(file.write, piece)
    if size == 0:
        raise BadInput("The file is empty.", got="0 bytes", remedy="Choose the recording again.")

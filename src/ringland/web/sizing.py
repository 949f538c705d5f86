"""How large the leading cause of a recording is: found by simulation as a job, kept beside it.

The fit belongs to one analysis (`asked`); after a new answer or another recording it is asked anew.
"""

import hashlib
import json
import threading
from pathlib import Path
from typing import Any

from ringland.errors import BadInput
from ringland.history import RecordingRow, get_recording
from ringland.model import LEAST_SIZED_PROBABILITY
from ringland.web.context import Context
from ringland.web.jobs import Job
from ringland.web.judgement import judged, task_of
from ringland.web.worker import Plain

__all__ = ["can_be_sized", "size", "size_subject", "sized"]

_SHAPE = 1


def size_subject(recording_id: str) -> str:
    """What a job of this kind is about."""
    return f"size-{recording_id}"


def can_be_sized(document: dict[str, Any] | None) -> bool:
    """True when a cause leads clearly enough."""
    causes = document["causes"] if document else []
    return bool(causes) and causes[0]["probability"] >= LEAST_SIZED_PROBABILITY


def _path(app: Context, recording_id: str, asked: str) -> Path:
    key = hashlib.sha256(json.dumps(["size", _SHAPE, recording_id, asked]).encode()).hexdigest()
    return app.folder / "web-figures" / f"{key[:40]}.json"


def sized(app: Context, recording_id: str, asked: str) -> Plain | None:
    """The fit of this analysis: `fits` (as in the JSON) and the report sections `causes` and
    `severity`; None when there is none."""
    try:
        found: Plain = json.loads(_path(app, recording_id, asked).read_text("utf-8"))
    except (OSError, ValueError):
        return None
    return found


def size(app: Context, recording: RecordingRow) -> Job:
    """Put the fit in the queue. Raises BadInput when there is nothing to fit."""
    known = judged(app, recording)
    if known.analysis is None or not known.fresh:
        raise BadInput(
            "This recording has no analysis that holds now.", remedy="Judge it first; then ask."
        )
    asked: dict[str, str] = {}

    def task() -> Plain:
        row = get_recording(app.store, recording.id)
        made = task_of(app, row)
        asked["asked"] = made["asked"]
        return {**made, "path": str(app.store.file(row.sha256)), "size": True}

    def finish(result: Plain) -> None:
        path = _path(app, recording.id, asked["asked"])
        path.parent.mkdir(parents=True, exist_ok=True)
        beside = path.with_suffix(f".{threading.get_ident()}")
        beside.write_text(json.dumps(result), encoding="utf-8", newline="\n")
        beside.replace(path)
        app.changed("size", recording.id)

    return app.jobs.submit(
        f"How large it is, from {recording.file_name}",
        subject=size_subject(recording.id),
        visit=recording.visit_id,
        task=task,
        finish=finish,
    )

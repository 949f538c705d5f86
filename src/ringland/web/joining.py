"""Which other recordings the causes of a recording are ranked with."""

import json
from typing import Any

from ringland.history import RecordingRow, get_visit, list_recordings, list_visits
from ringland.web.context import Context
from ringland.web.worker import Plain

__all__ = ["EARLIER", "choice_of", "earlier_visit", "joined_name", "others_of"]

EARLIER = "earlier"
"""Field of the choice: recordings of the visit before count too."""


def joined_name(visit_id: str) -> str:
    """The draft that holds which recordings of a visit are left out of its ranking."""
    return f"joined-{visit_id}"


def choice_of(app: Context, visit_id: str) -> dict[str, Any]:
    """What was chosen: recording id -> True where it is left out, `EARLIER`, and the version."""
    return app.drafts.read(joined_name(visit_id))


def earlier_visit(app: Context, visit_id: str) -> Any:
    """The last visit before this one with recordings of the same engine, or None."""
    visit = get_visit(app.store, visit_id)
    visits = list_visits(app.store, vehicle_id=visit.vehicle_id)
    before = sorted(
        (
            v
            for v in visits
            if v.engine_id == visit.engine_id
            and (v.visited_on, v.created_utc) < (visit.visited_on, visit.created_utc)
        ),
        key=lambda v: (v.visited_on, v.created_utc),
    )
    return next((v for v in reversed(before) if list_recordings(app.store, visit_id=v.id)), None)


def others_of(app: Context, recording: RecordingRow) -> list[Plain]:
    """The recordings that count beside this one, as plain data; none when it is itself left out."""
    chosen = choice_of(app, recording.visit_id)
    if chosen.get(recording.id):
        return []
    others = [
        _plain(row, earlier=False)
        for row in list_recordings(app.store, visit_id=recording.visit_id)
        if row.id != recording.id and not chosen.get(row.id)
    ]
    if chosen.get(EARLIER):
        before = earlier_visit(app, recording.visit_id)
        if before is not None:
            rows = list_recordings(app.store, visit_id=before.id)
            others += [_plain(row, earlier=True) for row in rows]
    return others


def _plain(row: RecordingRow, *, earlier: bool) -> Plain:
    return {
        "sha256": row.sha256,
        "name": row.file_name,
        "roles": json.loads(row.roles),
        "rate_hz": row.rate_hz,
        "condition": row.condition,
        "speed_hint_rpm": row.speed_hint_rpm,
        "earlier": earlier,
    }

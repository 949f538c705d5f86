"""Which other recordings the causes of a recording are ranked with, and held against."""

import json
from collections.abc import Iterator
from typing import Any

from ringland.history import (
    RecordingRow,
    Visit,
    get_visit,
    list_outcomes,
    list_recordings,
    list_visits,
)
from ringland.history.intake import engine_of
from ringland.web.context import Context
from ringland.web.worker import Plain

__all__ = [
    "BY_ITSELF",
    "EARLIER",
    "choice_of",
    "earlier_visit",
    "joined_name",
    "others_of",
    "sound_ones_of",
    "sound_visit",
]

EARLIER = "earlier"
"""Field of the choice: recordings of the visit before count too."""
BY_ITSELF = "by_itself"
"""Field of the choice: nothing is held against the recordings of the sound engine."""


def joined_name(visit_id: str) -> str:
    """The draft that holds which recordings of a visit are left out of its ranking."""
    return f"joined-{visit_id}"


def choice_of(app: Context, visit_id: str) -> dict[str, Any]:
    """What was chosen: recording id -> True where it is left out, `EARLIER`, and the version."""
    return app.drafts.read(joined_name(visit_id))


def earlier_visit(app: Context, visit_id: str) -> Visit | None:
    """The last visit before this one with recordings of the same engine, or None: not where the
    engine passed for sound then, for what was before that is over."""
    last = next(_before(app, visit_id), None)
    return None if last is None or _passed_for_sound(app, last) else last


def sound_visit(app: Context, visit_id: str) -> Visit | None:
    """The last visit before this one with recordings of the same engine while it passed for sound:
    a baseline, or one where somebody looked and nothing was wrong. None where there is none."""
    return next((v for v in _before(app, visit_id) if _passed_for_sound(app, v)), None)


def _passed_for_sound(app: Context, visit: Visit) -> bool:
    """A baseline or "nothing wrong" of the whole engine, and nothing found that was."""
    found = list_outcomes(app.store, visit_id=visit.id)
    whole = any(one.cylinder is None and one.firing_position is None for one in found)
    wrong = any(one.failure_mode for one in found)
    return not wrong and (visit.purpose == "baseline" or whole)


def _before(app: Context, visit_id: str) -> Iterator[Visit]:
    """Earlier visits with recordings of the same engine, the last one first."""
    visit = get_visit(app.store, visit_id)
    engine = _engine_id(app, visit)
    when = (visit.visited_on, visit.created_utc)
    visits = list_visits(app.store, vehicle_id=visit.vehicle_id)
    for one in sorted(visits, key=lambda v: (v.visited_on, v.created_utc), reverse=True):
        same = (one.visited_on, one.created_utc) < when and _engine_id(app, one) == engine
        if same and list_recordings(app.store, visit_id=one.id):
            yield one


def _engine_id(app: Context, visit: Visit) -> str | None:
    """The engine of a visit, also where only the dates say which it was."""
    engine = engine_of(app.store, visit)
    return None if engine is None else engine.id


def sound_ones_of(app: Context, recording: RecordingRow) -> list[Plain]:
    """The recordings of the sound engine that this one may be held against, as plain data."""
    if choice_of(app, recording.visit_id).get(BY_ITSELF):
        return []
    sound = sound_visit(app, recording.visit_id)
    if sound is None:
        return []
    rows = list_recordings(app.store, visit_id=sound.id)
    return [_plain(row, earlier=True) | {"visited_on": sound.visited_on} for row in rows]


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

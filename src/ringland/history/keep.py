"""Recordings, analyses and pictures: first the file, then its row, so that no row lacks one."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, cast

from ringland.errors import BadInput, SettingError
from ringland.history.ids import id_from
from ringland.history.rows import AnalysisRow, Photo, RecordingRow
from ringland.history.shelves import SHELVES
from ringland.history.store import NotKept, Store

__all__ = [
    "document_of",
    "document_text",
    "find_recording",
    "keep_analysis",
    "keep_photo",
    "keep_recording",
]

LARGEST_PHOTO = 50_000_000
_PICTURES = {b"\xff\xd8\xff": "image/jpeg", b"\x89PNG\r\n\x1a\n": "image/png"}
_WORST = ("alarm", "alert", "normal")
_MOST_CAUSES = 12


def find_recording(store: Store, sha256: str) -> RecordingRow | None:
    """The recording with this content, if it is kept."""
    found = SHELVES["recording"].all(store, sha256=sha256, limit=1)
    return cast(RecordingRow, found[0]) if found else None


def keep_recording(
    store: Store,
    visit_id: str,
    path: Path | str,
    *,
    file_name: str | None = None,
    **fields: object,
) -> RecordingRow:
    """Copy a recording file into the store, under its content.

    `fields` are those of RecordingRow (condition, speed_hint_rpm, rate_hz, roles, ...). The same
    file again gives the row that is there. Raises BadInput when the file cannot be read or is kept
    at another visit, NotKept when there is no such visit.
    """
    path = Path(path)
    SHELVES["visit"].get(store, visit_id)
    sha256, size = store.files.put(path)
    if size == 0:
        raise BadInput(f"The file '{path.name}' is empty.", got="0 bytes")
    return keep_recording_row(
        store, visit_id, sha256, size, {"file_name": file_name or path.name, **fields}
    )


def keep_recording_row(
    store: Store, visit_id: str, sha256: str, size: int, fields: Mapping[str, object]
) -> RecordingRow:
    """The row of a recording whose file is already kept. Its id comes from the content."""
    shelf, row_id = SHELVES["recording"], id_from("recording", sha256)
    with store.transaction():
        try:
            present: RecordingRow = shelf.get(store, row_id)
        except NotKept:
            given = {**fields, "visit_id": visit_id, "sha256": sha256, "size_bytes": size}
            return cast(RecordingRow, shelf.add_as(store, row_id, given))
        if present.deleted_utc is not None:
            present = shelf.restore(store, row_id)
        if present.visit_id != visit_id:
            raise BadInput(
                "This recording is kept already, at another visit.",
                got=f"{fields.get('file_name', '')}, visit {present.visit_id}",
                remedy="Use that visit, or delete the recording there first.",
            )
        return present


def document_text(document: Mapping[str, Any]) -> str:
    """The document as it is kept: sorted, no spaces, ASCII, so that equal means equal bytes."""
    return json.dumps(document, sort_keys=True, separators=(",", ":"), allow_nan=False)


def keep_analysis(
    store: Store, recording_id: str, analysis_json: Mapping[str, Any] | str, *, asked: str = ""
) -> AnalysisRow:
    """Keep the document `ringland.output.as_json` makes, and what of it is asked for often.

    Kept once for each recording, software version and `asked` (a hash of engine and settings); a
    second time gives the row that is there if the document is the same, and changes it if not.
    Raises SettingError for what is not such a document.
    """
    document = _document(analysis_json)
    text = document_text(document)
    sha256 = store.files.put_bytes(text.encode("ascii"))
    values = {**_summary(document), "sha256": sha256, "size_bytes": len(text), "asked": asked}
    readings = json.dumps(_readings(document), separators=(",", ":"))
    software = str(values["software"])
    row_id = id_from("analysis", recording_id, software, asked)
    shelf, sets = SHELVES["analysis"], SHELVES["reading_set"]
    with store.transaction():
        try:
            present: AnalysisRow = shelf.get(store, row_id)
        except NotKept:
            row = shelf.add_as(store, row_id, {**values, "recording_id": recording_id})
            sets.add_as(store, row_id, {"analysis_id": row_id, "readings": readings})
            return cast(AnalysisRow, row)
        if present.deleted_utc is not None:
            present = shelf.restore(store, row_id)
        kept = sets.get(store, row_id)
        sets.change(store, row_id, kept.version, readings=readings)
        return cast(AnalysisRow, shelf.change(store, row_id, present.version, **values))


def document_of(store: Store, analysis: AnalysisRow) -> dict[str, Any]:
    """The whole JSON document of an analysis. Raises MissingFile."""
    return cast(
        dict[str, Any], json.loads(store.files.path(analysis.sha256).read_text(encoding="ascii"))
    )


def keep_photo(
    store: Store, vehicle_id: str, path: Path | str, *, visit_id: str | None = None,
    caption: str = "",
) -> Photo:  # fmt: skip
    """Keep a JPEG or PNG picture. Raises BadInput for anything else, or one too large."""
    path = Path(path)
    try:
        with path.open("rb") as file:
            head = file.read(8)
        size = path.stat().st_size
    except (OSError, ValueError) as error:
        raise BadInput(f"The picture '{path.name}' cannot be read.", got=str(error)) from error
    kind = next((v for k, v in _PICTURES.items() if head.startswith(k)), None)
    if kind is None or size > LARGEST_PHOTO:
        raise BadInput(
            f"The file '{path.name}' is not a picture that can be kept.",
            got=f"{size} bytes" if kind else "neither JPEG nor PNG",
            allowed=f"JPEG or PNG up to {LARGEST_PHOTO // 1_000_000} MB",
        )
    sha256, size = store.files.put(path)
    fields = {"sha256": sha256, "file_name": path.name, "size_bytes": size, "media_type": kind}
    row = SHELVES["photo"].add(
        store, vehicle_id=vehicle_id, visit_id=visit_id, caption=caption, **fields
    )
    return cast(Photo, row)


def _document(given: Mapping[str, Any] | str) -> dict[str, Any]:
    try:
        document = json.loads(given) if isinstance(given, str) else dict(given)
        schema = document["schema"]
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise SettingError("That is not an analysis.", got=type(error).__name__) from error
    if not str(schema).startswith("ringland.analysis/"):
        raise SettingError(
            "That is not an analysis.", got=repr(schema)[:80], allowed="ringland.analysis/..."
        )
    return cast(dict[str, Any], document)


def _summary(document: Mapping[str, Any]) -> dict[str, object]:
    """The columns of an analysis row."""
    judged = (*document.get("symptoms", ()), *document.get("cylinders", ()))
    states = {entry["state"] for entry in judged}
    causes = sorted(document.get("causes", ()), key=lambda c: -(c["probability"] or 0.0))
    named = ("failure_mode", "cylinder", "firing_position", "probability")
    cycles, speed = document.get("cycles") or {}, document.get("speed_rpm") or {}
    from ringland.history.shares import packed

    return {
        "software": str((document.get("provenance") or {}).get("ringland", "")),
        "schema": str(document["schema"]),
        "state": next((state for state in _WORST if state in states), "not judged"),
        "not_judged": document.get("not_judged"),
        "speed_rpm": speed.get("value"),
        "cycles_kept": cycles.get("kept"),
        "healthy": document.get("healthy"),
        "none_of_these": document.get("none_of_these"),
        "shares": packed((str(c["failure_mode"]), c["probability"] or 0.0) for c in causes),
        "causes": json.dumps(
            [
                *({name: cause.get(name) for name in named} for cause in causes[:_MOST_CAUSES]),
                *_rest(causes[_MOST_CAUSES:]),
            ],
            separators=(",", ":"),
        ),
    }


def _rest(causes: Sequence[Mapping[str, Any]]) -> list[dict[str, object]]:
    """What is left, by failure mode: together it still weighs something."""
    totals: dict[str, float] = {}
    for cause in causes:
        mode = str(cause["failure_mode"])
        totals[mode] = totals.get(mode, 0.0) + (cause["probability"] or 0.0)
    return [
        {"failure_mode": mode, "probability": round(p, 5), "rest": True}
        for mode, p in totals.items()
        if p >= 0.001
    ]


def _readings(document: Mapping[str, Any]) -> list[list[object]]:
    """[metric, role, firing position, cylinder, value, low, high, state] of every metric."""
    roles = {
        c.get("name"): c.get("role") for c in (document.get("recording") or {}).get("channels", ())
    }
    places = [(c["firing_position"], c["cylinder"], c["metrics"]) for c in document["cylinders"]]
    places.append((None, None, document.get("engine_metrics") or {}))
    return [
        [
            name.partition("@")[0],
            roles.get(metric["channel"], metric["channel"]),
            position,
            cylinder,
            metric["value"],
            metric["low"],
            metric["high"],
            metric["state"],
        ]
        for position, cylinder, metrics in places
        for name, metric in metrics.items()
    ]

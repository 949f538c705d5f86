"""From the rows of the store to a task for the worker, and from its result back to rows.

What is asked of a recording (engine, condition, roles, answers, costs) has a hash. The analysis
with that hash is the one that holds now; when there is none, it is being made.
"""

import hashlib
import json
import threading
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ringland import __version__
from ringland.errors import EngineError
from ringland.history import (
    AnalysisRow,
    Engine,
    MissingFile,
    RecordingRow,
    TestResult,
    get_recording,
    get_visit,
    keep_analysis,
    list_analyses,
    list_recordings,
    list_test_results,
)
from ringland.history.intake import engine_of
from ringland.history.learned import priors_of
from ringland.model import EngineSpec
from ringland.web.context import Context
from ringland.web.jobs import Job
from ringland.web.joining import others_of, sound_ones_of
from ringland.web.worker import Plain

__all__ = ["Judged", "drawn", "engine_of_visit", "engine_spec", "judge", "judge_visit", "judged"]


_SHAPE = 2
"""Raised when sections change their shape, so that old ones are drawn again."""


@dataclass(frozen=True)
class Judged:
    """A recording and what is known of it. `analysis` is None until it was judged, or when that
    failed; `fresh` is False when the analysis is older than what is asked now; `sections` are
    plain report sections, empty when they have to be drawn again."""

    recording: RecordingRow
    analysis: AnalysisRow | None
    fresh: bool
    sections: tuple[Plain, ...]
    job: Job | None

    def section(self, section_id: str) -> Plain | None:
        """One section of the report, or None."""
        return next((s for s in self.sections if s["id"] == section_id), None)

    @property
    def invented(self) -> bool:
        """True for the demonstration's numbers: no recording is behind them to judge again."""
        from ringland.history.demo import ASKED_INVENTED

        return self.analysis is not None and self.analysis.asked == ASKED_INVENTED


def engine_of_visit(app: Context, visit_id: str) -> Engine | None:
    """The engine the visit names, else the one that was in the vehicle that day."""
    return engine_of(app.store, get_visit(app.store, visit_id))


def engine_spec(engine: Engine) -> EngineSpec:
    """The engine described in a row. Raises EngineError."""
    from ringland.engines import engine_from_mapping

    return engine_from_mapping(_mapping(engine), source_name=engine.name)


def _mapping(engine: Engine) -> dict[str, Any]:
    try:
        return tomllib.loads(engine.description)
    except tomllib.TOMLDecodeError as error:
        raise EngineError(
            f"The description of '{engine.name}' is not valid TOML.",
            got=str(error),
            remedy="Correct it on the page of the vehicle.",
        ) from error


def task_of(app: Context, recording: RecordingRow) -> Plain:
    """Everything the worker needs, as plain data."""
    engine = engine_of_visit(app, recording.visit_id)
    if engine is None or not engine.description.strip():
        raise EngineError(
            "The engine of this vehicle is not described.",
            allowed='at least cylinders = 4 and firing_order = "1-3-4-2"',
            remedy="Describe it on the page of the vehicle; then the recording is judged.",
        )
    answers = [_answer(row) for row in _counted(app, recording.visit_id)]
    task: Plain = {
        "engine": _mapping(engine),
        "roles": json.loads(recording.roles),
        "rate_hz": recording.rate_hz,
        "condition": recording.condition,
        "speed_hint_rpm": recording.speed_hint_rpm,
        "answers": answers,
        "hour_cost": app.settings.hour_cost,
        "currency": app.settings.currency,
    }
    learned = priors_of(app.store)
    if learned is not None:  # what was asked with the package's keeps its hash
        task["priors"] = learned.as_plain()
    sound = sound_ones_of(app, recording)
    if sound:  # what was asked of a recording by itself keeps its hash
        task["sound"] = sound
    before = {k: v for k, v in task.items() if k not in ("answers", "hour_cost", "currency")}
    task["key"] = recording.sha256 + _hash(before)
    others = others_of(app, recording)
    if others:  # what was asked of a recording alone keeps its hash
        task["also"] = others
    task["asked"] = _hash({**task, "software": __version__})
    task["name"] = recording.file_name
    for other in others:
        if other["earlier"]:  # by itself: the engine may have passed for sound only later
            other["sound"] = []
        mine = {k: v for k, v in other.items() if k not in ("earlier", "name", "sha256")}
        other["key"] = other["sha256"] + _hash({**before, **mine})
        other["path"] = _path_of(app, other["sha256"])
    alone = {k: v for k, v in before.items() if k != "sound"}
    for one in sound:
        mine = {k: v for k, v in one.items() if k not in ("earlier", "name", "sha256")}
        one["key"] = one["sha256"] + _hash({**alone, **mine})
        one["path"] = _path_of(app, one["sha256"])
    return task


def _path_of(app: Context, sha256: str) -> str:
    """Where another recording lies; "" where its file is lost, which the worker then says."""
    try:
        return str(app.store.file(sha256))
    except MissingFile:
        return ""


def _hash(content: object) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()


def _counted(app: Context, visit_id: str) -> tuple[TestResult, ...]:
    """The answers of a visit; the newest of each check at each place counts."""
    rows = sorted(list_test_results(app.store, visit_id=visit_id), key=lambda r: r.created_utc)
    newest: dict[tuple[str, int | None, int | None], TestResult] = {}
    for row in rows:
        key = (row.test, row.cylinder, row.firing_position)
        newest.pop(key, None)  # its place is where it was last given: later ones end earlier ones
        newest[key] = row
    return tuple(newest.values())


def _answer(row: TestResult) -> Plain:
    return {
        "test": row.test,
        "outcome": row.outcome,
        "cylinder": row.cylinder,
        "firing_position": row.firing_position,
        "readings": json.loads(row.readings),
    }


def _sections_path(app: Context, recording_id: str, asked: str) -> Path:
    return app.folder / "web-figures" / f"{_hash([_SHAPE, recording_id, asked])[:40]}.json"


def _keep_sections(app: Context, recording_id: str, asked: str, sections: Sequence[Plain]) -> None:
    path = _sections_path(app, recording_id, asked)
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_suffix(f".{threading.get_ident()}")
    beside.write_text(json.dumps(sections), encoding="utf-8", newline="\n")
    beside.replace(path)


def judged(app: Context, recording: RecordingRow) -> Judged:
    """What is known of a recording now; nothing is computed."""
    job = app.jobs.about(recording.id)
    analyses = list_analyses(app.store, recording_id=recording.id)
    try:
        asked = task_of(app, recording)["asked"]
    except EngineError:
        asked = ""
    own = next((a for a in analyses if a.asked == asked), None)
    shown = own or (analyses[0] if analyses else None)
    sections: tuple[Plain, ...] = ()
    if shown is not None:
        path = _sections_path(app, recording.id, shown.asked)
        try:
            sections = tuple(json.loads(path.read_text("utf-8")))
        except (OSError, ValueError):
            sections = ()
    return Judged(recording, shown, own is not None, sections, job)


def drawn(app: Context, one: Judged, document: dict[str, Any]) -> Judged:
    """The same with its sections; laid out anew from the kept document when they are not there.

    Figures that need the recording itself (the averaged cycle, cycle by cycle) are left out then.
    """
    if one.sections or one.analysis is None:
        return one
    from ringland.report.content import build_sections
    from ringland.report.saved import analysis_from_json
    from ringland.web.blocks import plain_section

    sections = [plain_section(s) for s in build_sections(analysis_from_json(document))]
    _keep_sections(app, one.recording.id, one.analysis.asked, sections)
    return replace(one, sections=tuple(sections))


def judge(app: Context, recording: RecordingRow) -> Job:
    """Put a recording in the queue; the result is kept when it is there."""
    asked: dict[str, str] = {}

    def task() -> Plain:
        row = get_recording(app.store, recording.id)
        made = task_of(app, row)
        asked["asked"] = made["asked"]
        return {**made, "path": str(app.store.file(row.sha256))}

    def finish(result: Plain) -> None:
        _keep_sections(app, recording.id, asked["asked"], result["sections"])
        keep_analysis(app.store, recording.id, result["analysis"], asked=asked["asked"])
        app.changed("analysis", recording.id)
        _judge_the_rest(app, recording)

    return app.jobs.submit(
        f"Judging {recording.file_name}",
        subject=recording.id,
        visit=recording.visit_id,
        task=task,
        finish=finish,
    )


def _judge_the_rest(app: Context, recording: RecordingRow) -> None:
    """Judge again the recordings of the visit whose ranking lacks this one."""
    for row in list_recordings(app.store, visit_id=recording.visit_id):
        known = judged(app, row)
        waiting = known.job is not None and not known.job.over
        stale = known.analysis is not None and not (known.fresh or known.invented)
        if row.id != recording.id and stale and not waiting:
            judge(app, row)


def judge_visit(app: Context, visit_id: str) -> list[Job]:
    """Judge again what no longer holds, for example after an answer."""
    jobs = []
    for recording in list_recordings(app.store, visit_id=visit_id):
        known = judged(app, recording)
        waiting = known.job is not None and not known.job.over
        if not (known.invented or (known.fresh and known.sections)) and not waiting:
            jobs.append(judge(app, recording))
    return jobs

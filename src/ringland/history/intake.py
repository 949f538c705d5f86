"""Taking in a folder of recordings: found, kept once, put to their vehicles, analysed.

A vehicle is a folder with an `engine.toml`; a visit is a folder with a visit file, or else the day
a recording was made. Broken off, it goes on where it was: what is kept is known by its content.
"""

import os
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import date
from itertools import islice, zip_longest
from pathlib import Path
from typing import Any, cast

from ringland import __version__
from ringland.errors import BadInput, RinglandError
from ringland.history.fields import LONGEST_TEXT
from ringland.history.ids import id_from
from ringland.history.jobs import Done, Job, asked_of, run_jobs
from ringland.history.keep import keep_analysis, keep_recording_row
from ringland.history.learned import priors_of
from ringland.history.rows import Engine, RecordingRow, Vehicle, Visit
from ringland.history.shelves import SHELVES
from ringland.history.store import NotKept, Store
from ringland.history.visit_file import NAMES, read_visit_file
from ringland.model import LearnedPriors

__all__ = ["Intake", "Progress", "find_recordings", "import_folder", "job_for", "reanalyse"]

ENGINE_FILE = "engine.toml"
_BLOCK = 16
"""Results written in one transaction: a commit waits for the disk."""
_COPYING = 8
"""Threads that copy files. Each waits for the disk most of the time; waiting together, many files
are on the disk as fast as one."""

Progress = Callable[[str, int, int], None]
"""What was done (a word), how many of it, of how many."""


@dataclass
class Intake:
    """What became of it. `failed` are (file, what was wrong)."""

    found: int = 0
    new: int = 0
    known: int = 0
    analysed: int = 0
    unchanged: int = 0
    without_engine: int = 0
    failed: list[tuple[str, str]] = field(default_factory=list)


def find_recordings(folder: Path) -> Iterator[Path]:
    """Files in the formats Ringland reads, by their endings, in order; no hidden ones."""
    from ringland.readers.registry import FORMATS

    endings = {suffix for entry in FORMATS for suffix in entry.suffixes}
    for place, folders, names in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(names):
            path = Path(place, name)
            if path.suffix.casefold() in endings and not name.startswith("."):
                yield path


def import_folder(
    store: Store,
    folder: Path,
    *,
    engine: str | None = None,
    owner: str | None = None,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> Intake:
    """Keep and analyse every recording below a folder.

    `engine`: text of an engine file or id of a layout, for recordings without an `engine.toml`
    above them. `owner`: name of the owner of new vehicles. Raises BadInput when there is no such
    folder, SettingError for a scheduler that cannot be reached.
    """
    if not folder.is_dir():
        raise BadInput(
            "There is no such folder.", got=str(folder), remedy="Name a folder with recordings."
        )
    paths = list(find_recordings(folder))
    result = Intake(found=len(paths))
    desk = _Desk(store, folder, engine, owner)
    jobs = _keep_each(desk, paths, result, progress)
    _run(store, jobs, result, (workers, scheduler), progress)
    return result


def _keep_each(
    desk: "_Desk", paths: list[Path], result: Intake, progress: Progress | None
) -> Iterator[Job]:
    """Keep recordings, and give a job for each that is not analysed yet."""
    blocks = [paths[start : start + _BLOCK] for start in range(0, len(paths), _BLOCK)]
    done = 0
    with ThreadPoolExecutor(_COPYING) as threads:

        def begin(block: list[Path]) -> list[Future[_Copied]]:
            return [threads.submit(_put, desk, path) for path in block]

        copying = begin(blocks[0]) if blocks else []
        nothing: list[Path] = []
        for block, following in zip_longest(blocks, blocks[1:], fillvalue=nothing):
            copied = [future.result() for future in copying]
            copying = begin(following)
            jobs = _keep_block(desk, block, copied, result)
            done += len(block)
            if progress is not None:
                progress("kept", done, len(paths))
            yield from jobs


def _keep_block(
    desk: "_Desk", block: list[Path], copied: list["_Copied"], result: Intake
) -> list[Job]:
    """The rows of files that were copied, in one transaction."""
    jobs = []
    with desk.store.transaction():
        for path, found in zip(block, copied, strict=True):
            if found.wrong is not None:
                result.failed.append((_shown(desk, path), found.wrong))
            elif found.content is None:
                # a text beside the recordings is left out silently
                result.found -= 1
            else:
                jobs.append(_take_in(desk, path, found.content, result))
    return [job for job in jobs if job is not None]


@dataclass(frozen=True)
class _Copied:
    """SHA-256 and size of a file that is kept now; what was wrong with it; or neither."""

    content: tuple[str, int] | None = None
    wrong: str | None = None


def _put(desk: "_Desk", path: Path) -> _Copied:
    """Copy one file; in a thread, so it touches nothing but files."""
    try:
        if _looks_like_a_recording(path):
            return _Copied(desk.store.files.put(path))
    except (RinglandError, OSError) as error:
        return _Copied(wrong=_said(error))
    return _Copied(wrong=None if path.suffix.casefold() == ".txt" else "No reader takes the file.")


def _looks_like_a_recording(path: Path) -> bool:
    """True when a reader takes it by its first bytes."""
    from ringland.readers._raw import NotThisFormat
    from ringland.readers.registry import FORMATS

    with path.open("rb") as file:
        head = file.read(1 << 16)
    for entry in FORMATS:
        try:
            entry.sniff(path, head)
        except NotThisFormat:
            continue
        return bool(head)
    return False


def _take_in(desk: "_Desk", path: Path, content: tuple[str, int], result: Intake) -> Job | None:
    sha256, size = content
    try:
        known = _known(desk.store, sha256)
        if known is None:
            known = desk.keep(path, sha256, size)
            result.new += 1
        else:
            result.known += 1
    except RinglandError as error:
        result.failed.append((_shown(desk, path), _said(error)))
        return None
    job = job_for(desk.store, known, priors=desk.priors)
    if job is None:
        result.without_engine += 1
        return None
    if _analysed(desk.store, job):
        result.unchanged += 1
        return None
    return job


def _known(store: Store, sha256: str) -> RecordingRow | None:
    """The recording that is kept already; one that was deleted comes back."""
    try:
        row: RecordingRow = SHELVES["recording"].get(store, id_from("recording", sha256))
    except NotKept:
        return None
    return row if row.deleted_utc is None else None


def _analysed(store: Store, job: Job) -> bool:
    try:
        row = SHELVES["analysis"].get(
            store, id_from("analysis", job.recording_id, __version__, asked_of(job))
        )
    except NotKept:
        return False
    return row.deleted_utc is None and store.files.has(row.sha256)


def job_for(
    store: Store, recording: RecordingRow, *, priors: LearnedPriors | None = None
) -> Job | None:
    """The job that analyses a kept recording; None when its engine is not described, or when only
    a result was kept and no signal. `priors`: those in force, from `priors_of`."""
    import json

    visit: Visit = SHELVES["visit"].get(store, recording.visit_id)
    engine = engine_of(store, visit)
    if engine is None or not engine.description.strip():
        return None
    if recording.file_name.casefold().endswith(".json"):
        return None
    return Job(
        recording_id=recording.id,
        sha256=recording.sha256,
        file_name=recording.file_name,
        files=store.files.url,
        engine_text=engine.description,
        roles=tuple(sorted(json.loads(recording.roles).items())),
        condition=recording.condition or "unknown",
        speed_hint_rpm=recording.speed_hint_rpm,
        rate_hz=recording.rate_hz,
        priors=priors,
    )


def engine_of(store: Store, visit: Visit) -> Engine | None:
    """The engine of a visit: as said, else the one that was in the vehicle that day."""
    if visit.engine_id is not None:
        return cast(Engine, SHELVES["engine"].get(store, visit.engine_id))
    engines: tuple[Engine, ...] = SHELVES["engine"].all(store, vehicle_id=visit.vehicle_id)
    fitting = [
        engine
        for engine in engines
        if (engine.fitted_on or "") <= visit.visited_on < (engine.removed_on or "9")
    ]
    return max(fitting, key=lambda e: (e.fitted_on or "", e.id), default=None)


def _run(
    store: Store,
    jobs: Iterator[Job],
    result: Intake,
    where: tuple[int | None, str | None],
    progress: Progress | None,
) -> None:
    """Run the jobs and keep what comes back, several in one transaction."""
    results = run_jobs(jobs, workers=where[0], scheduler=where[1])
    block: list[Done] = []
    with ThreadPoolExecutor(_COPYING) as threads:
        try:
            for done in results:
                block.append(done)
                if len(block) >= _BLOCK:
                    _keep_results(store, block, result, threads)
                    if progress is not None:
                        progress("analysed", result.analysed, result.found)
        finally:
            # stopped from the keyboard or not: what was computed is kept
            _keep_results(store, block, result, threads)
    if progress is not None:
        progress("analysed", result.analysed, result.found)


def _keep_results(
    store: Store, block: list[Done], result: Intake, threads: ThreadPoolExecutor
) -> None:
    """The documents together, then their rows together."""
    texts = [done.text.encode("ascii") for done in block if done.text is not None]
    list(threads.map(store.files.put_bytes, texts))
    with store.transaction():
        for done in block:
            if done.text is None:
                error = done.error or {}
                result.failed.append((done.job.file_name, str(error.get("wrong"))))
                continue
            keep_analysis(store, done.job.recording_id, done.text, asked=asked_of(done.job))
    result.analysed += sum(done.text is not None for done in block)
    block.clear()


def reanalyse(
    store: Store,
    *,
    recordings: tuple[str, ...] | None = None,
    again: bool = False,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> Intake:
    """Analyse kept recordings with the present software: all, or those with these ids.

    What this version has analysed already, asked the same way, is left alone unless `again`.
    """
    result = Intake()
    shelf = SHELVES["recording"]
    chosen: dict[str, Any] = {} if recordings is None else {"id": recordings}
    rows: tuple[RecordingRow, ...] = shelf.all(store, **chosen)
    result.found = len(rows)
    priors = priors_of(store)

    def jobs() -> Iterator[Job]:
        iterator = iter(rows)
        while block := list(islice(iterator, _BLOCK)):
            for row in block:
                job = job_for(store, row, priors=priors)
                if job is None:
                    result.without_engine += 1
                elif not again and _analysed(store, job):
                    result.unchanged += 1
                else:
                    yield job

    _run(store, jobs(), result, (workers, scheduler), progress)
    return result


def _shown(desk: "_Desk", path: Path) -> str:
    return str(path.relative_to(desk.folder))


def _said(error: Exception) -> str:
    return error.wrong if isinstance(error, RinglandError) else str(error)


class _Desk:
    """Remembers, while a folder is taken in, which vehicle and visit a place belongs to."""

    def __init__(self, store: Store, folder: Path, engine: str | None, owner: str | None) -> None:
        self.store = store
        self.folder = folder
        self.engine = engine
        self.owner = owner
        self.files: dict[Path, Mapping[str, Any]] = {}
        self.engines: dict[Path, str] = {}
        self.priors = priors_of(store)

    def keep(self, path: Path, sha256: str, size: int) -> RecordingRow:
        """The row of a new recording, with its visit, vehicle and engine."""
        told = self.visit_file(path.parent)
        with self.store.transaction():
            vehicle = self.vehicle(path, told)
            visit = self.visit(path, told, vehicle)
            names = ("condition", "speed_hint_rpm")
            fields: dict[str, object] = {n: told[n] for n in names if n in told}
            if "roles" in told:
                import json

                fields["roles"] = json.dumps(told["roles"])
            fields["file_name"] = path.name
            return keep_recording_row(self.store, visit.id, sha256, size, fields)

    def visit_file(self, place: Path) -> Mapping[str, Any]:
        """The visit file of the folder; empty when there is none."""
        if place not in self.files:
            if len(self.files) > 1000:
                self.files.clear()
            found = [place / name for name in NAMES if (place / name).is_file()]
            self.files[place] = read_visit_file(found[0]) if found else {}
        return self.files[place]

    def engine_place(self, path: Path) -> Path | None:
        """The nearest folder above a recording, within the folder taken in, with an engine file."""
        place = path.parent
        while True:
            if (place / ENGINE_FILE).is_file():
                return place
            if place in (self.folder, place.parent):
                return None
            place = place.parent

    def vehicle(self, path: Path, told: Mapping[str, Any]) -> Vehicle:
        """The vehicle: by the name in the visit file, else that of the folder."""
        place = self.engine_place(path)
        name = str(told.get("vehicle") or (place or path.parent).resolve().name or "vehicle")
        shelf = SHELVES["vehicle"]
        found = shelf.all(self.store, name=name, limit=1)
        names = ("fleet_number", "plate", "vin")
        vehicle: Vehicle = (
            found[0]
            if found
            else shelf.add(
                self.store,
                name=name,
                owner_id=self.owner_id(told),
                **{n: told[n] for n in names if n in told},
            )
        )
        text = self.engine or "" if place is None else self.engine_text(place)
        if text:
            self.fit_engine(vehicle, text)
        return vehicle

    def engine_text(self, place: Path) -> str:
        """The engine file of a folder, read and checked once."""
        if place not in self.engines:
            if len(self.engines) > 1000:
                self.engines.clear()
            self.engines[place] = _engine_text(place / ENGINE_FILE)
        return self.engines[place]

    def owner_id(self, told: Mapping[str, Any]) -> str | None:
        name = self.owner or told.get("operator")
        if not name:
            return None
        shelf = SHELVES["owner"]
        found = shelf.all(self.store, name=name, limit=1)
        return str((found[0] if found else shelf.add(self.store, name=name)).id)

    def fit_engine(self, vehicle: Vehicle, text: str) -> None:
        """Keep the engine's description, if the vehicle has none like it."""
        shelf = SHELVES["engine"]
        present: tuple[Engine, ...] = shelf.all(self.store, vehicle_id=vehicle.id)
        if any(engine.description == text for engine in present):
            return
        name = vehicle.name if "=" in text else text.strip()
        shelf.add(self.store, vehicle_id=vehicle.id, name=name, description=text)

    def visit(self, path: Path, told: Mapping[str, Any], vehicle: Vehicle) -> Visit:
        """The visit of that day and purpose, made when there is none."""
        day = told.get("date") or date.fromtimestamp(path.stat().st_mtime).isoformat()
        purpose = told.get("purpose", "fault-finding")
        shelf = SHELVES["visit"]
        found = shelf.all(
            self.store, vehicle_id=vehicle.id, visited_on=day, purpose=str(purpose), limit=1
        )
        if found:
            return cast(Visit, found[0])
        names = (
            *("odometer_km", "running_hours", "place", "technician", "fuel", "oil", "coolant_k"),
            *("air_k", "altitude_m", "weather", "complaint", "remark"),
        )
        fields = {n: told[n] for n in names if n in told}
        return cast(
            Visit,
            shelf.add(self.store, vehicle_id=vehicle.id, visited_on=day, purpose=purpose, **fields),
        )


def _engine_text(path: Path) -> str:
    """The text of an engine file, checked. Raises EngineError."""
    from ringland.engines import load_engine

    load_engine(path)
    text = path.read_text(encoding="utf-8-sig")
    if len(text) > LONGEST_TEXT:
        raise BadInput(f"The engine file '{path.name}' is too long.", got=f"{len(text)} characters")
    return text

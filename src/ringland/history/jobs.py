"""Analysing kept recordings: one job, one function, wherever it runs.

The same function runs in this process, in processes of this machine, or on the workers of a Dask
scheduler. It gets values and gives text, so the bytes are the same everywhere.
"""

import hashlib
import json
import os
import tempfile
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ringland.errors import RinglandError, SettingError
from ringland.model import LearnedPriors

if TYPE_CHECKING:
    from concurrent.futures import Executor

__all__ = ["Done", "Job", "asked_of", "run_job", "run_jobs"]

LONG_S = 120.0
"""Above this a recording is read window by window, as on the command line."""
_TRIES = 3
_AHEAD = 8
"""Jobs waiting per worker: enough to keep them busy while a block of results is written, few
enough that memory stays flat."""


@dataclass(frozen=True)
class Job:
    """One recording to analyse. `engine_text` is an engine file, or the id of a layout; `roles`
    pairs of role and channel; `files` the folder or URL of originals; `priors` learned ones, None
    for those of the package."""

    recording_id: str
    sha256: str
    file_name: str
    files: str
    engine_text: str
    roles: tuple[tuple[str, str], ...] = ()
    condition: str = "unknown"
    speed_hint_rpm: float | None = None
    rate_hz: float | None = None
    priors: LearnedPriors | None = None


@dataclass(frozen=True)
class Done:
    """What became of a job: the document as text, or the error in the one JSON shape."""

    job: Job
    text: str | None
    error: dict[str, str | None] | None = None


def asked_of(job: Job) -> str:
    """A hash of what was asked, so that the same question is known again."""
    asked: list[object] = [job.engine_text, sorted(job.roles), job.condition]
    asked += [job.speed_hint_rpm, job.rate_hz]
    if job.priors is not None:  # what was asked with the package's keeps its hash
        asked.append(job.priors.sha256)
    return hashlib.sha256(json.dumps(asked).encode("utf-8")).hexdigest()[:32]


def run_job(job: Job) -> Done:
    """Analyse one recording. An error becomes part of the result; nothing is raised."""
    try:
        return Done(job, _analysed(job))
    except RinglandError as error:
        return Done(job, None, error.as_dict())
    except Exception as error:
        said = f"{type(error).__name__}: {error}"[:500]
        fault = RinglandError("Ringland has a fault here, which is not your doing.", got=said)
        return Done(job, None, fault.as_dict())


def _analysed(job: Job) -> str:
    from dataclasses import replace

    from ringland.history.files import files_at
    from ringland.history.keep import document_text
    from ringland.model import Condition
    from ringland.output import as_json
    from ringland.pipeline import analyse, analyse_source
    from ringland.readers import open_recording

    engine = _engine(job.engine_text)
    cache = Path(tempfile.gettempdir()) / "ringland-copies"
    path = files_at(job.files, cache=cache).path(job.sha256)
    source = open_recording(path, roles=dict(job.roles), rate_hz=job.rate_hz)
    condition = Condition(job.condition)
    if source.duration_s > LONG_S:
        analysis = analyse_source(
            source, engine, condition=condition, speed_hint_rpm=job.speed_hint_rpm,
            priors=job.priors,
        )  # fmt: skip
    else:
        recording = source.read_all()
        if condition is Condition.UNKNOWN:
            condition = recording.condition
        hint = job.speed_hint_rpm or recording.speed_hint_rpm
        recording = replace(recording, condition=condition, speed_hint_rpm=hint)
        analysis = analyse(recording, engine, priors=job.priors)
    document = as_json(analysis)
    described = document["recording"]
    assert isinstance(described, dict)
    described["name"] = job.file_name  # not the name of the kept copy
    return document_text(document)


def _engine(text: str) -> Any:
    from ringland.engines import engine_from_mapping, layout

    if "=" not in text:
        return layout(text.strip()).engine
    try:
        return engine_from_mapping(tomllib.loads(text), source_name="engine.toml")
    except tomllib.TOMLDecodeError as error:
        raise SettingError(
            "The engine of this vehicle is not described in valid TOML.", got=str(error)
        ) from error


def run_jobs(
    jobs: Iterator[Job], *, workers: int | None = None, scheduler: str | None = None
) -> Iterator[Done]:
    """Run jobs and give each result once, in the order they finish.

    `workers` processes of this machine (1: in this process; default: one per core), or the workers
    of the Dask scheduler at an address. A worker that dies costs its job a new try, three in all.
    Raises SettingError when the scheduler cannot be reached.
    """
    if scheduler is not None:
        yield from _on_cluster(jobs, scheduler)
        return
    count = workers or os.cpu_count() or 1
    if count == 1:
        yield from map(run_job, jobs)
        return
    yield from _on_this_machine(jobs, count)


def _on_this_machine(jobs: Iterator[Job], workers: int) -> Iterator[Done]:
    from concurrent.futures import FIRST_COMPLETED, Future, wait
    from concurrent.futures.process import BrokenProcessPool

    waiting: dict[Future[Done], tuple[Job, int]] = {}
    again: list[tuple[Job, int]] = []
    exhausted = False
    pool = _pool(workers)
    try:
        while True:
            while len(waiting) < _AHEAD * workers and not (exhausted and not again):
                job, tries = again.pop() if again else (next(jobs, None), 1)
                if job is None:
                    exhausted = True
                    break
                try:
                    waiting[pool.submit(run_job, job)] = (job, tries)
                except BrokenProcessPool:
                    again.append((job, tries))
                    break
            if not waiting and exhausted and not again:
                pool.shutdown()
                return
            finished, _ = wait(waiting, return_when=FIRST_COMPLETED)
            broken = not waiting
            for future in finished:
                job, tries = waiting.pop(future)
                try:
                    yield future.result()
                except BrokenProcessPool:
                    broken = True
                    if tries < _TRIES:
                        again.append((job, tries + 1))
                    else:
                        yield _died(job)
            if broken:
                again += waiting.values()
                waiting.clear()
                pool.shutdown(wait=False, cancel_futures=True)
                pool = _pool(workers)
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


def _pool(workers: int) -> "Executor":
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    # each worker uses one core: threads within one would only wait for one another
    for library in ("OPENBLAS_NUM_THREADS", "POLARS_MAX_THREADS"):
        os.environ.setdefault(library, "1")
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(workers, mp_context=context, initializer=_start_worker)


def _start_worker() -> None:
    """The keyboard stops the parent, and the parent its workers."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _died(job: Job) -> Done:
    error = RinglandError(
        "The process that analysed this recording died, three times.",
        got=job.file_name,
        remedy="There may be too little memory: use fewer workers.",
    )
    return Done(job, None, error.as_dict())


def _on_cluster(jobs: Iterator[Job], address: str) -> Iterator[Done]:
    with _client(address) as client:
        import distributed

        dask: Any = distributed  # it has no types
        ahead = _AHEAD * max(1, sum(client.nthreads().values()))
        running: dict[str, Job] = {}

        def submit(job: Job) -> Any:
            future = client.submit(run_job, job, pure=False, retries=_TRIES - 1)
            running[future.key] = job
            return future

        first = [submit(job) for _, job in zip(range(ahead), jobs, strict=False)]
        completed = dask.as_completed(first)
        for future in completed:
            job = running.pop(future.key)
            yield future.result() if future.status == "finished" else _died(job)
            if (following := next(jobs, None)) is not None:
                completed.add(submit(following))


@contextmanager
def _client(address: str) -> Iterator[Any]:
    try:
        import distributed

        dask: Any = distributed
        client = dask.Client(address, timeout=10)
    except (ImportError, OSError, ValueError) as error:
        raise SettingError(
            "The Dask scheduler cannot be used.",
            got=f"{address}: {str(error).splitlines()[0] if str(error) else type(error).__name__}",
            allowed="the address of a running scheduler, for example tcp://127.0.0.1:8786",
            remedy="Start it (dask scheduler, dask worker ADDRESS), and install Ringland's "
            "'cluster' extra here and on the workers.",
        ) from error
    try:
        yield client
    finally:
        client.close()

"""Long work: one worker process, jobs in a queue, progress told to whoever listens.

A job that is stopped ends with its process; the next job gets a new one. Nothing half-done is kept,
because only a finished result is handed back. What needs the open store itself runs in a thread of
this process, beside the queue, and is stopped where it tells its progress.
"""

import contextlib
import multiprocessing
import queue
import threading
import time
import uuid
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from multiprocessing.connection import Connection
from typing import Any

from ringland.errors import SettingError
from ringland.web.worker import Plain, fault, main

__all__ = ["Job", "JobState", "Jobs", "Stopped"]

_KEPT = 100
_POLL_S = 0.05
_TOLD_EVERY_S = 0.1


class JobState(StrEnum):
    """Where a job is."""

    WAITING = "waiting"
    WORKING = "working"
    DONE = "done"
    FAILED = "failed"
    STOPPED = "stopped"


@dataclass(frozen=True)
class Job:
    """One piece of long work. `subject` is the id of the row it is about, `error` in the one error
    shape. `own`: a matter of this computer alone, of which other devices see no more than that it
    goes on."""

    id: str
    title: str
    subject: str
    visit: str
    state: JobState
    fraction: float
    said: str
    error: Plain | None = None
    own: bool = False

    @property
    def over(self) -> bool:
        """True when nothing more will happen."""
        return self.state in (JobState.DONE, JobState.FAILED, JobState.STOPPED)


@dataclass
class _Waiting:
    job_id: str
    task: Callable[[], Plain]
    finish: Callable[[Plain], None]


class Stopped(Exception):
    """Raised inside work done here when it was asked to stop."""


class _Process:
    """The worker process and the connection to it."""

    def __init__(self) -> None:
        context = multiprocessing.get_context("spawn")
        self.connection, theirs = context.Pipe()
        self._process = context.Process(target=main, args=(theirs,), daemon=True, name="ringland")
        self._process.start()
        theirs.close()

    def end(self) -> None:
        """Stop at once."""
        self._process.terminate()
        self._process.join(5.0)
        self.connection.close()
        if not self._process.is_alive():
            self._process.close()


class Jobs:
    """The queue. `told` is called with every change of a job, from the queue's own thread."""

    def __init__(self, told: Callable[[Job], None]) -> None:
        self._told = told
        self._lock = threading.Lock()
        self._jobs: OrderedDict[str, Job] = OrderedDict()
        self._stop: set[str] = set()
        self._queue: queue.Queue[_Waiting | None] = queue.Queue()
        self._process: _Process | None = None
        self._thread = threading.Thread(target=self._run, name="ringland-jobs", daemon=True)
        self._here: list[threading.Thread] = []
        self._closed = False
        self._thread.start()

    def submit(
        self,
        title: str,
        *,
        subject: str,
        visit: str,
        task: Callable[[], Plain],
        finish: Callable[[Plain], None],
    ) -> Job:
        """Put a job at the end. `task` makes what the worker gets and `finish` keeps its result;
        both run in the queue's thread and may raise RinglandError."""
        job = Job(uuid.uuid4().hex, title, subject, visit, JobState.WAITING, 0.0, "Waiting")
        self._remember(job)
        self._queue.put(_Waiting(job.id, task, finish))
        return job

    def do_here(
        self,
        title: str,
        *,
        subject: str,
        work: Callable[[Callable[[float, str], None]], str],
        busy: str,
        own: bool = True,
    ) -> Job:
        """Do `work` in a thread of this process, beside the queue, one at a time about a subject.
        `own`: a matter of this computer alone.

        `work` gets a function to tell its progress with, which raises Stopped when it is to stop,
        and returns what came out in words; it may raise RinglandError. Raises SettingError, saying
        `busy`, while an earlier one goes on.
        """
        said = "Starting"
        job = Job(uuid.uuid4().hex, title, subject, "", JobState.WORKING, 0.0, said, own=own)
        with self._lock:
            now = next(
                (j for j in self._jobs.values() if j.subject == subject and not j.over), None
            )
            if now is None:
                self._jobs[job.id] = job
        if now is not None:
            raise SettingError(busy, got=now.title, remedy="Wait until that is done, or stop it.")
        self._remember(job)
        thread = threading.Thread(
            target=self._do, args=(job.id, work), name="ringland-here", daemon=True
        )
        self._here = [t for t in self._here if t.is_alive()] + [thread]
        thread.start()
        return job

    def _remember(self, job: Job) -> None:
        with self._lock:
            self._jobs[job.id] = job
            for old in [j.id for j in self._jobs.values() if j.over][:-_KEPT]:
                del self._jobs[old]
        self._told(job)

    def _do(self, job_id: str, work: Callable[[Callable[[float, str], None]], str]) -> None:
        from ringland.errors import RinglandError

        last, doing = 0.0, ""

        def at(fraction: float, said: str) -> None:
            nonlocal last, doing
            if self._stopping(job_id):
                raise Stopped
            now, new = time.monotonic(), said.partition(":")[0]
            if now - last > _TOLD_EVERY_S or new != doing:  # the next may take long
                last, doing = now, new
                self._change(job_id, fraction=fraction, said=said)

        try:
            said = work(at)
            self._change(job_id, state=JobState.DONE, fraction=1.0, said=said)
        except Stopped:
            self._change(job_id, state=JobState.STOPPED, said="Stopped")
        except RinglandError as error:
            self._change(job_id, state=JobState.FAILED, said=error.wrong, error=error.as_dict())
        except Exception as error:  # told, so that the page does not wait for ever
            told = fault(error)
            self._change(job_id, state=JobState.FAILED, said=told["wrong"], error=told)

    def stop(self, job_id: str) -> Job | None:
        """Ask a job to stop; None when there is no such job."""
        with self._lock:
            job = self._jobs.get(job_id)
            if job is not None and not job.over:
                self._stop.add(job_id)
        return job

    def get(self, job_id: str) -> Job | None:
        """One job, or None."""
        with self._lock:
            return self._jobs.get(job_id)

    def all(self) -> tuple[Job, ...]:
        """All jobs still remembered, oldest first."""
        with self._lock:
            return tuple(self._jobs.values())

    def about(self, subject: str) -> Job | None:
        """The newest job about one row, or None."""
        return next((j for j in reversed(self.all()) if j.subject == subject), None)

    def warm(self) -> None:
        """Start the worker process before the first job needs it."""
        self._queue.put(_Waiting("", dict, lambda _: None))

    def close(self) -> None:
        """Stop everything and wait for it."""
        self._closed = True
        self._queue.put(None)
        self._thread.join(10.0)
        for thread in self._here:
            thread.join(10.0)

    def _change(self, job_id: str, **fields: Any) -> None:
        with self._lock:
            job = replace(self._jobs[job_id], **fields)
            self._jobs[job_id] = job
        self._told(job)

    def _stopping(self, job_id: str) -> bool:
        with self._lock:
            return self._closed or job_id in self._stop

    def _run(self) -> None:
        while True:
            waiting = self._queue.get()
            if waiting is None or self._closed:
                break
            if waiting.job_id == "":
                self._connection()
            elif self._stopping(waiting.job_id):
                self._change(waiting.job_id, state=JobState.STOPPED, said="Stopped")
            else:
                self._one(waiting)
        if self._process is not None:
            self._process.end()
            self._process = None

    def _connection(self) -> Connection:
        if self._process is None:
            self._process = _Process()
        return self._process.connection

    def _drop_process(self) -> None:
        if self._process is not None:
            with contextlib.suppress(OSError):
                self._process.end()
            self._process = None

    def _one(self, waiting: _Waiting) -> None:
        from ringland.errors import RinglandError

        job_id = waiting.job_id
        self._change(job_id, state=JobState.WORKING, said="Starting")
        try:
            connection = self._connection()
            connection.send(waiting.task())
            kind, content = self._watch(job_id, connection)
            if kind == "done":
                waiting.finish(content)
                self._change(job_id, state=JobState.DONE, fraction=1.0, said="Done")
            elif kind == "stopped":
                self._drop_process()
                self._change(job_id, state=JobState.STOPPED, said="Stopped; nothing was kept")
            else:
                self._change(job_id, state=JobState.FAILED, said=content["wrong"], error=content)
        except RinglandError as error:
            self._change(job_id, state=JobState.FAILED, said=error.wrong, error=error.as_dict())
        except (EOFError, OSError) as error:
            self._drop_process()
            lost = RinglandError(
                "The work broke off.",
                got=str(error) or "the process ended",
                remedy="Try again; if it breaks off again the recording may need more memory.",
            )
            self._change(job_id, state=JobState.FAILED, said=lost.wrong, error=lost.as_dict())
        except Exception as error:  # the queue must outlive a fault in one job
            told = fault(error)
            self._change(job_id, state=JobState.FAILED, said=told["wrong"], error=told)

    def _watch(self, job_id: str, connection: Connection) -> tuple[str, Any]:
        """Follow one task: ("done", result), ("failed", error) or ("stopped", None)."""
        last = 0.0
        while True:
            if self._stopping(job_id):
                return "stopped", None
            if not connection.poll(_POLL_S):
                continue
            kind, content = connection.recv()
            if kind != "at":
                return kind, content
            now = time.monotonic()
            if now - last > _TOLD_EVERY_S:
                last = now
                self._change(job_id, fraction=content[0], said=content[1])

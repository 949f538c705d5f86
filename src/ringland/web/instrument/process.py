"""A process of its own for what the instrument view asks of the analysis, so that judging a batch
does not make a slider wait, and a slider does not stop the pages."""

import multiprocessing
import threading
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures import TimeoutError as TooSlow
from concurrent.futures.process import BrokenProcessPool

from ringland import errors
from ringland.errors import RinglandError
from ringland.web.errors import TooMany
from ringland.web.instrument import shown
from ringland.web.worker import Plain

__all__ = ["Desk"]

LONGEST_S = 180.0
MOST_WAITING = 12


class Desk:
    """Started with the first question; a process that died is replaced."""

    def __init__(self) -> None:
        self._pool: ProcessPoolExecutor | None = None
        self._lock = threading.Lock()
        self._waiting = 0

    def ask(self, what: str, task: Plain) -> Plain:
        """The answer of `shown.answer`. Raises RinglandError."""
        with self._lock:
            if self._waiting >= MOST_WAITING:
                raise TooMany(
                    "The instrument view is busy.",
                    got=f"{self._waiting} questions waiting",
                    remedy="Wait for the figures to come, then go on.",
                )
            self._waiting += 1
        try:
            state, content = self._running().submit(shown.answer, what, task).result(LONGEST_S)
        except (BrokenProcessPool, TooSlow, RuntimeError) as error:
            self.close()
            raise RinglandError(
                "The work broke off.",
                got=str(error) or f"no answer within {LONGEST_S:.0f} s",
                remedy="Load the page again; if it breaks off again the recording is too large.",
            ) from error
        finally:
            with self._lock:
                self._waiting -= 1
        if state == "failed":
            raise _error(content)
        return content

    def close(self) -> None:
        """End the process."""
        with self._lock:
            pool, self._pool = self._pool, None
        if pool is not None:
            pool.shutdown(wait=False, cancel_futures=True)

    def _running(self) -> ProcessPoolExecutor:
        with self._lock:
            if self._pool is None:
                spawn = multiprocessing.get_context("spawn")
                self._pool = ProcessPoolExecutor(1, mp_context=spawn)
            return self._pool


def _error(content: Plain) -> RinglandError:
    """The error as it was raised in the other process."""
    told = dict(content)
    kind = getattr(errors, str(told.pop("error")), RinglandError)
    return kind(told.pop("wrong"), **told)

"""Many at a time, or one alone: so that the database under an open store can be exchanged."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from ringland.errors import SettingError

__all__ = ["Gate"]

_PATIENCE_S = 30.0


class Gate:
    """Lets any number of threads in, or one that wants to be alone.

    Who wants to be alone waits until nobody is in, and newcomers wait for that; a thread that is in
    may come in again, so that it never waits for itself.
    """

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._inside = 0
        self._wanted = 0
        self._alone = False
        self._own = threading.local()

    @contextmanager
    def inside(self) -> Iterator[None]:
        """Be in, with others."""
        depth: int = getattr(self._own, "depth", 0)
        with self._changed:
            if depth == 0:
                self._changed.wait_for(lambda: not self._alone and self._wanted == 0)
            self._inside += 1
        self._own.depth = depth + 1
        try:
            yield
        finally:
            self._own.depth = depth
            with self._changed:
                self._inside -= 1
                self._changed.notify_all()

    @contextmanager
    def alone(self, *, patience_s: float = _PATIENCE_S) -> Iterator[None]:
        """Be in with nobody else. Raises SettingError when others stay for too long."""
        with self._changed:
            self._wanted += 1
            free = self._changed.wait_for(
                lambda: self._inside == 0 and not self._alone, timeout=patience_s
            )
            self._wanted -= 1
            if not free:
                self._changed.notify_all()
                raise SettingError(
                    "The store is in use.",
                    got="other work did not end",
                    remedy="Wait until it has, or stop it, and try again. Nothing was changed.",
                )
            self._alone = True
        try:
            yield
        finally:
            with self._changed:
                self._alone = False
                self._changed.notify_all()

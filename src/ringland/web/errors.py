"""Errors over HTTP: the same shape as `ringland.errors`, with a status and, when two writers met,
what stands in the store now."""

from collections.abc import Mapping

from ringland.errors import BadInput, RinglandError, UnusableRecording
from ringland.instruments.protocol import InstrumentFault

__all__ = ["Conflict", "NotFound", "NotPaired", "Refused", "TooLarge", "TooMany", "status_of"]


class NotFound(BadInput):
    """There is nothing under this address."""


class Refused(RinglandError):
    """The request did not come from this app's own pages, or may not do this."""


class NotPaired(Refused):
    """A device of the network has no session, or its code was not good: it may pair."""


class TooLarge(BadInput):
    """More bytes than this address takes."""


class TooMany(RinglandError):
    """Too many requests in a short time."""


class Conflict(RinglandError):
    """Somebody else changed the same row first. `current` is what stands there now."""

    def __init__(self, wrong: str, *, current: Mapping[str, object] | None, remedy: str) -> None:
        super().__init__(wrong, remedy=remedy)
        self.current = current


_STATUS: tuple[tuple[type[RinglandError], int], ...] = (
    (NotFound, 404),
    (Refused, 403),
    (TooLarge, 413),
    (TooMany, 429),
    (Conflict, 409),
    (UnusableRecording, 422),
    (BadInput, 400),
    (InstrumentFault, 400),
)


def status_of(error: RinglandError) -> int:
    """The HTTP status of an error; 500 for one that has none."""
    return next((status for kind, status in _STATUS if isinstance(error, kind)), 500)

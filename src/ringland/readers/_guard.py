"""The border to other people's file libraries."""

import logging
from collections.abc import Iterator
from contextlib import contextmanager

from ringland.errors import FileFormatError, RinglandError

__all__ = ["reading"]

_TALKATIVE = ("nptdms.reader", "nptdms.tdms_segment", "nptdms.types", "nptdms.tdms", "asammdf")


class _Listener(logging.Filter):
    """Keeps what a library logs instead of letting it reach the technician's screen."""

    def __init__(self) -> None:
        super().__init__()
        self.heard: list[str] = []

    def filter(self, record: logging.LogRecord) -> bool:
        self.heard.append(record.getMessage()[:300])
        return False


@contextmanager
def reading(format_name: str) -> Iterator[list[str]]:
    """Any failure of a file library becomes a FileFormatError; yields what the library logged.

    On damaged files these libraries raise whatever the damage leads to (struct.error, KeyError,
    ZeroDivisionError, MemoryError ...), so everything but our own errors and a missing package is
    taken as damage. A panic in compiled code (polars) is not an Exception but is damage too.
    """
    listener = _Listener()
    loggers = [logging.getLogger(name) for name in _TALKATIVE]
    for logger in loggers:
        logger.addFilter(listener)
    try:
        yield listener.heard
    except (RinglandError, ImportError):
        raise
    except BaseException as error:
        if not isinstance(error, Exception) and type(error).__name__ != "PanicException":
            raise
        said = f"{type(error).__name__}: {error}".strip(": ").splitlines()
        raise FileFormatError(
            f"This {format_name} file is damaged or of a kind that cannot be read.",
            got=said[0][:300] if said else type(error).__name__,
            allowed=f"a complete {format_name} file",
            remedy="Copy the file again from the recorder, or export it again.",
        ) from error
    finally:
        for logger in loggers:
            logger.removeFilter(listener)

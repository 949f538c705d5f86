"""The border to other people's file libraries."""

from collections.abc import Iterator
from contextlib import contextmanager

from ringland.errors import FileFormatError, RinglandError

__all__ = ["reading"]


@contextmanager
def reading(format_name: str) -> Iterator[None]:
    """Any failure of a file library becomes a FileFormatError.

    On damaged files these libraries raise whatever the damage leads to (struct.error, KeyError,
    ZeroDivisionError, MemoryError ...), so everything but our own errors and a missing package is
    taken as damage.
    """
    try:
        yield
    except (RinglandError, ImportError):
        raise
    except Exception as error:
        said = f"{type(error).__name__}: {error}".strip(": ").splitlines()
        raise FileFormatError(
            f"This {format_name} file is damaged or of a kind that cannot be read.",
            got=said[0][:300] if said else type(error).__name__,
            allowed=f"a complete {format_name} file",
            remedy="Copy the file again from the recorder, or export it again.",
        ) from error

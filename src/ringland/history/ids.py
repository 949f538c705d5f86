"""Names for rows that two laptops can give without asking each other, and the time."""

import hashlib
import secrets
import threading
from datetime import UTC, datetime

__all__ = ["id_from", "is_id", "new_id", "utc_now"]

_lock = threading.Lock()
_last = 0


def new_id() -> str:
    """A fresh id: version 7 of RFC 9562 section 5.7, so that ids sort by the time they were made.

    The 12 bits after the version go on counting within one millisecond (method 1 of section 6.2).
    """
    global _last  # noqa: PLW0603 - the counter is what keeps two ids of one moment in order
    now = int(datetime.now(UTC).timestamp() * 1000) << 12
    with _lock:
        _last = max(now, _last + 1)
        stamp = _last
    return _as_text(stamp >> 12, stamp & 0xFFF, secrets.randbits(62), version=7)


def id_from(*parts: str) -> str:
    """An id made from content: the same parts give the same id on every machine (version 8)."""
    digest = hashlib.sha256("\0".join(parts).encode("utf-8")).digest()
    number = int.from_bytes(digest[:16], "big")
    return _as_text(number >> 80, (number >> 64) & 0xFFF, number & ((1 << 62) - 1), version=8)


def _as_text(first_48: int, next_12: int, last_62: int, *, version: int) -> str:
    number = (first_48 << 80) | (version << 76) | (next_12 << 64) | (0b10 << 62) | last_62
    digits = f"{number:032x}"
    return "-".join((digits[:8], digits[8:12], digits[12:16], digits[16:20], digits[20:]))


def is_id(text: object) -> bool:
    """True for 36 characters in the shape of an id."""
    return (
        isinstance(text, str)
        and len(text) == 36
        and all(text[i] == "-" for i in (8, 13, 18, 23))
        and all(c in "0123456789abcdef" for c in text.replace("-", ""))
        and text.count("-") == 4
    )


def utc_now() -> str:
    """Now, ISO 8601 in UTC with microseconds: always equally long, so text order is time order."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")

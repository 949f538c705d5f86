"""Recordings that broke off with the server: found again, made whole, or put out of sight."""

import re
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from ringland.errors import RinglandError
from ringland.instruments.keep import MAGIC, SUFFIX, KeptHead, parse_head, take_record
from ringland.web.errors import NotFound

__all__ = ["LeftBehind", "left_behind", "left_file", "put_back", "put_out_of_sight"]

_REMOVED = ".removed"
_SIGN_OF_LIFE_S = 5.0
"""Another server that still records touches its file every fifth of a second."""
_NAME = re.compile(r"[0-9a-f]{32}")
_HEAD_BYTES = 200_000


@dataclass(frozen=True)
class LeftBehind:
    """A kept file nobody is recording into. `seconds` from its size, about; `name` its address."""

    name: str
    visit_id: str
    condition: str
    instrument: str
    started_utc: str
    seconds: float
    size_bytes: int
    speed_rpm: float | None


def left_behind(folder: Path, running: frozenset[Path]) -> tuple[LeftBehind, ...]:
    """All that were left, oldest first; those being recorded now are not among them."""
    found = [_read(p) for p in sorted(folder.glob(f"*{SUFFIX}")) if p not in running]
    whole = [one for one in found if one is not None]
    return tuple(sorted(whole, key=lambda one: one.started_utc))


def left_file(folder: Path, name: str, running: frozenset[Path]) -> tuple[LeftBehind, Path]:
    """One of them and its file. Raises NotFound."""
    path = folder / f"{name}{SUFFIX}"
    one = _read(path) if _NAME.fullmatch(name) and path not in running else None
    if one is None:
        raise NotFound("No recording of that name was left behind.", got=name[:40])
    return one, path


def put_out_of_sight(folder: Path, name: str, running: frozenset[Path]) -> None:
    """Not offered any more; `put_back` takes that back. Raises NotFound."""
    _, path = left_file(folder, name, running)
    path.replace(path.with_suffix(_REMOVED))


def put_back(folder: Path, name: str) -> None:
    """Offer it again. Raises NotFound."""
    path = folder / f"{name}{_REMOVED}"
    if not _NAME.fullmatch(name) or not path.is_file():
        raise NotFound("No recording of that name was put out of sight.", got=name[:40])
    path.replace(path.with_suffix(SUFFIX))


def _read(path: Path) -> LeftBehind | None:
    """What its head says; None when it is no kept file, is still written, or holds nothing."""
    try:
        state = path.stat()
        with path.open("rb") as file:
            data = file.read(_HEAD_BYTES)
    except OSError:
        return None
    # the clock may have been set back since: then the sign of life lies in the future
    if abs(time.time() - state.st_mtime) < _SIGN_OF_LIFE_S or not data.startswith(MAGIC):
        return None
    record = take_record(data, len(MAGIC))
    if record is None:
        return None
    try:
        head = parse_head(record)
    except RinglandError:
        return None
    samples = (state.st_size - len(MAGIC) - record.size) / (4.0 * len(head.set_up.channels))
    seconds = samples / head.set_up.rate_hz
    if seconds < 0.05:
        return None
    about = dict(head.about)
    return LeftBehind(
        path.stem,
        about.get("visit", ""),
        head.condition.value,
        head.set_up.instrument,
        head.started_utc,
        seconds,
        state.st_size,
        next(_numbers(head), None),
    )


def _numbers(head: KeptHead) -> Iterator[float]:
    """The speed that was given, when it is a number."""
    try:
        yield float(dict(head.about).get("speed_rpm", ""))
    except ValueError:
        return

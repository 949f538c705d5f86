"""A folder being watched for files that some other recorder saves.

A file counts as finished when its size and time have not changed for a while; names that other
programs use for unfinished files are passed over until they are renamed.
"""

import time
from dataclasses import dataclass
from pathlib import Path

from ringland.errors import SettingError

__all__ = ["FolderWatch", "Growing"]

UNFINISHED = (".part", ".tmp", ".temp", ".partial", ".crdownload", ".download", ".unfinished")


@dataclass(frozen=True)
class Growing:
    """A file seen but not finished."""

    name: str
    size_bytes: int


class FolderWatch:
    """Files that were not there at the start, each given once, when it is finished.

    `settle_s`: how long a file must not change. `suffixes` in lower case, empty for all.
    """

    def __init__(
        self, folder: Path, *, settle_s: float = 2.0, suffixes: tuple[str, ...] = ()
    ) -> None:
        if not folder.is_dir():
            raise SettingError(
                "The folder to watch is not there.",
                got=str(folder),
                remedy="Give the folder in which the recorder saves its files.",
            )
        self._folder = folder
        self._settle_s = settle_s
        self._suffixes = suffixes
        self._known = {name: mark for name, mark in self._look().items()}
        self._seen: dict[str, tuple[tuple[int, int], float]] = {}

    def poll(self) -> Path | None:
        """A finished file, or None."""
        now = time.monotonic()
        for name, mark in sorted(self._look().items()):
            if self._known.get(name) == mark:
                continue
            before = self._seen.get(name)
            if before is None or before[0] != mark:
                self._seen[name] = (mark, now)
            elif now - before[1] >= self._settle_s and mark[0] > 0:
                self._known[name] = mark
                del self._seen[name]
                return self._folder / name
        return None

    def growing(self) -> tuple[Growing, ...]:
        """Files that are there and not finished."""
        return tuple(Growing(name, mark[0]) for name, (mark, _) in sorted(self._seen.items()))

    def _look(self) -> dict[str, tuple[int, int]]:
        """Size and time of change by name; files that vanish meanwhile are left out."""
        found = {}
        try:
            entries = list(self._folder.iterdir())
        except OSError:
            return {}  # a network folder may be gone for a moment
        for entry in entries:
            suffix = entry.suffix.casefold()
            if entry.name.startswith(".") or entry.name.endswith("~") or suffix in UNFINISHED:
                continue
            if self._suffixes and suffix not in self._suffixes:
                continue
            try:
                if entry.is_file():
                    told = entry.stat()
                    found[entry.name] = (told.st_size, told.st_mtime_ns)
            except OSError:
                continue
        return found

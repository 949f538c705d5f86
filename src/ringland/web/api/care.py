"""Looking after the store: backup, restore, verification. For this computer alone."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, StringConstraints

from ringland.errors import SettingError
from ringland.history.safety import back_up, log, restore_open, verify
from ringland.web.api.shapes import ERRORS
from ringland.web.context import App

__all__ = ["BACKUP_FOLDER", "router"]

router = APIRouter(prefix="/store", responses=ERRORS, tags=["store"])
BACKUP_FOLDER = "ringland-backup"
_busy = threading.Lock()
Folder = Annotated[str, StringConstraints(min_length=2, max_length=1000)]


class BackupTo(BaseModel):
    """A folder of this computer that is there; the backup is a folder in it."""

    model_config = ConfigDict(extra="forbid")

    folder: Folder


class RestoreFrom(BaseModel):
    """The folder that holds the backup, and that a person has said yes to replacing what is
    here."""

    model_config = ConfigDict(extra="forbid")

    folder: Folder
    confirm: Literal[True]


class BackupMade(BaseModel):
    """Where it is, how many rows it has, and how many files were new to it; the same in words."""

    said: str
    folder: str
    rows: int
    new_files: int


class StoreRestored(BaseModel):
    """How much came back, and the file name under which what was here before is kept."""

    said: str
    rows: int
    files: int
    aside: str | None


class StoreVerified(BaseModel):
    """What was looked at; whole when there are no problems."""

    said: str
    rows: int
    files: int
    unused_files: int
    problems: list[str]


@contextmanager
def _one_at_a_time() -> Iterator[None]:
    if not _busy.acquire(blocking=False):
        raise SettingError(
            "The store is being looked after already.", remedy="Wait until that is done."
        )
    try:
        yield
    finally:
        _busy.release()


def _named(folder: str) -> Path:
    """A folder that is there, by its whole path. Raises SettingError."""
    try:
        path = Path(folder.strip()).expanduser()
        if path.is_absolute() and path.is_dir():
            return path
    except (OSError, RuntimeError, ValueError):
        pass
    raise SettingError(
        "There is no such folder on this computer.",
        got=repr(folder[:200]),
        allowed="the whole path of a folder that is there, best on another disk",
    )


@router.post("/backup", response_model=BackupMade)
def make_backup(app: App, given: BackupTo) -> Any:
    """Write a backup, or bring the one in that folder up to date."""
    folder = _named(given.folder) / BACKUP_FOLDER
    with _one_at_a_time():
        done = back_up(app.store, folder)
        log(app.store, "backup", folder=str(folder), rows=done.rows)
    said = f"{done.rows} rows and {done.new_files} new files are in {folder}."
    return BackupMade(said=said, folder=str(folder), rows=done.rows, new_files=done.new_files)


@router.post("/restore", response_model=StoreRestored)
def restore(app: App, given: RestoreFrom) -> Any:
    """Take a backup in the place of what is here, which is kept aside."""
    named = _named(given.folder)
    inside = named / BACKUP_FOLDER
    with _one_at_a_time():
        done = restore_open(app.store, inside if inside.is_dir() else named)
    app.changed("store", "store")
    aside = None if done.aside is None else done.aside.name
    said = f"{done.merged.added} rows and {done.merged.files} files are back."
    if aside is not None:
        said += f" What was here before is kept as {aside}."
    return StoreRestored(said=said, rows=done.merged.added, files=done.merged.files, aside=aside)


@router.post("/verify", response_model=StoreVerified)
def look(app: App) -> Any:
    """Look at every row and every file."""
    with _one_at_a_time():
        found = verify(app.store)
        log(app.store, "verify", rows=found.rows, problems=len(found.problems))
    said = f"{found.rows} rows and {found.files} files looked at: "
    said += (
        "everything is as it was kept."
        if not found.problems
        else (f"{len(found.problems)} problems, the first: {found.problems[0]}. Restore a backup.")
    )
    return StoreVerified(
        said=said,
        rows=found.rows,
        files=found.files,
        unused_files=found.unused_files,
        problems=list(found.problems[:50]),
    )

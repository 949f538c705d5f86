"""Looking after the store: backup, restore, verification. For this computer alone.

Each is background work: the answer comes at once, progress over the events, and what came of it
from the address of the work.
"""

from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, StringConstraints

from ringland.errors import SettingError
from ringland.web.api.shapes import ERRORS
from ringland.web.api.uploads import JobShape
from ringland.web.caring import start_backup, start_restore, start_verify
from ringland.web.context import App

__all__ = ["BACKUP_FOLDER", "router"]

router = APIRouter(prefix="/store", responses=ERRORS, tags=["store"])
BACKUP_FOLDER = "ringland-backup"
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


def _inside(named: Path) -> Path:
    """The backup itself: the folder named, or the one that was made in it."""
    inside = named / BACKUP_FOLDER
    return inside if inside.is_dir() else named


@router.post("/backup", response_model=JobShape, status_code=202)
def make_backup(app: App, given: BackupTo) -> Any:
    """Write a backup, or bring the one in that folder up to date. Stopped, the older one is
    whole."""
    named = _named(given.folder)
    folder = named if named.name == BACKUP_FOLDER else named / BACKUP_FOLDER
    return vars(start_backup(app, folder))


@router.post("/restore", response_model=JobShape, status_code=202)
def restore(app: App, given: RestoreFrom) -> Any:
    """Take a backup in the place of what is here, which is kept aside. Stopped, nothing was
    changed."""
    return vars(start_restore(app, _inside(_named(given.folder))))


@router.post("/verify", response_model=JobShape, status_code=202)
def look(app: App) -> Any:
    """Look at every row and every file; what is not as it was kept is the error of the work."""
    return vars(start_verify(app))

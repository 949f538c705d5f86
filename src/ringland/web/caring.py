"""Backup, restore and verification of the open store as background work with progress."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from ringland.errors import SettingError
from ringland.history.ids import id_from
from ringland.history.safety import back_up, log, may_restore, restore_open, verify
from ringland.history.shelves import changes_of
from ringland.web.context import Context
from ringland.web.jobs import Job

__all__ = ["CARE", "LastBackup", "last_backup", "start_backup", "start_restore", "start_verify"]

CARE = "store-care"
"""What these jobs are about; one at a time."""
_LOOKED_AT = 200
Told = Callable[[float, str], None]


@dataclass(frozen=True)
class LastBackup:
    """The newest backup that the store knows of."""

    folder: str
    utc: str
    rows: int


def last_backup(app: Context) -> LastBackup | None:
    """From the audit log; None when there was none."""
    for line in changes_of(app.store, id_from("store"), limit=_LOOKED_AT):
        if line.action == "backup":
            told = {name: value[1] for name, value in json.loads(line.fields).items()}
            return LastBackup(str(told.get("folder", "")), line.utc, int(told.get("rows") or 0))
    return None


def _start(app: Context, title: str, work: Callable[[Told], str]) -> Job:
    busy = "The store is being looked after already."
    return app.jobs.do_here(title, subject=CARE, work=work, busy=busy)


def _files(told: Told, doing: str, low: float) -> Callable[[str, int, int], None]:
    """Files counted by the store's functions as a fraction above `low` and a sentence."""

    def progress(_: str, done: int, total: int) -> None:
        if total:
            told(low + (0.98 - low) * done / total, f"{doing}: {done} of {total}")
        else:
            told(low, f"{doing}: {done}")

    return progress


def start_backup(app: Context, folder: Path) -> Job:
    """Write a backup into a folder, or bring the one there up to date. Raises SettingError when the
    store is being looked after."""

    def work(told: Told) -> str:
        told(0.0, "Copying the database")
        done = back_up(app.store, folder, progress=_files(told, "Copying originals", 0.1))
        log(app.store, "backup", folder=str(folder), rows=done.rows)
        return f"The backup is written: {done.rows} rows, {done.new_files} new files."

    return _start(app, "Backup", work)


def start_verify(app: Context) -> Job:
    """Look at every row and every file. Raises SettingError when the store is being looked
    after."""

    def work(told: Told) -> str:
        told(0.0, "Looking at every row")
        found = verify(app.store, progress=_files(told, "Looking at originals", 0.05))
        log(app.store, "verify", rows=found.rows, problems=len(found.problems))
        said = f"{found.rows} rows and {found.files} files looked at"
        if not found.problems:
            return f"{said}: everything is as it was kept."
        raise SettingError(
            "The store is not as it was kept.",
            got=f"{len(found.problems)} problems: " + "; ".join(found.problems[:5]),
            remedy="Restore a backup. Recordings that are missing can also be added again.",
        )

    return _start(app, "Verification", work)


def start_restore(app: Context, backup: Path) -> Job:
    """Take a backup in the place of what is here, which is kept aside. Raises SettingError when
    there is none, or the store is being looked after."""
    may_restore(app.store, backup)

    def work(told: Told) -> str:

        def progress(what: str, done: int, total: int) -> None:
            if what == "rows":
                told(0.5 + 0.45 * done / max(total, 1), f"Putting rows back: {done} of {total}")
            elif what == "files" and total:
                told(0.45 * done / total, f"Looking at the backup: file {done} of {total}")
            elif what == "files":
                told(0.48, f"Putting originals back: {done}")
            else:
                told(0.96, "Exchanging the database")

        done = restore_open(app.store, backup, progress=progress)
        app.changed("store", "store")
        said = f"{done.merged.added} rows and {done.merged.files} files are back."
        if done.aside is not None:
            said += f" What was here before is kept as {done.aside.name}."
        return said

    return _start(app, "Restore", work)

"""Backup, restore and verification of a store."""

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import delete, func, select, text

from ringland.errors import SettingError
from ringland.history.files import MissingFile, sha256_of
from ringland.history.ids import id_from, utc_now
from ringland.history.learned import copy_switch
from ringland.history.merge import Merged, merge
from ringland.history.place import DATABASE_NAME
from ringland.history.schema import TABLES, info
from ringland.history.shelves import Act, record
from ringland.history.store import Store, open_store

__all__ = [
    "BackedUp",
    "Restored",
    "Verified",
    "back_up",
    "log",
    "may_restore",
    "restore_backup",
    "restore_open",
    "verify",
]

_WITH_FILES = ("recording", "analysis", "photo", "report_sent")
_WORKING = "restoring"
Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many are done, and of how many (0: not known). What it raises
breaks the work off."""


@dataclass(frozen=True)
class Verified:
    """What was looked at, and what is wrong: empty `problems` means whole."""

    rows: int
    files: int
    unused_files: int
    problems: tuple[str, ...]


@dataclass(frozen=True)
class Restored:
    """What was restored, and where the database that was there before is kept."""

    merged: Merged
    aside: Path | None


@dataclass(frozen=True)
class BackedUp:
    """A backup: how many rows it has, and how many files were new to it."""

    folder: Path
    rows: int
    new_files: int


def verify(store: Store, *, contents: bool = True, progress: Progress | None = None) -> Verified:
    """Look at every row and file. `contents`: hash each file, not only whether it is there."""
    problems: list[str] = []
    with store.reading() as connection:
        if connection.dialect.name == "sqlite":
            for row in connection.execute(text("PRAGMA integrity_check")):
                problems += [] if row[0] == "ok" else [f"database: {row[0]}"]
            for row in connection.execute(text("PRAGMA foreign_key_check")):
                problems.append(f"database: a row of {row[0]} refers to a {row[2]} not there")
        rows = sum(
            connection.scalar(select(func.count()).select_from(t)) or 0 for t in TABLES.values()
        )
    wanted = set(_named_files(store))
    for number, (sha256, what) in enumerate(sorted(wanted)):
        if progress is not None:
            progress("files", number + 1, len(wanted))
        try:
            if contents and sha256_of(store.file(sha256)) != sha256:
                problems.append(f"{what}: the file {sha256[:12]} was altered or is damaged")
            elif not contents and not store.files.has(sha256):
                problems.append(f"{what}: the file {sha256[:12]} is missing")
        except MissingFile:
            problems.append(f"{what}: the file {sha256[:12]} is missing")
    unused = set(store.files.all()) - {sha256 for sha256, _ in wanted}
    return Verified(rows, len({s for s, _ in wanted}), len(unused), tuple(problems))


def _named_files(store: Store) -> Iterator[tuple[str, str]]:
    """(SHA-256, what it is) of every file a row names, deleted rows too."""
    for kind in _WITH_FILES:
        table = TABLES[kind]
        query = select(table.c.sha256).where(table.c.sha256.is_not(None)).distinct()
        with store.reading() as connection:
            for sha256 in connection.scalars(query):
                yield sha256, kind


def back_up(store: Store, folder: Path, *, progress: Progress | None = None) -> BackedUp:
    """Write a backup, itself a store, or bring an older one in that folder up to date.

    The files come first and the database last, in one step: broken off, the older backup is whole.
    Raises SettingError when the folder cannot be written or is the store itself.
    """
    if folder.resolve() == Path(store.url).resolve():
        raise SettingError(
            "A backup must not go where the store is.",
            got=str(folder),
            remedy="Name another folder, best on another disk.",
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if store.database.dialect.name != "sqlite":
            return _back_up_server(store, folder, progress)
        return _back_up_sqlite(store, folder, progress)
    except OSError as error:
        raise SettingError(
            "The backup could not be written.", got=f"{folder}: {error.strerror or error}",
            remedy="Name a folder that can be written to, with room for the originals.",
        ) from error  # fmt: skip


def _back_up_server(store: Store, folder: Path, progress: Progress | None) -> BackedUp:
    with open_store(folder, who=store.who) as target:
        merged = merge(target, store, progress=progress)
        copy_switch(store, target)
        rows = verify(target, contents=False).rows
    return BackedUp(folder, rows, merged.files)


def _back_up_sqlite(store: Store, folder: Path, progress: Progress | None) -> BackedUp:
    fresh = folder / f"{DATABASE_NAME}.new"
    fresh.unlink(missing_ok=True)
    source = Path(store.url) / DATABASE_NAME
    with closing(sqlite3.connect(source)) as one, closing(sqlite3.connect(fresh)) as two:
        one.backup(two)
        two.execute("DELETE FROM info WHERE key = 'files'")  # its own originals are beside it
        two.commit()
        two.execute("PRAGMA journal_mode=DELETE")
    _flush(fresh)
    new = 0
    from ringland.history.files import LocalFiles

    kept = LocalFiles(folder / "originals")
    kept.root.mkdir(exist_ok=True)
    with closing(sqlite3.connect(fresh)) as snapshot:
        names = [
            row[0]
            for kind in _WITH_FILES
            for row in snapshot.execute(
                f"SELECT DISTINCT sha256 FROM {kind} WHERE sha256 IS NOT NULL"  # noqa: S608
            )
        ]
        rows = sum(
            snapshot.execute(f"SELECT count(*) FROM {kind}").fetchone()[0]  # noqa: S608
            for kind in TABLES
        )
    wanted = [s for s in dict.fromkeys(names) if not kept.has(s) and store.files.has(s)]
    for sha256 in wanted:
        if progress is not None:
            progress("files", new, len(wanted))
        kept.put(store.file(sha256))
        new += 1
    _settle_journal(folder / DATABASE_NAME)
    os.replace(fresh, folder / DATABASE_NAME)
    return BackedUp(folder, rows, new)


def _settle_journal(database: Path) -> None:
    """Put what is still in the journal into the database, so that none is left to be mixed up."""
    if database.exists():
        with closing(sqlite3.connect(database)) as connection:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            connection.execute("PRAGMA journal_mode=DELETE")


def _flush(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def restore_backup(
    backup: Path, place: Path | str, *, replace: bool = False, files: str | None = None
) -> Merged:
    """Make a store from a backup. `replace`: one that is there is moved aside, never deleted.

    Raises SettingError when there is no whole backup, or a store is there and `replace` is not
    said.
    """
    with _whole(backup) as source:
        if "://" in str(place):
            return _restore_server(source, str(place), files)
        return _restore_folder(source, Path(place), replace)


def _must_be_backup(folder: Path) -> None:
    if not (folder / DATABASE_NAME).is_file():
        raise SettingError(
            "There is no backup in that folder.", got=str(folder),
            allowed=f"a folder with {DATABASE_NAME} and originals",
        )  # fmt: skip


@contextmanager
def _whole(backup: Path, progress: Progress | None = None) -> Iterator[Store]:
    """The backup in a folder, verified. Raises SettingError."""
    _must_be_backup(backup)
    with open_store(backup) as source:
        found = verify(source, progress=progress)
        if found.problems:
            raise SettingError(
                "The backup is not whole.", got="; ".join(found.problems[:5]),
                remedy="Use another backup. To take what is left of this one: ringland store merge",
            )  # fmt: skip
        yield source


def _is_empty(store: Store) -> bool:
    with store.reading() as connection:
        return not any(connection.execute(select(t.c.id).limit(1)).first() for t in TABLES.values())


def _occupied(place: str) -> SettingError:
    return SettingError(
        "There is a store already.", got=place,
        remedy="Merge the backup into it (ringland store merge), or say --replace: then the old "
        "database is moved aside, not deleted.",
    )  # fmt: skip


def _restore_server(source: Store, place: str, files: str | None) -> Merged:
    with open_store(place, files=files) as target:
        if not _is_empty(target):
            raise _occupied(target.url)
        copy_switch(source, target)
        return merge(target, source)


def _restore_folder(source: Store, folder: Path, replace: bool) -> Merged:
    present = folder / DATABASE_NAME
    if present.exists():
        with open_store(folder) as old:
            empty = _is_empty(old)
        if not empty and not replace:
            raise _occupied(str(folder))
    merged = _made_beside(source, folder)
    _exchange(folder)
    return merged


def _made_beside(source: Store, folder: Path, progress: Progress | None = None) -> Merged:
    """The rows of a backup in a database beside the present one, and its files with the others."""
    working = folder / _WORKING
    _clear(working)  # what a restore that broke off left may be of another backup
    with open_store(working, files=str(folder / "originals")) as target:
        merged = merge(target, source, progress=_of_all(source, progress))
        copy_switch(source, target)
        with target.transaction() as connection:
            connection.execute(delete(info).where(info.c.key == "files"))
    _settle_journal(working / DATABASE_NAME)
    return merged


def _of_all(source: Store, progress: Progress | None) -> Progress | None:
    """The same progress with all rows of the source counted as one whole."""
    if progress is None:
        return None
    told, done = progress, dict.fromkeys(TABLES, 0)
    with source.reading() as connection:
        rows = sum(
            connection.scalar(select(func.count()).select_from(t)) or 0 for t in TABLES.values()
        )

    def counted(what: str, number: int, total: int) -> None:
        if what not in done:
            told(what, number, total)
            return
        done[what] = number
        told("rows", sum(done.values()), rows)

    return counted


def _clear(folder: Path) -> None:
    """Remove a folder of our own making with what is in it."""
    for leftover in sorted(folder.rglob("*"), reverse=True):
        leftover.rmdir() if leftover.is_dir() else leftover.unlink()
    if folder.is_dir():
        folder.rmdir()


def _exchange(folder: Path) -> Path | None:
    """Move the present database aside and take the one made beside it; where the old one is."""
    working, present, aside = folder / _WORKING, folder / DATABASE_NAME, None
    _settle_journal(present)
    if present.exists():
        stamp = utc_now().replace(":", "").replace(".", "")
        aside = folder / f"replaced-{stamp}.sqlite"
        os.replace(present, aside)
    os.replace(working / DATABASE_NAME, present)
    _clear(working)
    return aside


def may_restore(store: Store, backup: Path) -> None:
    """Nothing, when an open store can be restored from this folder by the looks of both. Raises
    SettingError."""
    folder = Path(store.url)
    own = store.database.dialect.name == "sqlite" and store.files.url == str(folder / "originals")
    if not own:
        raise SettingError(
            "This store is not one folder on this computer.", got=store.url,
            remedy="Restore it in a terminal: ringland store restore BACKUP --store PLACE",
        )  # fmt: skip
    if backup.resolve() == folder.resolve():
        raise SettingError("That is the store itself, no backup of it.", got=str(backup))
    _must_be_backup(backup)


def restore_open(store: Store, backup: Path, *, progress: Progress | None = None) -> Restored:
    """Put a backup in the place of a store that is open here; the present database is kept aside.

    Only for a folder with its own originals: raises SettingError for any other, when there is no
    whole backup, and when the store stays in use. Until the exchange nothing is changed, and what
    `progress` raises breaks it off; after it is called with "exchange" nothing can.
    """
    may_restore(store, backup)
    folder = Path(store.url)
    try:
        with _whole(backup, progress) as source:
            merged = _made_beside(source, folder, progress)
        if progress is not None:
            progress("exchange", 0, 0)
        with store.put_away():
            aside = _exchange(folder)
    except OSError as error:
        raise SettingError(
            "The backup could not be put in place.", got=f"{error.strerror or error}",
            remedy="Look whether there is room, and whether another program has the store open.",
        ) from error  # fmt: skip
    log(store, "restore", backup=str(backup), aside="" if aside is None else aside.name)
    return Restored(merged, aside)


def log(store: Store, action: str, **fields: object) -> None:
    """A line in the audit log on the store as a whole."""
    with store.transaction() as connection:
        told = {name: [None, value] for name, value in fields.items()}
        record(Act(connection, store.who, action), "store", id_from("store"), told)

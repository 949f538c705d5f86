"""Opening the workshop's memory: a folder on this machine, or a database by URL.

A store is a database (SQLite in the folder, or PostgreSQL by URL) and a place for content
(`originals` in the folder, or anything fsspec reaches). Opening one brings its tables up to date.
"""

import getpass
import os
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url, select
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError

from ringland.errors import BadInput, SettingError
from ringland.history.files import Files, LocalFiles, files_at
from ringland.history.gate import Gate
from ringland.history.place import DATABASE_NAME, default_folder

if TYPE_CHECKING:
    from sqlite3 import Connection as SqliteConnection

    from sqlalchemy.pool import ConnectionPoolEntry

__all__ = ["ChangedMeanwhile", "NotKept", "Store", "open_store"]

_FILES_KEY = "files"
_PATIENCE_S = 60


class NotKept(BadInput):
    """There is no such row in the store."""


class ChangedMeanwhile(BadInput):
    """Somebody else changed the row since it was read; nothing was written."""


@dataclass(frozen=True)
class Store:
    """An open store. Use it as a context manager; it may be shared between threads.

    `files` is where originals, documents and photos are; `who` is written to the audit log.
    """

    url: str
    database: Engine = field(repr=False)
    files: Files
    who: str
    _current: ContextVar[Connection | None] = field(repr=False)
    _gate: Gate = field(default_factory=Gate, repr=False)

    def __enter__(self) -> "Store":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self.database.dispose()

    @contextmanager
    def put_away(self) -> Iterator[None]:
        """Nobody has the database open inside: it may be exchanged. Afterwards the store goes on
        with what is there then. Raises SettingError when it stays in use."""
        with self._gate.alone():
            self.database.dispose()
            try:
                yield
            finally:
                self.database.dispose()

    def file(self, sha256: str) -> Path:
        """A local path of kept content; do not write to it. Raises MissingFile."""
        return self.files.path(sha256)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one state of the store."""
        current = self._current.get()
        if current is not None:
            yield current
            return
        with self._gate.inside(), _said_plainly(), self.database.connect() as connection:
            yield connection

    @contextmanager
    def transaction(self) -> Iterator[Connection]:
        """All writes inside happen together or not at all.

        May be nested: an error caught outside the inner one undoes the inner one only.
        """
        current = self._current.get()
        if current is not None:
            with current.begin_nested():
                yield current
            return
        with self._gate.inside(), _said_plainly(), self.database.connect() as plain:
            connection = plain.execution_options(ringland_writing=True)
            with connection.begin():
                token = self._current.set(connection)
                try:
                    yield connection
                finally:
                    self._current.reset(token)


def open_store(
    place: Path | str | None = None, *, files: str | None = None, who: str | None = None
) -> Store:
    """Open a store, make it when it is not there, and bring its tables up to date.

    `place`: a folder, or the URL of a database (postgresql://...). Without it the environment's
    RINGLAND_DATA, else this user's data folder. `files`: folder or URL for originals; it is
    remembered by the database, so later openings need not say it. `who`: name for the audit log.
    Raises SettingError when the place cannot be used or was made by a newer Ringland.
    """
    named = str(place) if place is not None else os.environ.get("RINGLAND_DATA", "")
    if "://" in named:
        url, folder = _database_url(named), default_folder()
    else:
        folder = Path(named) if named else default_folder()
        url = URL.create("sqlite", database=str(folder / DATABASE_NAME))
    shown = url.render_as_string(hide_password=True) if "://" in named else str(folder)
    try:
        if url.get_backend_name() == "sqlite":
            folder.mkdir(parents=True, exist_ok=True)
        database = _connectable(url)
        from ringland.history.migrate import bring_up_to_date

        bring_up_to_date(database)
        place_of_files = _agree_on_files(database, files, url, folder)
        kept = files_at(place_of_files, cache=folder / "copies")
        if isinstance(kept, LocalFiles):
            kept.root.mkdir(parents=True, exist_ok=True)
    except (OSError, SQLAlchemyError, NoSuchModuleError, ImportError) as error:
        raise SettingError(
            "The store cannot be opened.",
            got=f"{shown}: {_first_line(error)}",
            remedy="Check that the folder can be written to, or that the database server runs "
            "and its driver is installed (python -m pip install 'ringland[postgresql]').",
        ) from error
    return Store(shown, database, kept, who or _user(), ContextVar("current", default=None))


def _database_url(text: str) -> URL:
    try:
        url = make_url(text)
    except ArgumentError as error:
        raise SettingError("The address of the store cannot be read.", got=str(error)) from error
    if url.drivername in ("postgresql", "postgres"):
        url = url.set(drivername="postgresql+psycopg")
    if url.get_backend_name() != "postgresql":
        raise SettingError(
            "The address of the store names a database Ringland does not use.",
            got=url.get_backend_name(),
            allowed="a folder, or postgresql://user@host/name",
        )
    return url


def _connectable(url: URL) -> Engine:
    if url.get_backend_name() == "postgresql":
        return create_engine(url, pool_pre_ping=True)
    engine = create_engine(url, connect_args={"timeout": _PATIENCE_S})
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(connection: "SqliteConnection", _: "ConnectionPoolEntry") -> None:
    """Readers beside one writer, a commit that is on the disk, and foreign keys that hold."""
    connection.isolation_level = None  # BEGIN is ours, so that changes of tables are undone too
    for setting in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "cache_size=-65536"):
        connection.execute(f"PRAGMA {setting}")


def _begin_sqlite(connection: Connection) -> None:
    """A writer waits for its turn at the start, not in the middle of its work."""
    writing = connection.get_execution_options().get("ringland_writing")
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


def _agree_on_files(database: Engine, given: str | None, url: URL, folder: Path) -> str:
    """Where content is: as given, else as remembered, else the folder's own `originals`."""
    from ringland.history.schema import info

    if url.get_backend_name() == "sqlite" and given is None:
        fallback = str(folder / "originals")  # not remembered: the folder may be moved
    else:
        fallback = given or str(folder / "originals")
    with database.connect() as connection:
        remembered = connection.scalar(select(info.c.value).where(info.c.key == _FILES_KEY))
    if given is None or given == remembered:
        return remembered or fallback
    from sqlalchemy import delete, insert

    with database.connect() as plain:
        connection = plain.execution_options(ringland_writing=True)
        with connection.begin():
            connection.execute(delete(info).where(info.c.key == _FILES_KEY))
            connection.execute(insert(info).values(key=_FILES_KEY, value=given))
    return given


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


def _first_line(error: BaseException) -> str:
    original = error.orig if isinstance(error, DBAPIError) and error.orig else error
    return (str(original).strip() or type(original).__name__).splitlines()[0]


@contextmanager
def _said_plainly() -> Iterator[None]:
    """What a database says, in the house's words."""
    try:
        yield
    except DBAPIError as error:
        said = _first_line(error)
        if "locked" in said or "disk" in said or error.connection_invalidated:
            raise SettingError(
                "The store did not answer; nothing was written.",
                got=said,
                remedy="Check the disk or the server, close other programs that hold the store, "
                "and try again.",
            ) from error
        raise

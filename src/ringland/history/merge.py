"""Two stores become one, without loss and without duplicates.

Rows are told apart by their ids, content by its SHA-256. A row that both sides have and that
differs is settled field by field: the later line in either audit log wins, and both values stay in
the log.
The audit logs are united, so merging the other way gives the same rows, and merging again nothing.
Everything of the database happens in one transaction, after the files it names have been copied.
"""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any, Protocol

from sqlalchemy import Connection, Table, insert, select, update

from ringland.errors import BadInput
from ringland.history.files import sha256_of
from ringland.history.finding import index_everything, index_row
from ringland.history.ids import new_id
from ringland.history.schema import TABLES, audit
from ringland.history.shelves import LOOSE, SHELVES, Act, record, row_from
from ringland.history.store import Store

__all__ = ["Conflict", "Merged", "Source", "StoreSource", "merge", "merge_from", "source_of"]

_BLOCK = 500
_FILES_OF = ("recording", "analysis", "photo", "report_sent")
_NOT_CONTENT = frozenset({"version", "changed_utc", "created_utc"})

Values = dict[str, Any]
Progress = Callable[[str, int, int], None]


class Source(Protocol):
    """Where rows and files come from."""

    def rows(self, kind: str) -> Iterator[Values]:
        """All rows of a table."""

    def changes(self) -> Iterator[Values]:
        """The audit log."""

    def file(self, sha256: str) -> Path:
        """A file by its content. Raises BadInput."""


@dataclass(frozen=True)
class Conflict:
    """A field both sides changed since they parted: what is kept, and what only the log has."""

    kind: str
    row_id: str
    field: str
    kept: object
    dropped: object


@dataclass(frozen=True)
class Merged:
    """What a merge did. `missing` are files the other side names and does not have whole;
    `revived` rows that one side had deleted while the other went on working below them."""

    added: int = 0
    changed: int = 0
    files: int = 0
    conflicts: tuple[Conflict, ...] = ()
    missing: tuple[str, ...] = ()
    revived: tuple[str, ...] = ()


@dataclass
class _Tally:
    added: int = 0
    changed: int = 0
    conflicts: list[Conflict] = field(default_factory=list)
    touched: list[tuple[str, str]] = field(default_factory=list)


@dataclass(frozen=True)
class StoreSource:
    """An open store as a source: one state of it, whatever is written meanwhile."""

    store: Store
    connection: Connection

    def _all(self, table: Table) -> Iterator[Values]:
        found = self.connection.execute(
            select(table).order_by(table.c.id), execution_options={"yield_per": _BLOCK}
        )
        yield from (dict(row) for row in found.mappings())

    def rows(self, kind: str) -> Iterator[Values]:
        """All rows of a table, by id."""
        return self._all(TABLES[kind])

    def changes(self) -> Iterator[Values]:
        """The audit log, by id."""
        return self._all(audit)

    def file(self, sha256: str) -> Path:
        """A file by its content. Raises MissingFile."""
        return self.store.files.path(sha256)


@contextmanager
def source_of(store: Store) -> Iterator[StoreSource]:
    """A store to merge from."""
    with store.database.connect() as plain:
        server = plain.dialect.name == "postgresql"
        one = plain.execution_options(isolation_level="REPEATABLE READ") if server else plain
        yield StoreSource(store, one)


def merge(store: Store, other: Store, *, progress: Progress | None = None) -> Merged:
    """Bring everything of `other` into `store`; `other` is not changed."""
    with source_of(other) as source:
        return merge_from(store, source, progress=progress)


def merge_from(store: Store, source: Source, *, progress: Progress | None = None) -> Merged:
    """Bring everything of a source into `store`. Broken off, it can be done again."""
    copied, missing = _copy_files(store, source, progress)
    tally = _Tally()
    with store.transaction() as connection:
        # the log first: which value is newer is read from both sides' lines together
        logs = _take_changes(connection, source)
        for kind in TABLES:
            count = 0
            for block in _blocks(source.rows(kind)):
                _take_rows(connection, kind, block, logs, tally)
                count += len(block)
                if progress is not None:
                    progress(kind, count, 0)
        if tally.added or tally.changed:
            _index(connection, tally)
            counts = {"added": tally.added, "changed": tally.changed, "files": copied}
            record(Act(connection, store.who, "merge"), "store", new_id(), counts)
        revived = _revive(store, connection)
    return Merged(
        tally.added, tally.changed, copied, tuple(tally.conflicts), tuple(missing), tuple(revived)
    )


def _copy_files(store: Store, source: Source, progress: Progress | None) -> tuple[int, list[str]]:
    copied, missing = 0, []
    for kind in _FILES_OF:
        for row in source.rows(kind):
            sha256 = row["sha256"]
            if not sha256 or store.files.has(sha256):
                continue
            try:
                path = source.file(sha256)
                whole = sha256_of(path) == sha256
            except BadInput:
                whole = False
            if not whole:
                missing.append(sha256)
                continue
            store.files.put(path)
            copied += 1
            if progress is not None:
                progress("files", copied, 0)
    return copied, missing


def _blocks(items: Iterable[Values]) -> Iterator[list[Values]]:
    iterator = iter(items)
    while block := list(islice(iterator, _BLOCK)):
        yield block


@dataclass(frozen=True)
class _Logs:
    """Ids of the audit lines both sides had, and of those only the other had."""

    common: set[str] = field(default_factory=set)
    theirs: set[str] = field(default_factory=set)


def _take_changes(connection: Connection, source: Source) -> _Logs:
    """Unite the audit logs."""
    logs = _Logs()
    for block in _blocks(source.changes()):
        ids = [line["id"] for line in block]
        present = set(connection.scalars(select(audit.c.id).where(audit.c.id.in_(ids))))
        lines = [line for line in block if line["id"] not in present]
        if lines:
            connection.execute(insert(audit), lines)
        logs.common.update(present)
        logs.theirs.update(line["id"] for line in lines)
    return logs


def _take_rows(
    connection: Connection, kind: str, block: list[Values], logs: _Logs, tally: _Tally
) -> None:
    table = TABLES[kind]
    ids = [row["id"] for row in block]
    found = connection.execute(select(table).where(table.c.id.in_(ids))).mappings()
    present = {row["id"]: dict(row) for row in found}
    new = [row for row in block if row["id"] not in present]
    if new:
        connection.execute(insert(table), new)
        tally.added += len(new)
        tally.touched += [(kind, row["id"]) for row in new]
    for row in block:
        ours = present.get(row["id"])
        if ours is not None and ours != row:
            settled = _settle(connection, kind, (ours, row), logs, tally)
            if settled != ours:
                connection.execute(update(table).where(table.c.id == row["id"]).values(settled))
            if any(settled[n] != ours[n] for n in settled if n not in _NOT_CONTENT):
                tally.changed += 1
                tally.touched.append((kind, row["id"]))


def _settle(
    connection: Connection,
    kind: str,
    pair: tuple[Values, Values],
    logs: _Logs,
    tally: _Tally,
) -> Values:
    """The row both sides agree on from now on."""
    ours, other = pair
    settled = dict(ours)
    differing = [n for n in ours if n not in _NOT_CONTENT and ours[n] != other[n]]
    if differing:
        lines = _lines_of(connection, ours["id"])
        for name in differing:
            last_ours = _last(lines, name, lambda i: i not in logs.theirs and i not in logs.common)
            last_theirs = _last(lines, name, lambda i: i in logs.theirs)
            newer_theirs = (last_theirs, other["changed_utc"], json.dumps(other[name])) > (
                last_ours, ours["changed_utc"], json.dumps(ours[name])
            )  # fmt: skip
            settled[name] = other[name] if newer_theirs else ours[name]
            if _NEVER not in (last_ours, last_theirs):
                dropped = ours[name] if newer_theirs else other[name]
                tally.conflicts.append(Conflict(kind, ours["id"], name, settled[name], dropped))
    moved = any(settled[n] != ours[n] for n in differing)
    settled["version"] = max(ours["version"] + moved, other["version"])
    settled["changed_utc"] = max(ours["changed_utc"], other["changed_utc"])
    settled["created_utc"] = min(ours["created_utc"], other["created_utc"])
    return settled


_NEVER = ("", "")


def _lines_of(connection: Connection, row_id: str) -> list[tuple[str, str, Mapping[str, Any]]]:
    query = select(audit.c.utc, audit.c.id, audit.c.fields).where(audit.c.row_id == row_id)
    return [(utc, name, json.loads(text)) for utc, name, text in connection.execute(query)]


def _last(
    lines: list[tuple[str, str, Mapping[str, Any]]], name: str, counts: Callable[[str], bool]
) -> tuple[str, str]:
    """When a field was last changed, by the lines that count."""
    stamps = [(utc, i) for utc, i, fields in lines if name in fields and counts(i)]
    return max(stamps, default=_NEVER)


def _index(connection: Connection, tally: _Tally) -> None:
    if len(tally.touched) > 2000:
        index_everything(connection)
        return
    for kind, row_id in tally.touched:
        table = TABLES[kind]
        row = connection.execute(select(table).where(table.c.id == row_id)).mappings().one()
        index_row(connection, kind, row_from(SHELVES[kind], row))


def _revive(store: Store, connection: Connection) -> list[str]:
    """What one side deleted comes back when the other side added below it."""
    revived: list[str] = []
    for kind, shelf in reversed(SHELVES.items()):
        for name, parent in shelf.parents():
            if (kind, name) in LOOSE:
                continue
            child, above = TABLES[kind].c, TABLES[parent].c
            query = (
                select(above.id)
                .where(child[name] == above.id)
                .where(child.deleted_utc.is_(None), above.deleted_utc.is_not(None))
                .distinct()
            )
            for row_id in connection.scalars(query).all():
                revived += _revive_up(store, parent, row_id)
    return revived


def _revive_up(store: Store, kind: str, row_id: str) -> list[str]:
    shelf = SHELVES[kind]
    row = shelf.get(store, row_id)
    above: list[str] = []
    for name, parent in shelf.parents():
        if (parent_id := getattr(row, name)) is not None:
            above += _revive_up(store, parent, parent_id)
    if shelf.get(store, row_id).deleted_utc is None:
        return above
    shelf.restore(store, row_id)
    return [*above, row_id]

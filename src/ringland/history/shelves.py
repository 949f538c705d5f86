"""Adding, changing, deleting and reading rows: the same six functions for every table.

    vehicle = add_vehicle(store, name="Bus 12", fleet_number="12")
    vehicle = change_vehicle(store, vehicle.id, vehicle.version, plate="MV 12")
    delete_vehicle(store, vehicle.id)      # with its visits; nothing is lost
    restore_vehicle(store, vehicle.id)     # and they are back
    get_vehicle(store, vehicle.id)
    list_vehicles(store, owner_id=owner.id, limit=50)

`add_*` and `change_*` take the fields of the row type by name and raise SettingError for a field or
value that is not allowed, `NotKept` for a parent or row that is not there, `ChangedMeanwhile` when
the version is no longer that one. Every write is one transaction with its line in the audit log.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Generic, TypeVar, cast

from sqlalchemy import Connection, Table, insert, select, update

from ringland.errors import SettingError
from ringland.history import rows
from ringland.history.fields import checked
from ringland.history.ids import new_id, utc_now
from ringland.history.schema import TABLES, audit
from ringland.history.store import ChangedMeanwhile, NotKept, Store

__all__ = ["LOOSE", "SHELVES", "Act", "Shelf", "changes_of", "record", "row_from"]

R = TypeVar("R", bound=rows.Row)
LOOSE = frozenset(
    {("visit", "engine_id"), ("test_result", "analysis_id"), ("outcome", "analysis_id")}
)
"""References that a deletion does not follow."""


@dataclass(frozen=True)
class Act:
    """Who does what, in which transaction."""

    connection: Connection
    who: str
    action: str


@dataclass(frozen=True)
class Shelf(Generic[R]):
    """One table and its row type. `title` is its name in messages; `order` the order of lists."""

    row_type: type[R]
    table: Table
    title: str
    order: tuple[str, ...] = ("id",)

    @property
    def kind(self) -> str:
        """Name of the table."""
        return self.table.name

    def parents(self) -> tuple[tuple[str, str], ...]:
        """(field, table it points to), from the nearest parent up."""
        return tuple(
            (column.name, key.column.table.name)
            for column in self.table.columns
            for key in column.foreign_keys
        )

    def add(self, store: Store, /, **fields: object) -> R:
        """Keep a new row. Raises SettingError, NotKept."""
        return self.add_as(store, new_id(), fields)

    def add_as(self, store: Store, row_id: str, fields: Mapping[str, object]) -> R:
        """Keep a new row under a given id."""
        clean = checked(self.row_type, self.title, fields, whole=True)
        now = utc_now()
        with store.transaction() as connection:
            self._check_parents(connection, clean)
            values = {"id": row_id, "created_utc": now, "changed_utc": now, "version": 1}
            row = self.row_type(**cast(Any, {**values, **clean}))
            connection.execute(insert(self.table).values(as_values(row)))
            given = {k: [None, v] for k, v in plain_values(clean).items() if v not in ("", None)}
            record(Act(connection, store.who, "add"), self.kind, row_id, given)
            _reindex(connection, self, row)
        return row

    def change(self, store: Store, row_id: str, version: int, /, **fields: object) -> R:
        """Change fields of the row as it was read.

        Raises ChangedMeanwhile, NotKept, SettingError.
        """
        clean = checked(self.row_type, self.title, fields, whole=False)
        with store.transaction() as connection:
            old = self._present(connection, row_id)
            if old.version != version:
                raise _stale(self.title, old, version)
            self._check_parents(connection, clean)
            before = plain_values({name: getattr(old, name) for name in clean})
            after = plain_values(clean)
            given = {k: [before[k], v] for k, v in after.items() if before[k] != v}
            if not given:
                return old
            return self._write(Act(connection, store.who, "change"), old, given)

    def delete(self, store: Store, row_id: str, version: int | None = None, /) -> R:
        """Take the row and what hangs on it out of sight. `restore` brings all of it back."""
        with store.transaction() as connection:
            old = self._present(connection, row_id)
            if version is not None and old.version != version:
                raise _stale(self.title, old, version)
            now = utc_now()
            _mark(Act(connection, store.who, "delete"), self, row_id, (None, now))
            return self._present(connection, row_id)

    def restore(self, store: Store, row_id: str, /) -> R:
        """Undo a deletion: the row, and what was deleted together with it."""
        with store.transaction() as connection:
            old = self._present(connection, row_id)
            if old.deleted_utc is not None:
                self._check_parents(connection, as_values(old))
                act = Act(connection, store.who, "restore")
                _mark(act, self, row_id, (old.deleted_utc, None))
            return self._present(connection, row_id)

    def get(self, store: Store, row_id: str, /) -> R:
        """One row, deleted or not. Raises NotKept."""
        with store.reading() as connection:
            return self._present(connection, row_id)

    def all(
        self,
        store: Store,
        /,
        *,
        deleted: bool = False,
        limit: int | None = None,
        offset: int = 0,
        **equals: object,
    ) -> tuple[R, ...]:
        """Rows whose fields equal what is given (a tuple: any of these), in the shelf's order."""
        columns = self.table.columns
        query = select(self.table)
        if not deleted:
            query = query.where(columns["deleted_utc"].is_(None))
        for name, value in equals.items():
            if name not in columns:
                raise SettingError(
                    f"A {self.title} has no field of that name.",
                    got=name,
                    allowed=", ".join(columns.keys()),
                )
            column = columns[name]
            query = query.where(column.in_(value) if isinstance(value, tuple) else column == value)
        query = query.order_by(*(_ordering(columns, word) for word in self.order))
        if limit is not None:
            query = query.limit(limit)
        if offset:
            query = query.offset(offset)
        with store.reading() as connection:
            found = connection.execute(query).mappings().all()
        return tuple(row_from(self, values) for values in found)

    def _present(self, connection: Connection, row_id: str) -> R:
        query = select(self.table).where(self.table.c.id == str(row_id))
        found = connection.execute(query).mappings().first()
        if found is None:
            raise NotKept(
                f"There is no such {self.title}.",
                got=repr(str(row_id)[:80]),
                remedy="It may have been named wrongly, or kept in another store.",
            )
        return row_from(self, found)

    def _check_parents(self, connection: Connection, values: Mapping[str, object]) -> None:
        for name, parent in self.parents():
            if values.get(name) is None:
                continue
            found = SHELVES[parent]._present(connection, str(values[name]))
            if found.deleted_utc is not None:
                raise NotKept(
                    f"The {SHELVES[parent].title} of this {self.title} was deleted.",
                    got=found.id,
                    remedy="Restore it first.",
                )

    def _write(self, act: "Act", old: rows.Row, given: Mapping[str, list[object]]) -> R:
        """New values, a new version and the audit line; nothing when the version moved on."""
        connection = act.connection
        changed: dict[str, object] = {name: pair[1] for name, pair in given.items()}
        changed |= {"version": old.version + 1, "changed_utc": utc_now()}
        done = connection.execute(
            update(self.table)
            .where(self.table.c.id == old.id, self.table.c.version == old.version)
            .values(**changed)
        )
        if done.rowcount != 1:
            raise _stale(self.title, self._present(connection, old.id), old.version)
        record(act, self.kind, old.id, given)
        row = self._present(connection, old.id)
        _reindex(connection, self, row)
        return row


def _ordering(columns: Any, word: str) -> Any:
    name = word.lstrip("-")
    return columns[name].desc() if word.startswith("-") else columns[name]


def _stale(title: str, now: rows.Row, version: int) -> ChangedMeanwhile:
    return ChangedMeanwhile(
        f"The {title} was changed by somebody else since it was read.",
        got=f"version {version}; it is now version {now.version}, changed {now.changed_utc}",
        remedy="Read it again, and make the change on what is there now. Nothing was written.",
    )


def _mark(act: Act, shelf: "Shelf[Any]", row_id: str, stamp: tuple[str | None, str | None]) -> None:
    """Set `deleted_utc` from the first to the second of `stamp`, on the row and below it."""
    old = shelf._present(act.connection, row_id)
    if old.deleted_utc != stamp[0]:
        return  # deleted at another time: stays as it is
    shelf._write(act, old, {"deleted_utc": list(stamp)})
    for child in SHELVES.values():
        for name, parent in child.parents():
            if parent == shelf.kind and (child.kind, name) not in LOOSE:
                below = child.table.c
                query = select(below.id).where(
                    below[name] == row_id,
                    below.deleted_utc.is_(None)
                    if stamp[0] is None
                    else below.deleted_utc == stamp[0],
                )
                for found in act.connection.scalars(query).all():
                    _mark(act, child, found, stamp)


def as_values(row: rows.Row) -> dict[str, object]:
    """The row as plain column values."""
    return plain_values(vars(row))


def plain_values(values: Mapping[str, object]) -> dict[str, object]:
    """Enums as text, as the database and JSON have them."""
    return {k: str(v) if isinstance(v, rows.Purpose) else v for k, v in values.items()}


def row_from(shelf: "Shelf[R]", values: Mapping[Any, Any]) -> R:
    """A row type from a database row."""
    fields = dict(values)
    if shelf.row_type is rows.Visit:
        fields["purpose"] = rows.Purpose(fields["purpose"])
    return shelf.row_type(**fields)


def record(act: Act, kind: str, row_id: str, fields: Mapping[str, object]) -> None:
    """One line in the audit log. Readings are made from an analysis and have none of their own."""
    if kind == "reading_set":
        return
    text = json.dumps(fields, sort_keys=True, separators=(",", ":"))
    act.connection.execute(
        insert(audit).values(
            id=new_id(), utc=utc_now(), who=act.who, action=act.action, kind=kind, row_id=row_id,
            fields=text,
        )
    )  # fmt: skip


def changes_of(
    store: Store, row_id: str | None = None, *, limit: int = 200
) -> tuple[rows.Change, ...]:
    """The audit log, newest first: of one row, or of everything."""
    query = select(audit).order_by(audit.c.utc.desc(), audit.c.id.desc()).limit(limit)
    if row_id is not None:
        query = query.where(audit.c.row_id == row_id)
    with store.reading() as connection:
        return tuple(
            rows.Change(**cast(Any, dict(r))) for r in connection.execute(query).mappings()
        )


def _reindex(connection: Connection, shelf: "Shelf[Any]", row: rows.Row) -> None:
    from ringland.history.finding import index_row

    index_row(connection, shelf.kind, row)


SHELVES: dict[str, Shelf[Any]] = {
    shelf.kind: shelf
    for shelf in (
        Shelf(rows.Owner, TABLES["owner"], "owner", ("name", "id")),
        Shelf(rows.Vehicle, TABLES["vehicle"], "vehicle", ("name", "id")),
        Shelf(rows.Engine, TABLES["engine"], "engine"),
        Shelf(rows.Visit, TABLES["visit"], "visit", ("-visited_on", "-id")),
        Shelf(rows.RecordingRow, TABLES["recording"], "recording"),
        Shelf(rows.AnalysisRow, TABLES["analysis"], "analysis", ("-created_utc", "-id")),
        Shelf(rows.ReadingSet, TABLES["reading_set"], "set of readings"),
        Shelf(rows.TestResult, TABLES["test_result"], "test result"),
        Shelf(rows.Work, TABLES["work"], "work"),
        Shelf(rows.Outcome, TABLES["outcome"], "outcome"),
        Shelf(rows.ReportSent, TABLES["report_sent"], "report sent"),
        Shelf(rows.Note, TABLES["note"], "note"),
        Shelf(rows.Photo, TABLES["photo"], "photo"),
        Shelf(
            rows.CalibrationRow,
            TABLES["calibration"],
            "calibration",
            ("instrument", "input", "what", "-measured_utc", "-id"),
        ),
    )
}
"""Every table a person's rows are in, parents before children."""

"""Finding rows by words: SQLite's FTS5, or text search of PostgreSQL, behind one function."""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, delete, insert, select, text, update

from ringland.history.rows import Row, Vehicle
from ringland.history.schema import TABLES, search_text
from ringland.history.store import Store

__all__ = ["Found", "index_everything", "index_row", "search"]

_WORD = re.compile(r"[^\W_]+")
_MOST_WORDS = 12
_SEARCHED: dict[str, tuple[str, ...]] = {
    "owner": ("name", "contact", "email", "phone", "address", "remark"),
    "vehicle": ("name", "fleet_number", "plate", "vin", "kind", "remark"),
    "engine": ("name", "serial", "engine_type", "remark"),
    "visit": (
        *("visited_on", "purpose", "place", "technician", "fuel", "oil", "weather"),
        *("complaint", "remark"),
    ),
    "recording": ("file_name", "remark"),
    "test_result": ("test", "outcome", "remark"),
    "work": ("code", "text", "parts", "failure_mode"),
    "outcome": ("failure_mode", "how", "text"),
    "report_sent": ("kind", "recipient", "subject"),
    "note": ("text", "written_by"),
    "photo": ("file_name", "caption"),
}
"""Fields people search in; what is not here is not found by words."""


@dataclass(frozen=True)
class Found:
    """One hit: the table and id of the row, its vehicle if it has one, and the words around."""

    kind: str
    row_id: str
    vehicle_id: str | None
    text: str


def search(store: Store, words: str, *, limit: int = 50) -> tuple[Found, ...]:
    """Rows that hold every word given, or its beginning; case and accents do not matter in SQLite.

    Vehicles and owners come first, then the newest. Text without a word finds nothing. The end of
    a vehicle identification number (its last 6 or 4 characters) is a word too.
    """
    wanted = _WORD.findall(words)[:_MOST_WORDS]
    if not wanted or limit < 1:
        return ()
    with store.reading() as connection:
        sqlite = connection.dialect.name == "sqlite"
        ask = _ask_sqlite if sqlite else _ask_postgresql
        first = ask(connection, wanted, limit, first=True)
        rest = (
            ask(connection, wanted, limit - len(first), first=False) if limit > len(first) else []
        )
    return tuple(Found(*row) for row in [*first, *rest])


def _ask_sqlite(
    connection: Connection, words: list[str], limit: int, *, first: bool
) -> list[tuple[str, str, str | None, str]]:
    query = " AND ".join(f'"{word}"*' for word in words)
    kinds = "kind : (vehicle OR owner) AND" if first else ""
    statement = text(
        "SELECT s.kind, s.row_id, s.vehicle_id, s.text FROM search_words w "
        "JOIN search_text s ON s.number = w.rowid "
        "WHERE search_words MATCH :query AND (s.kind IN ('vehicle', 'owner')) = :first "
        "ORDER BY w.rowid DESC LIMIT :limit"
    )
    given = {"query": f"{kinds} text : ({query})", "limit": limit, "first": first}
    found = connection.execute(statement, given)
    return [tuple(row) for row in found]


def _ask_postgresql(
    connection: Connection, words: list[str], limit: int, *, first: bool
) -> list[tuple[str, str, str | None, str]]:
    query = " & ".join(f"'{word}':*" for word in words)
    statement = text(
        "SELECT kind, row_id, vehicle_id, text FROM search_text "
        "WHERE to_tsvector('simple', translate(text, '-_./@:', '      ')) "
        "@@ to_tsquery('simple', :query) "
        "AND (kind IN ('vehicle', 'owner')) = :first "
        "ORDER BY number DESC LIMIT :limit"
    )
    found = connection.execute(statement, {"query": query, "limit": limit, "first": first})
    return [tuple(row) for row in found]


def index_row(connection: Connection, kind: str, row: Row) -> None:
    """Put the words of a row into the index, or take them out when it is deleted."""
    if kind not in _SEARCHED:
        return
    if row.deleted_utc is not None:
        connection.execute(delete(search_text).where(search_text.c.row_id == row.id))
        return
    entry = _entry(connection, kind, vars(row), _labels(connection))
    present = connection.scalar(select(search_text.c.text).where(search_text.c.row_id == row.id))
    if present is None:
        connection.execute(insert(search_text).values(**entry))
    elif present != entry["text"]:
        connection.execute(
            update(search_text).where(search_text.c.row_id == row.id).values(**entry)
        )
        if isinstance(row, Vehicle):
            _index_below(connection, row.id)


def _index_below(connection: Connection, vehicle_id: str) -> None:
    """A vehicle was renamed: its visits and the rest are found by the new name."""
    query = select(search_text.c.kind, search_text.c.row_id).where(
        search_text.c.vehicle_id == vehicle_id, search_text.c.kind != "vehicle"
    )
    labels = _labels(connection)
    for kind, row_id in connection.execute(query).all():
        table = TABLES[kind]
        row = connection.execute(select(table).where(table.c.id == row_id)).mappings().one()
        entry = _entry(connection, kind, row, labels)
        connection.execute(
            update(search_text).where(search_text.c.row_id == row_id).values(**entry)
        )


def index_everything(connection: Connection) -> int:
    """Make the index anew from the rows; how many rows are in it."""
    connection.execute(delete(search_text))
    labels, count = _labels(connection), 0
    for kind in _SEARCHED:
        table = TABLES[kind]
        query = select(table).where(table.c.deleted_utc.is_(None)).order_by(table.c.id)
        found = connection.execution_options(yield_per=1000).execute(query).mappings()
        for block in found.partitions(1000):
            entries = [_entry(connection, kind, row, labels) for row in block]
            connection.execute(insert(search_text), entries)
            count += len(entries)
    return count


Labels = Callable[[str], str]


def _labels(connection: Connection) -> Labels:
    """Vehicle id -> the words it is known by, remembered while one job lasts."""
    seen: dict[str, str] = {}
    vehicle = TABLES["vehicle"].c
    names = (vehicle.name, vehicle.fleet_number, vehicle.plate)

    def label(vehicle_id: str) -> str:
        if vehicle_id not in seen:
            found = connection.execute(select(*names).where(vehicle.id == vehicle_id)).first()
            if len(seen) > 10_000:
                seen.clear()
            seen[vehicle_id] = " ".join(filter(None, found or ()))
        return seen[vehicle_id]

    return label


def _entry(connection: Connection, kind: str, row: Any, labels: Labels) -> dict[str, object]:
    """The line of the index for one row (a mapping of its columns)."""
    words = [str(row[name]) for name in _SEARCHED[kind] if row[name]]
    vehicle_id = row["id"] if kind == "vehicle" else _vehicle_of(connection, row)
    if kind == "vehicle":
        words += _tails(row["vin"])
    elif vehicle_id is not None:
        words.append(labels(vehicle_id))
    return {"row_id": row["id"], "kind": kind, "vehicle_id": vehicle_id, "text": " · ".join(words)}


def _vehicle_of(connection: Connection, row: Any) -> str | None:
    if "vehicle_id" in row:
        return str(row["vehicle_id"])
    if "visit_id" in row:
        visit = TABLES["visit"].c
        return connection.scalar(select(visit.vehicle_id).where(visit.id == row["visit_id"]))
    return None


def _tails(vin: str) -> Iterable[str]:
    compact = "".join(_WORD.findall(vin))
    return (compact[-6:], compact[-4:]) if len(compact) == 17 else ()

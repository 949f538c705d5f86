"""Putting right: vehicles kept twice become one, and a change is taken back."""

import json
from collections import defaultdict

from sqlalchemy import select

from ringland.errors import SettingError
from ringland.history.ids import is_id
from ringland.history.rows import Row, Vehicle
from ringland.history.schema import TABLES, audit
from ringland.history.shelves import SHELVES, Act
from ringland.history.store import ChangedMeanwhile, NotKept, Store

__all__ = ["alike", "join_vehicles", "undo"]

_BELOW = ("engine", "visit", "note", "photo")


def alike(store: Store) -> tuple[tuple[str, str, str], ...]:
    """Pairs of vehicles that may be one and the same: (id, id, why). Only a hint."""
    vehicle = TABLES["vehicle"].c
    query = select(vehicle.id, vehicle.owner_id, vehicle.name, vehicle.plate, vehicle.vin).where(
        vehicle.deleted_utc.is_(None)
    )
    groups: dict[tuple[str, ...], list[str]] = defaultdict(list)
    with store.reading() as connection:
        for row in connection.execute(query.order_by(vehicle.id)):
            vin = row.vin.upper().replace(" ", "")
            if len(vin) == 17:
                groups["the same VIN", vin].append(row.id)
            if row.plate:
                groups["the same plate", row.plate.upper().replace(" ", "")].append(row.id)
            groups["the same name", row.name.casefold()].append(row.id)
    found: dict[tuple[str, str], str] = {}
    for (why, *_), ids in groups.items():
        for other in ids[1:]:
            found.setdefault((ids[0], other), why)
    return tuple((one, two, why) for (one, two), why in found.items())


def join_vehicles(store: Store, keep_id: str, other_id: str) -> Vehicle:
    """Move everything of `other_id` to `keep_id`, fill what is empty there, and delete the other.

    Raises SettingError when both are the same, NotKept when one is not there.
    """
    shelf = SHELVES["vehicle"]
    with store.transaction():
        kept, other = shelf.get(store, keep_id), shelf.get(store, other_id)
        if kept.id == other.id:
            raise SettingError("A vehicle cannot be joined with itself.", got=kept.name)
        for kind in _BELOW:
            below = SHELVES[kind]
            for row in below.all(store, vehicle_id=other.id, deleted=True):
                below.change(store, row.id, row.version, vehicle_id=kept.id)
        names = ("owner_id", "fleet_number", "plate", "vin", "kind", "remark", "service_due_on")
        missing = {n: getattr(other, n) for n in names if not getattr(kept, n)}
        shelf.delete(store, other.id)
        joined: Vehicle = shelf.change(store, kept.id, kept.version, **missing)
        return joined


def undo(store: Store, change_id: str) -> Row:
    """Take back one line of the audit log: a change of fields, an addition or a deletion.

    Raises NotKept when there is no such line, ChangedMeanwhile when a field it set was changed
    since, SettingError for a line that cannot be taken back.
    """
    with store.transaction() as connection:
        query = select(audit).where(audit.c.id == change_id)
        line = connection.execute(query).mappings().first() if is_id(change_id) else None
        if line is None:
            raise NotKept("There is no such line in the log.", got=repr(change_id)[:80])
        shelf = SHELVES.get(line["kind"])
        if shelf is None:
            raise SettingError("This line of the log cannot be taken back.", got=line["action"])
        row: Row = shelf.get(store, line["row_id"])
        if line["action"] == "add":
            return shelf.delete(store, row.id)  # type: ignore[no-any-return]
        if line["action"] == "delete":
            return shelf.restore(store, row.id)  # type: ignore[no-any-return]
        if line["action"] == "restore":
            return shelf.delete(store, row.id)  # type: ignore[no-any-return]
        fields = json.loads(line["fields"])
        since = [name for name, pair in fields.items() if _plain(getattr(row, name)) != pair[1]]
        if since:
            raise ChangedMeanwhile(
                "It was changed again since, so this cannot be taken back.", got=", ".join(since)
            )
        back = {name: [pair[1], pair[0]] for name, pair in fields.items()}
        return shelf._write(Act(connection, store.who, "undo"), row, back)  # type: ignore[no-any-return]


def _plain(value: object) -> object:
    return str(value) if isinstance(value, str) else value

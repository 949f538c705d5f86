"""One vehicle as one file: a zip with `vehicle.json` and the originals, both ways.

What comes in is not trusted: names, sizes, hashes, every field and every reference are checked
before anything is kept.
"""

import json
import os
import secrets
import tempfile
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, BinaryIO, cast

from sqlalchemy import Connection, select

from ringland.errors import BadInput, FileFormatError, SettingError
from ringland.history.fields import checked
from ringland.history.files import LocalFiles
from ringland.history.ids import is_id
from ringland.history.merge import Merged, Values, merge_from
from ringland.history.schema import TABLES, audit
from ringland.history.shelves import SHELVES, plain_values
from ringland.history.store import Store

__all__ = ["SCHEMA", "export_vehicle", "import_vehicle"]

SCHEMA = "ringland.vehicle/1"
LARGEST_TEXT = 500_000_000
MOST_ENTRIES = 100_000
MOST_RATIO = 100
"""Pulses are noisy and shrink little, text 20 times; a file made to fill a disk, 1000 times."""
HARMLESS = 200_000_000
"""Bytes that may come out whatever the ratio: a flat line shrinks well too."""
_WHEN = (1980, 1, 1, 0, 0, 0)
_NAME = "vehicle.json"
_KINDS = tuple(kind for kind, shelf in SHELVES.items() if kind == "owner" or shelf.parents())
"""What hangs on a vehicle; instruments do not, and a stranger's file says nothing of them."""
_GOVERNED = ("id", "created_utc", "changed_utc", "version", "deleted_utc")


def export_vehicle(store: Store, vehicle_id: str, path: Path) -> Path:
    """Write the vehicle, all that hangs on it, its owner, its log and its files into one zip.

    Raises NotKept for no such vehicle, MissingFile for an original that is not there, SettingError
    when the file cannot be written. The file appears whole or not at all.
    """
    SHELVES["vehicle"].get(store, vehicle_id)
    with store.reading() as connection:
        rows = _rows_of(connection, vehicle_id)
        ids = [row["id"] for several in rows.values() for row in several]
        changes = _changes_of(connection, ids)
    content = {"schema": SCHEMA, "rows": rows, "changes": changes}
    names = sorted(
        {row["sha256"] for several in rows.values() for row in several if row.get("sha256")}
    )
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(6)}")
    try:
        with zipfile.ZipFile(temporary, "x", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr(zipfile.ZipInfo(_NAME, _WHEN), json.dumps(content, sort_keys=True),
                             zipfile.ZIP_DEFLATED)  # fmt: skip
            for name in names:
                entry = zipfile.ZipInfo(f"files/{name}", _WHEN)
                entry.compress_type = zipfile.ZIP_DEFLATED
                with store.file(name).open("rb") as source, archive.open(entry, "w") as target:
                    while piece := source.read(1 << 20):
                        target.write(piece)
        os.replace(temporary, path)
    except OSError as error:
        raise SettingError(
            "The vehicle file could not be written.", got=f"{path}: {error.strerror or error}",
            remedy="Name a file in a folder that exists and can be written to.",
        ) from error  # fmt: skip
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
    return path


def _rows_of(connection: Connection, vehicle_id: str) -> dict[str, list[Values]]:
    """Every row of the vehicle, by table, parents before children."""
    rows: dict[str, list[Values]] = {"owner": []}
    ids: dict[str, set[str]] = {}
    for kind in _KINDS:
        if kind == "owner":
            continue
        table = TABLES[kind]
        name, parent = SHELVES[kind].parents()[0]
        if kind == "vehicle":
            where = table.c.id == vehicle_id
            found = [dict(r) for r in connection.execute(select(table).where(where)).mappings()]
        else:
            found = _children(connection, kind, name, ids.get(parent, set()))
        rows[kind] = found
        ids[kind] = {row["id"] for row in found}
    owner_id = rows["vehicle"][0]["owner_id"]
    if owner_id is not None:
        owner = TABLES["owner"]
        whose = connection.execute(select(owner).where(owner.c.id == owner_id)).mappings()
        rows["owner"] = [dict(row) for row in whose]
    return rows


def _children(connection: Connection, kind: str, name: str, parents: set[str]) -> list[Values]:
    table, ordered = TABLES[kind], sorted(parents)
    found: list[Values] = []
    for start in range(0, len(ordered), 500):
        query = select(table).where(table.c[name].in_(ordered[start : start + 500]))
        found += [dict(row) for row in connection.execute(query.order_by(table.c.id)).mappings()]
    return found


def _changes_of(connection: Connection, ids: list[str]) -> list[Values]:
    changes: list[Values] = []
    for start in range(0, len(ids), 500):
        query = select(audit).where(audit.c.row_id.in_(ids[start : start + 500]))
        changes += [dict(row) for row in connection.execute(query).mappings()]
    return sorted(changes, key=lambda line: str(line["id"]))


def import_vehicle(store: Store, path: Path) -> Merged:
    """Bring a vehicle file into the store, as a merge would. Raises FileFormatError."""
    with tempfile.TemporaryDirectory(prefix="ringland-") as folder:
        try:
            with zipfile.ZipFile(path) as archive:
                source = _opened(archive, LocalFiles(Path(folder)))
        except (OSError, zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError) as error:
            raise _refused(path.name, f"it cannot be read: {error}") from error
        except (ValueError, KeyError, TypeError, RecursionError) as error:
            raise _refused(path.name, f"its content is not as it should be: {error}") from error
        except BadInput as error:
            raise _refused(path.name, error.text().replace("\n", " ")) from error
        _check_references(store, source, path.name)
        return merge_from(store, source)


def _refused(name: str, why: str) -> FileFormatError:
    return FileFormatError(
        f"The file '{name}' is not a vehicle file that can be taken in.",
        got=why[:300],
        allowed=f"a file that `ringland vehicle export` wrote ({SCHEMA})",
        remedy="Export it again. Nothing was kept.",
    )


@dataclass(frozen=True)
class _BundleSource:
    """The checked content of a vehicle file."""

    by_kind: Mapping[str, list[Values]] = field(repr=False)
    log: list[Values] = field(repr=False)
    files: LocalFiles

    def rows(self, kind: str) -> Iterator[Values]:
        yield from self.by_kind.get(kind, ())

    def changes(self) -> Iterator[Values]:
        yield from self.log

    def file(self, sha256: str) -> Path:
        return self.files.path(sha256)


def _opened(archive: zipfile.ZipFile, files: LocalFiles) -> _BundleSource:
    """Check and unpack. Raises ValueError, KeyError, TypeError or BadInput for what is wrong."""
    entries = archive.infolist()
    if len(entries) > MOST_ENTRIES:
        raise ValueError(f"{len(entries)} entries")
    packed = sum(entry.compress_size for entry in entries)
    if sum(entry.file_size for entry in entries) > max(MOST_RATIO * packed, HARMLESS):
        raise ValueError(f"it would unpack to more than {MOST_RATIO} times its size")
    by_name: dict[str, zipfile.ZipInfo] = {}
    for entry in entries:
        if entry.filename in by_name:
            raise ValueError(f"{entry.filename!r} is in it twice")
        by_name[entry.filename] = entry
    text = by_name.pop(_NAME)
    if text.file_size > LARGEST_TEXT:
        raise ValueError(f"{_NAME} is too large")
    for name, entry in by_name.items():
        with archive.open(entry) as stream:
            # the stated size may lie: what is read is counted
            got, _ = files.put_stream(cast(BinaryIO, stream), limit=entry.file_size)
        if name != f"files/{got}":
            raise ValueError(f"{name!r} does not hold what its name says")
    with archive.open(text) as stream:
        raw = stream.read(LARGEST_TEXT + 1)
    content = json.loads(raw)
    if content["schema"] != SCHEMA:
        raise ValueError(f"schema {content['schema']!r}")
    rows = {kind: [_row(kind, row) for row in content["rows"].get(kind, ())] for kind in SHELVES}
    for kind in content["rows"]:
        if kind not in _KINDS:
            raise ValueError(f"rows of an unknown kind {kind!r}")
    return _BundleSource(rows, [_change(line) for line in content["changes"]], files)


def _row(kind: str, given: Mapping[str, Any]) -> Values:
    shelf = SHELVES[kind]
    body = {name: value for name, value in given.items() if name not in _GOVERNED}
    clean = plain_values(checked(shelf.row_type, shelf.title, body, whole=True))
    version = given["version"]
    if not is_id(given["id"]) or type(version) is not int or not 0 < version < 2**31:
        raise ValueError(f"id or version of a {shelf.title}")
    times = {name: _time(given[name]) for name in ("created_utc", "changed_utc")}
    deleted = None if given["deleted_utc"] is None else _time(given["deleted_utc"])
    defaults = {
        c.name: (None if c.nullable else "") for c in shelf.table.columns if c.name not in clean
    }
    governed = {"id": given["id"], "version": version, "deleted_utc": deleted, **times}
    return {**defaults, **clean, **governed}


def _time(text: object) -> str:
    if not isinstance(text, str) or len(text) != 27:
        raise ValueError(f"time {text!r}")
    when = datetime.strptime(text, "%Y-%m-%dT%H:%M:%S.%fZ").replace(tzinfo=UTC)
    if when > datetime.now(UTC) + timedelta(days=1):
        raise ValueError(f"a time in the future, {text}: a clock is wrong")
    return text


def _change(given: Mapping[str, Any]) -> Values:
    line = {name: given[name] for name in audit.columns.keys()}  # noqa: SIM118 - columns are no dict
    words = all(isinstance(value, str) and "\x00" not in value for value in line.values())
    if not (words and is_id(line["id"]) and is_id(line["row_id"])):
        raise ValueError("a line of the audit log")
    _time(line["utc"])
    if not isinstance(json.loads(line["fields"]), dict):
        raise ValueError("a line of the audit log")
    return line


def _check_references(store: Store, source: _BundleSource, name: str) -> None:
    """Every parent is in the file or in the store already."""
    inside = {kind: {row["id"] for row in several} for kind, several in source.by_kind.items()}
    with store.reading() as connection:
        for kind, several in source.by_kind.items():
            for field_name, parent in SHELVES[kind].parents():
                wanted = {row[field_name] for row in several if row[field_name] is not None}
                for row_id in wanted - inside[parent]:
                    table = TABLES[parent]
                    if connection.scalar(select(table.c.id).where(table.c.id == row_id)) is None:
                        raise _refused(name, f"a {kind} refers to a {parent} that is not there")

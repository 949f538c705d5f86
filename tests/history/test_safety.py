"""Backup, restore, verification, merging, one vehicle as a file, tables as files."""

import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Literal

import pytest

from ringland.errors import FileFormatError, SettingError
from ringland.history import (
    Store,
    add_note,
    add_owner,
    add_vehicle,
    add_visit,
    change_owner,
    change_vehicle,
    changes_of,
    delete_vehicle,
    get_vehicle,
    keep_recording,
    list_owners,
    list_recordings,
    list_vehicles,
    list_visits,
    open_store,
    search,
)
from ringland.history.bundle import export_vehicle, import_vehicle
from ringland.history.merge import merge
from ringland.history.safety import back_up, restore_backup, restore_open, verify
from ringland.history.schema import TABLES
from ringland.history.shelves import SHELVES
from ringland.history.tables import export_tables
from ringland.history.vin import check_vin

both = pytest.mark.parametrize("address", ["sqlite", "postgresql"], indirect=True)


def filled(store: Store, tmp_path: Path, name: str = "Bus 12") -> str:
    """A vehicle with two visits, a recording and a note; its id."""
    file = tmp_path / f"{name}.csv"
    file.write_text(f"time,exhaust\n0,1\n# {name}\n")
    owner = add_owner(store, name="Marrow Valley Transit")
    bus = add_vehicle(store, owner_id=owner.id, name=name)
    one = add_visit(store, vehicle_id=bus.id, visited_on="2026-03-09", purpose="before")
    add_visit(store, vehicle_id=bus.id, visited_on="2026-03-10", purpose="after")
    keep_recording(store, one.id, file)
    add_note(store, vehicle_id=bus.id, text="=1+1 dipstick tube is loose")
    return bus.id


def content(store: Store) -> dict[str, list[dict[str, object]]]:
    """All rows but for what a merge may raise."""
    return {
        kind: sorted(
            (
                {k: v for k, v in vars(row).items() if k not in ("version", "changed_utc")}
                for row in shelf.all(store, deleted=True)
            ),
            key=lambda row: str(row["id"]),
        )
        for kind, shelf in SHELVES.items()
    }


# 49 CFR 565.15(c) sample, NHTSA new-manufacturer outline sample, and two from memory, recomputed
@pytest.mark.parametrize(
    ("vin", "digit", "agrees"),
    [
        ("1G4AH59H45G118341", "4", True),
        ("1J9RP1A36A1644345", "6", True),
        ("1M8GDM9AXKP042788", "X", True),
        ("11111111111111111", "1", True),
        ("1g4ah59h55g118341", "4", False),
    ],
)
def test_vin_check_digit(vin: str, digit: str, agrees: bool) -> None:
    found = check_vin(vin)
    assert (found.digit, found.agrees) == (digit, agrees)


def test_vin_is_only_ever_a_warning(store: Store) -> None:
    assert check_vin("").agrees
    assert "17 characters" in check_vin("MV12").warning
    assert "no I, O, Q" in check_vin("IOQ").warning
    assert add_vehicle(store, name="Bus 12", vin="not a vin ☃").vin == "not a vin ☃"


@both
def test_backup_and_restore_bring_everything(store: Store, tmp_path: Path) -> None:
    filled(store, tmp_path)
    done = back_up(store, tmp_path / "backup")
    assert done.new_files == 1
    add_vehicle(store, name="Van 21")
    assert back_up(store, tmp_path / "backup").new_files == 0
    restore_backup(tmp_path / "backup", tmp_path / "again")
    with open_store(tmp_path / "again") as again:
        assert content(again) == content(store)
        assert verify(again).problems == ()
        assert len(changes_of(again)) >= len(changes_of(store))
        assert search(again, "dipstick")
        with pytest.raises(SettingError, match="There is a store already"):
            restore_backup(tmp_path / "backup", tmp_path / "again")
        add_vehicle(again, name="Made after the backup")
    restore_backup(tmp_path / "backup", tmp_path / "again", replace=True)
    with open_store(tmp_path / "again") as again:
        assert content(again) == content(store)
    assert len(list((tmp_path / "again").glob("replaced-*.sqlite"))) == 1
    assert not (tmp_path / "again" / "restoring").exists()


def test_a_restore_that_breaks_off_leaves_nothing_behind(store: Store, tmp_path: Path) -> None:
    """Broken off at every step that is told, the store is as it was; and the rows of one backup do
    not get into the restore of another."""
    filled(store, tmp_path)
    back_up(store, tmp_path / "one")
    (bus,) = list_vehicles(store)
    delete_vehicle(store, bus.id, bus.version)
    add_vehicle(store, name="Van 21")
    with open_store(tmp_path / "other") as other:
        filled(other, tmp_path, "Truck 3")
    back_up(store, tmp_path / "two")
    told: list[tuple[str, int, int]] = []
    restore_open(store, tmp_path / "one", progress=lambda *at: told.append(at))
    assert ("files", 1, 1) in told  # looked at
    rows = [at for at in told if at[0] == "rows"]
    assert rows[-1][1] == rows[-1][2] > 4
    assert told[-1][0] == "exchange"

    class Enough(Exception):
        """Raised to break off."""

    for count in range(len(told)):
        left = [count]

        def stop(*_: object, left: list[int] = left) -> None:
            left[0] -= 1
            if left[0] < 0:
                raise Enough

        with pytest.raises(Enough):
            restore_open(store, tmp_path / "other", progress=stop)
        assert [v.name for v in list_vehicles(store)] == ["Bus 12"]
    restore_open(store, tmp_path / "two")
    assert [v.name for v in list_vehicles(store)] == ["Van 21"]
    assert verify(store).problems == ()


def test_backup_over_itself_is_refused(store: Store) -> None:
    with pytest.raises(SettingError, match="must not go where the store is"):
        back_up(store, Path(store.url))


@both
def test_verification_finds_a_missing_and_an_altered_original(store: Store, tmp_path: Path) -> None:
    filled(store, tmp_path)
    assert verify(store).problems == ()
    path = store.file(list_recordings(store)[0].sha256)
    path.chmod(0o644)
    path.write_text("altered")
    assert "altered or is damaged" in verify(store).problems[0]
    path.unlink()
    assert "missing" in verify(store, contents=False).problems[0]


def two_laptops(store: Store, tmp_path: Path) -> Store:
    """The same store on a second laptop."""
    back_up(store, tmp_path / "second")
    return open_store(tmp_path / "second", who="second")


@both
def test_two_laptops_merge_without_loss_or_duplicates(store: Store, tmp_path: Path) -> None:
    bus_id = filled(store, tmp_path)
    with two_laptops(store, tmp_path) as second:
        change_vehicle(store, bus_id, 1, plate="MV 12")
        change_vehicle(second, bus_id, 1, fleet_number="12")
        owner = list_owners(store)[0]
        change_owner(store, owner.id, 1, phone="111")
        change_owner(second, owner.id, 1, phone="222")
        filled(store, tmp_path, "Van 21")
        filled(second, tmp_path, "Minibus 7")
        done = merge(store, second)
        assert [(c.field, c.kept, c.dropped) for c in done.conflicts] == [("phone", "222", "111")]
        assert done.missing == done.revived == ()
        bus = get_vehicle(store, bus_id)
        assert (bus.plate, bus.fleet_number) == ("MV 12", "12")
        assert [v.name for v in list_vehicles(store)] == ["Bus 12", "Minibus 7", "Van 21"]
        assert len(list_recordings(store)) == 3
        assert search(store, "minibus")
        phones = [json.loads(c.fields).get("phone") for c in changes_of(store, owner.id)]
        assert ["", "111"] in phones and ["", "222"] in phones, "both stay in the log"
        again = merge(store, second)
        assert (again.added, again.changed, again.files) == (0, 0, 0)
        merge(second, store)
        assert content(second) == content(store), "the other way gives the same"
        assert verify(second).problems == verify(store).problems == ()


def test_merging_after_a_deletion_loses_nothing(store: Store, tmp_path: Path) -> None:
    bus_id = filled(store, tmp_path)
    with two_laptops(store, tmp_path) as second:
        delete_vehicle(store, bus_id)
        assert merge(store, second).revived == (), "a deletion is a change like any other"
        assert list_vehicles(store) == ()
        add_visit(second, vehicle_id=bus_id, visited_on="2026-05-05", purpose="follow-up")
        assert merge(store, second).revived == (bus_id,)
        assert len(list_visits(store)) == 3


@both
def test_one_vehicle_as_one_file(store: Store, tmp_path: Path) -> None:
    bus_id = filled(store, tmp_path)
    filled(store, tmp_path, "Van 21")
    file = export_vehicle(store, bus_id, tmp_path / "bus.zip")
    with open_store(tmp_path / "other") as other:
        import_vehicle(other, file)
        assert [v.name for v in list_vehicles(other)] == ["Bus 12"]
        assert len(list_visits(other)) == 2 and len(list_recordings(other)) == 1
        assert verify(other).problems == ()
        assert import_vehicle(other, file).added == 0
        bus = get_vehicle(other, bus_id)
        change_vehicle(other, bus_id, bus.version, plate="MV 99")
        back = export_vehicle(other, bus_id, tmp_path / "back.zip")
    assert import_vehicle(store, back).changed == 1
    assert get_vehicle(store, bus_id).plate == "MV 99"
    assert len(list_vehicles(store)) == 2


def rewrite(file: Path, change: Callable[[dict[str, bytes]], None]) -> Path:
    """The same archive with its entries changed."""
    with zipfile.ZipFile(file) as archive:
        entries = {name: archive.read(name) for name in archive.namelist()}
    change(entries)
    damaged = file.with_name("damaged.zip")
    with zipfile.ZipFile(damaged, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in entries.items():
            archive.writestr(name, data)
    return damaged


def edited(change: Callable[[dict[str, object]], None]) -> Callable[[dict[str, bytes]], None]:
    """A change of the content of vehicle.json."""

    def act(entries: dict[str, bytes]) -> None:
        content = json.loads(entries["vehicle.json"])
        change(content)
        entries["vehicle.json"] = json.dumps(content).encode()

    return act


def set_first(kind: str, **values: object) -> Callable[[dict[str, bytes]], None]:
    """A change of the first row of a table."""
    return edited(lambda content: content["rows"][kind][0].update(values))  # type: ignore[index]


BAD = {
    "path": lambda e: e.update({"../../evil": b"x"}),
    "wrong content": lambda e: e.update({"files/" + "0" * 64: b"x"}),
    "no json": lambda e: e.update({"vehicle.json": b"{"}),
    "deep json": lambda e: e.update({"vehicle.json": b"[" * 200_000}),
    "schema": edited(lambda c: c.update(schema="something/9")),
    "kind": edited(lambda c: c["rows"].update(users=[])),  # type: ignore[attr-defined]
    "id": set_first("vehicle", id="1; DROP TABLE vehicle"),
    "future": set_first("vehicle", changed_utc="2999-01-01T00:00:00.000000Z"),
    "type": set_first("visit", odometer_km="far"),
    "field": set_first("visit", colour="red"),
    "parent": set_first("visit", vehicle_id="00000000-0000-7000-8000-000000000000"),
    "version": set_first("visit", version=True),
    "bomb": lambda e: e.update({"files/" + "1" * 64: bytes(250_000_000)}),
}


@pytest.mark.parametrize("how", BAD)
def test_a_bad_vehicle_file_is_refused_whole(store: Store, tmp_path: Path, how: str) -> None:
    bus_id = filled(store, tmp_path)
    file = rewrite(export_vehicle(store, bus_id, tmp_path / "bus.zip"), BAD[how])
    with open_store(tmp_path / "other") as other:
        with pytest.raises(FileFormatError, match="Nothing was kept"):
            import_vehicle(other, file)
        assert list_vehicles(other) == ()
    assert not (tmp_path.parent / "evil").exists()


def test_files_that_are_no_vehicle_files(store: Store, tmp_path: Path) -> None:
    text = tmp_path / "a.zip"
    text.write_text("no zip")
    for path in (text, tmp_path, tmp_path / "none.zip"):
        with pytest.raises(FileFormatError):
            import_vehicle(store, path)


@both
def test_tables_as_files(store: Store, tmp_path: Path) -> None:
    import polars as pl

    filled(store, tmp_path)
    forms: tuple[Literal["csv", "parquet"], ...] = ("csv", "parquet")
    for form in forms:
        paths = export_tables(store, tmp_path / form, form=form)
        assert {p.stem for p in paths} == {*TABLES, "audit"}
    visits = pl.read_parquet(tmp_path / "parquet" / "visit.parquet")
    assert visits["purpose"].to_list() == ["before", "after"]
    notes = pl.read_csv(tmp_path / "csv" / "note.csv")
    assert notes["text"][0].startswith("'=1+1"), "no formula for a spreadsheet"


def test_originals_at_a_url(tmp_path: Path) -> None:
    address = f"memory://{tmp_path.name}"
    with open_store(tmp_path / "store", files=address) as store:
        filled(store, tmp_path)
        assert verify(store).problems == ()
    with open_store(tmp_path / "store") as store:
        assert store.files.url == address, "the database remembers where they are"
        row = list_recordings(store)[0]
        copy = store.file(row.sha256)
        copy.unlink()  # the copy of this machine
        assert store.file(row.sha256).read_text().startswith("time,exhaust")
        back_up(store, tmp_path / "backup")
    with open_store(tmp_path / "backup") as backup:
        assert verify(backup).problems == ()

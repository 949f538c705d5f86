"""What was measured of instruments is kept by instrument and input, on both databases."""

import json
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import URL, inspect, text

from ringland.errors import FileFormatError, SettingError
from ringland.history import (
    add_vehicle,
    changes_of,
    delete_calibration,
    list_calibrations,
    open_store,
    restore_calibration,
)
from ringland.history.bundle import export_vehicle, import_vehicle
from ringland.history.calibrations import (
    calibration_of,
    calibrations_at,
    keep_calibrations,
    known_calibrations,
    newest,
    newest_at,
)
from ringland.history.merge import merge
from ringland.history.migrate import bring_up_to_date
from ringland.history.place import DATABASE_NAME
from ringland.history.safety import back_up, verify
from ringland.history.store import Store, _connectable
from ringland.instruments.calibration import Calibration, CalibrationKind
from ringland.instruments.protocol import LiveChannel, SetUp
from ringland.model import ChannelRole

both = pytest.mark.parametrize("address", ["sqlite", "postgresql"], indirect=True)
NOISE = Calibration(
    CalibrationKind.NOISE, "a card", "sound:1", "left", "exhaust", "2026-03-01T08:00:00+00:00",
    20_000.0, 0.012, None, "V", "", {"mains_share": 0.125},
)  # fmt: skip
SKEW = replace(NOISE, what=CalibrationKind.SKEW, value=3.5e-6, standard_error=1e-7, unit="s",
               reference="left", readings={})  # fmt: skip
SET_UP = SetUp(
    "sound:4", 20_000.0, (LiveChannel("exhaust", ChannelRole.EXHAUST, input="left"),), (), "a card"
)


@both
def test_kept_with_date_instrument_and_input(store: Store) -> None:
    rows = keep_calibrations(store, (NOISE, SKEW))
    assert [r.measured_utc for r in rows] == ["2026-03-01T08:00:00.000000Z"] * 2
    back = [calibration_of(r) for r in list_calibrations(store, instrument="a card")]
    assert back == [replace(c, measured_utc=rows[0].measured_utc) for c in (NOISE, SKEW)]
    newer = replace(NOISE, measured_utc="2026-03-02T08:00:00+01:00", value=0.02)
    keep_calibrations(store, (newer,))
    assert {c.value for c in known_calibrations(store, SET_UP)} == {0.02, 3.5e-6}
    assert [c.value for c in newest(store)] == [0.02, 3.5e-6]
    assert {c.action for c in changes_of(store)} == {"add"}
    assert known_calibrations(store, replace(SET_UP, title="another")) == ()


@both
def test_a_wrong_one_is_taken_back_and_the_one_before_counts(store: Store) -> None:
    keep_calibrations(store, (NOISE,))
    (wrong,) = keep_calibrations(
        store, (replace(NOISE, value=9.0, measured_utc="2026-03-03T00:00:00Z"),)
    )
    delete_calibration(store, wrong.id)
    assert [c.value for c in newest(store)] == [0.012]
    restore_calibration(store, wrong.id)
    assert [c.value for c in newest(store)] == [9.0]


def test_all_or_none(tmp_path: Path) -> None:
    with open_store(tmp_path / "s") as store:
        with pytest.raises(SettingError):
            keep_calibrations(store, (NOISE, replace(NOISE, input="")))
        assert newest(store) == ()


def test_no_store_is_made_to_look_into(tmp_path: Path) -> None:
    place = tmp_path / "none"
    assert calibrations_at(str(place), SET_UP) == ()
    assert newest_at(str(place)) == ()
    assert not place.exists()


def test_they_go_along_in_a_backup_and_a_merge(tmp_path: Path) -> None:
    with open_store(tmp_path / "a") as one, open_store(tmp_path / "b") as other:
        keep_calibrations(one, (NOISE, SKEW))
        back_up(one, tmp_path / "copy")
        merge(other, one)
        merge(other, one)
        assert newest(other) == newest(one)
        assert len(list_calibrations(other)) == 2
        assert not verify(other).problems
    with open_store(tmp_path / "copy") as copy:
        assert len(newest(copy)) == 2


@both
def test_a_store_from_before_gets_the_table(address: str, tmp_path: Path) -> None:
    """From the revision before, with a row in it, to this one."""
    from ringland.history.store import _database_url

    url = (
        _database_url(address)
        if "://" in address
        else URL.create("sqlite", database=str(Path(address) / DATABASE_NAME))
    )
    Path(address).mkdir(parents=True, exist_ok=True) if "://" not in address else None
    database = _connectable(url)
    bring_up_to_date(database, to="0003")
    with database.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO vehicle (id, created_utc, changed_utc, version, name) VALUES "
                "('00000000-0000-7000-8000-000000000001', 'x', 'x', 1, 'Old bus')"
            )
        )
        assert not inspect(connection).has_table("calibration")
    bring_up_to_date(database)
    with database.begin() as connection:
        assert inspect(connection).has_table("calibration")
        assert connection.scalar(text("SELECT name FROM vehicle")) == "Old bus"
    database.dispose()
    with open_store(address, files=str(tmp_path / "files")) as store:
        keep_calibrations(store, (NOISE,))
        assert len(newest(store)) == 1


def test_the_file_of_a_vehicle_says_nothing_of_instruments(tmp_path: Path) -> None:
    with open_store(tmp_path / "a") as store, open_store(tmp_path / "b") as other:
        keep_calibrations(store, (NOISE,))
        bus = add_vehicle(store, name="Bus 12")
        file = export_vehicle(store, bus.id, tmp_path / "bus.zip")
        with zipfile.ZipFile(file) as whole:
            content = json.loads(whole.read("vehicle.json"))
        assert "calibration" not in content["rows"]
        content["rows"]["calibration"] = [vars(list_calibrations(store)[0])]
        with zipfile.ZipFile(tmp_path / "made.zip", "w") as made:
            made.writestr("vehicle.json", json.dumps(content))
        with pytest.raises(FileFormatError, match="calibration"):
            import_vehicle(other, tmp_path / "made.zip")
        import_vehicle(other, file)
        assert newest(other) == ()


@both
def test_two_instruments_of_one_name_are_kept_apart(store: Store) -> None:
    """By serial or label; what was measured of one that nobody marked counts for that one only."""
    bay = replace(NOISE, which="bay 2", value=0.5)
    other = replace(NOISE, which="bay 3", value=0.7)
    keep_calibrations(store, (NOISE, bay, other))
    for which, value in (("", 0.012), ("bay 2", 0.5), ("bay 3", 0.7)):
        known = known_calibrations(store, replace(SET_UP, which=which))
        assert [c.value for c in known] == [value]
    assert known_calibrations(store, replace(SET_UP, which="bay 9")) == ()
    assert [(c.which, c.value) for c in newest(store)] == [
        ("", 0.012), ("bay 2", 0.5), ("bay 3", 0.7)
    ]  # fmt: skip


def test_what_was_measured_before_serials_counts_where_the_name_has_it(tmp_path: Path) -> None:
    """A name with the serial in it named one instrument all along."""
    before = replace(NOISE, instrument="Maker,scope,S17,2.1")
    now = replace(SET_UP, title=before.instrument, which="S17")
    with open_store(tmp_path / "s") as store:
        keep_calibrations(store, (before,))
        assert [c.value for c in known_calibrations(store, now)] == [0.012]
        keep_calibrations(store, (replace(before, which="S17", value=0.02,
                                          measured_utc="2026-04-01T00:00:00Z"),))  # fmt: skip
        assert [c.value for c in known_calibrations(store, now)] == [0.02]

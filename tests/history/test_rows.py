"""Adding, changing, deleting, finding: the same on SQLite and on PostgreSQL."""

import threading
from dataclasses import FrozenInstanceError, fields
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ringland.errors import BadInput, SettingError
from ringland.history import (
    ChangedMeanwhile,
    NotKept,
    Purpose,
    Store,
    add_note,
    add_owner,
    add_vehicle,
    add_visit,
    add_work,
    change_vehicle,
    changes_of,
    delete_vehicle,
    delete_visit,
    get_vehicle,
    get_visit,
    keep_recording,
    list_notes,
    list_recordings,
    list_vehicles,
    list_visits,
    open_store,
    restore_vehicle,
    restore_visit,
    search,
)
from ringland.history.ids import id_from, is_id, new_id
from ringland.history.schema import TABLES
from ringland.history.shelves import SHELVES

both = pytest.mark.parametrize("address", ["sqlite", "postgresql"], indirect=True)


def test_row_types_and_tables_agree() -> None:
    for kind, shelf in SHELVES.items():
        names = [f.name for f in fields(shelf.row_type)]
        assert sorted(names) == sorted(TABLES[kind].columns.keys())


def test_rows_are_frozen(store: Store) -> None:
    row = add_owner(store, name="Marrow Valley Transit")
    with pytest.raises(FrozenInstanceError):
        row.name = "another"  # type: ignore[misc]


def test_ids_are_unique_sorted_and_well_formed() -> None:
    ids = [new_id() for _ in range(20_000)]
    assert len(set(ids)) == len(ids)
    assert ids == sorted(ids)
    assert all(is_id(one) and one[14] == "7" and one[19] in "89ab" for one in ids)  # RFC 9562 5.7
    assert id_from("a", "b") == id_from("a", "b") != id_from("ab", "")
    assert id_from("a")[14] == "8"  # RFC 9562 5.8


@both
def test_a_vehicle_and_its_visit(store: Store) -> None:
    owner = add_owner(store, name="Marrow Valley Transit", costs='{"hour": 80}')
    bus = add_vehicle(store, owner_id=owner.id, name="Bus 12", plate="MV 12")
    visit = add_visit(
        store, vehicle_id=bus.id, visited_on="2026-03-09", purpose="baseline", odometer_km=612_300
    )
    assert visit.purpose is Purpose.BASELINE and visit.odometer_km == 612_300.0
    assert get_visit(store, visit.id) == visit
    assert list_vehicles(store, owner_id=owner.id) == (bus,)
    assert list_visits(store, vehicle_id=(bus.id, "no such")) == (visit,)
    assert [c.action for c in changes_of(store, bus.id)] == ["add"]
    assert changes_of(store, bus.id)[0].who == "tester"


@both
def test_two_writers_do_not_overwrite_each_other(store: Store) -> None:
    bus = add_vehicle(store, name="Bus 12")
    first = change_vehicle(store, bus.id, bus.version, plate="MV 1")
    with pytest.raises(ChangedMeanwhile, match="version 1; it is now version 2"):
        change_vehicle(store, bus.id, bus.version, plate="MV 2")
    assert get_vehicle(store, bus.id) == first
    assert first.version == 2 and first.changed_utc > bus.changed_utc


@both
def test_many_threads_lose_no_change(store: Store) -> None:
    bus = add_vehicle(store, name="Bus 12", remark="")
    problems: list[Exception] = []

    def append(word: str) -> None:
        for _ in range(200):
            now = get_vehicle(store, bus.id)
            try:
                change_vehicle(store, bus.id, now.version, remark=f"{now.remark} {word}".strip())
                return
            except ChangedMeanwhile:
                continue
            except Exception as problem:
                problems.append(problem)
                return

    threads = [threading.Thread(target=append, args=(f"w{i}",)) for i in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert problems == []
    assert sorted(get_vehicle(store, bus.id).remark.split()) == [f"w{i}" for i in range(8)]


@both
def test_deleting_takes_what_hangs_on_it_and_restoring_brings_just_that_back(
    store: Store, tmp_path: Path
) -> None:
    file = tmp_path / "a.csv"
    file.write_text("time,exhaust\n0,1\n")
    bus = add_vehicle(store, name="Bus 12")
    kept = add_visit(store, vehicle_id=bus.id, visited_on="2026-03-09", purpose="before")
    gone = add_visit(store, vehicle_id=bus.id, visited_on="2026-03-10", purpose="after")
    keep_recording(store, kept.id, file)
    add_note(store, vehicle_id=bus.id, visit_id=gone.id, text="wrong vehicle")
    delete_visit(store, gone.id)
    assert list_notes(store) == ()
    delete_vehicle(store, bus.id)
    assert not (list_vehicles(store) or list_visits(store) or list_recordings(store))
    assert len(list_visits(store, deleted=True)) == 2
    with pytest.raises(NotKept, match="was deleted"):
        restore_visit(store, kept.id)
    restore_vehicle(store, bus.id)
    assert [v.id for v in list_visits(store)] == [kept.id]
    assert len(list_recordings(store)) == 1
    restore_visit(store, gone.id)
    assert len(list_visits(store)) == 2 and len(list_notes(store)) == 1
    assert restore_visit(store, gone.id) == get_visit(store, gone.id)


@both
def test_several_writes_are_one(store: Store) -> None:
    with store.transaction():
        add_owner(store, name="Kept")

    def half_done() -> None:
        with store.transaction():
            add_vehicle(store, name="Bus 12")
            add_visit(store, vehicle_id=new_id(), visited_on="2026-03-09", purpose="before")

    with pytest.raises(NotKept):
        half_done()
    assert list_vehicles(store) == () and len(changes_of(store)) == 1


@both
def test_originals_are_kept_once_and_never_changed(store: Store, tmp_path: Path) -> None:
    file = tmp_path / "a.csv"
    file.write_bytes(b"time,exhaust\n0,1\n")
    bus = add_vehicle(store, name="Bus 12")
    visit = add_visit(store, vehicle_id=bus.id, visited_on="2026-03-09", purpose="before")
    other = add_visit(store, vehicle_id=bus.id, visited_on="2026-03-10", purpose="after")
    row = keep_recording(store, visit.id, file, condition="idle")
    assert keep_recording(store, visit.id, file) == row
    with pytest.raises(BadInput, match="at another visit"):
        keep_recording(store, other.id, file)
    file.write_bytes(b"changed afterwards")
    assert store.file(row.sha256).read_bytes() == b"time,exhaust\n0,1\n"
    assert list(store.files.all()) == [row.sha256]
    with pytest.raises(BadInput, match="64 hexadecimal"):
        store.file("../../etc/passwd")


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("visited_on", "9.3.2026", "YYYY-MM-DD"),
        ("visited_on", "2026-02-30", "YYYY-MM-DD"),
        ("purpose", "fun", "baseline, fault-finding"),
        ("odometer_km", float("nan"), "finite number"),
        ("odometer_km", "12", "finite number"),
        ("odometer_km", True, "finite number"),
        ("complaint", "a\x00b", "control characters"),
        ("complaint", "a\ud800b", "control characters"),
        ("complaint", "x" * 100_001, "at most"),
        ("vehicle_id", "'; DROP TABLE visit; --", "the id of a row"),
        ("version", 7, "no field of that name"),
        ("colour", "red", "no field of that name"),
    ],
)
def test_what_a_field_cannot_hold_is_said(
    store: Store, field: str, value: object, said: str
) -> None:
    bus = add_vehicle(store, name="Bus 12")
    good = {"vehicle_id": bus.id, "visited_on": "2026-03-09", "purpose": "before"}
    with pytest.raises(SettingError) as caught:
        add_visit(store, **{**good, field: value})
    assert said in str(caught.value)
    assert list_visits(store) == ()


def test_what_must_be_given_is_said(store: Store) -> None:
    with pytest.raises(SettingError, match="give vehicle_id, visited_on, purpose"):
        add_visit(store)
    with pytest.raises(SettingError, match="some text"):
        add_vehicle(store, name="  ")
    with pytest.raises(NotKept):
        add_visit(store, vehicle_id=new_id(), visited_on="2026-03-09", purpose="before")


@both
def test_finding_by_words(store: Store) -> None:
    bus = add_vehicle(store, name="Rural bus 12", plate="MV-12", vin="1M8GDM9AXKP042788")
    visit = add_visit(
        store, vehicle_id=bus.id, visited_on="2026-08-03", purpose="before", complaint="puffing"
    )
    work = add_work(store, visit_id=visit.id, text="Exhaust valve renewed", code="HEAD-2")
    found = search(store, "bus 12")
    assert {hit.row_id for hit in found} == {bus.id, visit.id, work.id}
    assert found[0].row_id == bus.id, "the vehicle comes first"
    assert {hit.vehicle_id for hit in found} == {bus.id}
    for words in ("puff", "PUFFING bus", "2026-08-03", "rural puff"):
        assert [hit.row_id for hit in search(store, words)] == [visit.id], words
    for words in ("042788", "2788", "1m8gdm", "MV-12 rural 2788"):
        assert [hit.row_id for hit in search(store, words)] == [bus.id], words
    assert search(store, "exhaust head-2")[0].row_id == work.id
    change_vehicle(store, bus.id, 1, name="Coach 9")
    assert {hit.row_id for hit in search(store, "coach")} == {bus.id, visit.id, work.id}
    assert search(store, "rural") == ()
    delete_vehicle(store, bus.id)
    assert search(store, "coach") == ()


WORDS = st.text(max_size=60)


@settings(
    deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(words=WORDS)
def test_no_text_breaks_the_search(store: Store, words: str) -> None:
    search(store, words)


@pytest.mark.parametrize(
    "words", ['"', "'", "a' OR 1=1", "NEAR(", "kind:vehicle", "*", "\\", "a:*&"]
)
@both
def test_words_are_words_and_no_commands(store: Store, words: str) -> None:
    add_vehicle(store, name="Bus 12")
    assert search(store, words) == ()


@settings(
    deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(text=st.text(st.characters(codec="utf-8"), max_size=200))
def test_text_comes_back_as_it_was_given(store: Store, text: str) -> None:
    bus = add_vehicle(store, name="Bus 12")
    try:
        row = change_vehicle(store, bus.id, 1, remark=text)
    except SettingError:
        assert any(ord(c) < 32 or ord(c) == 127 for c in text)
        return
    assert get_vehicle(store, bus.id).remark == row.remark == text.replace("\r\n", "\n").strip()


def test_places_that_cannot_be_opened_are_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(SettingError, match="cannot be opened"):
        open_store(tmp_path / "file")
    with pytest.raises(SettingError, match="does not use"):
        open_store("mysql://somebody@localhost/x")
    (tmp_path / "damaged").mkdir()
    (tmp_path / "damaged" / "ringland.sqlite").write_bytes(b"not a database" * 100)
    with pytest.raises(SettingError, match="cannot be opened"):
        open_store(tmp_path / "damaged")

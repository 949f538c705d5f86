"""The causes of a visit rest on all its usable recordings, and one can be left out."""

import time
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from ringland.history import (
    add_engine,
    add_outcome,
    change_engine,
    document_of,
    get_recording,
    list_engines,
)
from ringland.web.joining import earlier_visit, sound_visit
from ringland.web.judgement import judged

PAGE = {"Accept": "text/html"}


def upload(client: TestClient, visit_id: str, name: str, content: bytes, condition: str) -> str:
    """The id of the recording."""
    answer = client.post(
        f"/api/v1/visits/{visit_id}/recordings/upload",
        params={"name": name, "condition": condition},
        content=content,
    )
    assert answer.status_code == 201, answer.text
    found: str = answer.json()["row"]["id"]
    return found


def settled(client: TestClient, *, seconds: float = 180.0) -> None:
    """Waits until no work is left."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if all(j["state"] in ("done", "failed") for j in client.get("/api/v1/jobs").json()):
            return
        time.sleep(0.1)
    raise AssertionError("the work did not end")


def document(app: FastAPI, recording_id: str) -> dict[str, Any]:
    context = app.state.context
    known = judged(context, get_recording(context.store, recording_id))
    assert known.analysis is not None and known.fresh
    found: dict[str, Any] = document_of(context.store, known.analysis)
    return found


def rewritten(path: Path, *, time: float = 1.0, size: float = 1.0) -> bytes:
    """The recording with its times and its samples multiplied."""
    head, *rows = path.read_text("ascii").splitlines()
    found = []
    for row in rows:
        t, *others = (float(v) for v in row.split(","))
        found.append(",".join([f"{t * time:.5f}", *(f"{v * size:.6f}" for v in others)]))
    return "\n".join([head, *found]).encode()


@pytest.fixture
def faster(recording_csv: Path) -> bytes:
    """The same engine at 1500 rpm: the same samples twice as fast."""
    return rewritten(recording_csv, time=0.5)


def test_all_recordings_of_a_visit_count_and_one_can_be_left_out(
    app: FastAPI, client: TestClient, visit: dict[str, str], recording_csv: Path, faster: bytes
) -> None:
    visit_id = visit["id"]
    idle = upload(client, visit_id, "idle.csv", recording_csv.read_bytes(), "idle")
    settled(client)
    alone = document(app, idle)
    assert alone["joined"] == []
    fast = upload(client, visit_id, "fast.csv", faster, "held")
    broken = upload(client, visit_id, "broken.csv", b"not a recording", "idle")
    settled(client)
    both = document(app, idle)
    assert {r["name"] for r in both["joined"]} == {"idle.csv", "fast.csv", "broken.csv"}
    assert [r["left_out"] is None for r in both["joined"]] == [True, True, False]
    assert both["causes"] != alone["causes"]
    assert document(app, fast)["joined"][0]["name"] == "fast.csv"
    page = client.get(f"/visits/{visit_id}/why?recording={idle}", headers=PAGE).text
    assert "Which recordings count" in page and "These causes rest on 2 recordings" in page

    name = f"/api/v1/drafts/joined-{visit_id}"
    answer = client.put(name, json={"version": 0, "fields": {fast: True, broken: True}})
    assert answer.status_code == 200, answer.text
    client.post(f"/api/v1/visits/{visit_id}/judge")
    settled(client)
    assert document(app, idle)["causes"] == alone["causes"]
    assert document(app, fast)["joined"] == []


@pytest.fixture
def unlike_then(recording_csv: Path) -> bytes:
    """The same engine a little differently: every sample a hundredth larger."""
    return rewritten(recording_csv, size=1.01)


def visited(
    client: TestClient, visit: dict[str, str], day: str, purpose: str, engine_id: str | None
) -> str:
    """The id of another visit of the same vehicle."""
    made = client.post(
        "/api/v1/visits",
        json={
            "vehicle_id": visit["vehicle_id"],
            "engine_id": engine_id,
            "visited_on": day,
            "purpose": purpose,
        },
    )
    assert made.status_code == 201, made.text
    found: str = made.json()["row"]["id"]
    return found


def test_a_recording_is_held_against_when_the_engine_passed_for_sound(
    app: FastAPI, client: TestClient, visit: dict[str, str], recording_csv: Path, unlike_then: bytes
) -> None:
    """What was there in the baseline already is no change since; by itself it still counts. A visit
    that does not say its engine has the one that was in the vehicle."""
    engine_id = client.get(f"/api/v1/visits/{visit['id']}").json()["engine_id"]
    baseline = visited(client, visit, "2099-01-02", "baseline", None)
    upload(client, baseline, "sound.csv", unlike_then, "idle")
    today = visited(client, visit, "2099-03-04", "fault-finding", engine_id)
    idle = upload(client, today, "idle.csv", recording_csv.read_bytes(), "idle")
    settled(client)
    held = document(app, idle)
    assert held["simulated_cases"]["against_sound"] == "sound.csv (2099-01-02)"
    assert any("passed for sound" in note for note in held["ranking_notes"])
    page = client.get(f"/visits/{today}/why", headers=PAGE).text
    assert "Judge without the recordings of 2099-01-02" in page
    assert "Held against sound.csv (2099-01-02)" in page

    client.put(f"/api/v1/drafts/joined-{today}", json={"version": 0, "fields": {"by_itself": True}})
    client.post(f"/api/v1/visits/{today}/judge")
    settled(client)
    alone = document(app, idle)
    assert alone["simulated_cases"]["against_sound"] is None
    likeliest = alone["causes"][0]
    same = next(c for c in held["causes"] if c["failure_mode"] == likeliest["failure_mode"]
                and c["firing_position"] == likeliest["firing_position"])  # fmt: skip
    assert same["probability"] < likeliest["probability"]


def test_which_visit_passed_for_sound(
    app: FastAPI, client: TestClient, visit: dict[str, str], recording_csv: Path, unlike_then: bytes
) -> None:
    """A baseline, or "nothing wrong" of the whole engine; not of one cylinder, not where something
    was found, not of the engine before. What was before it is over and offered no more."""
    context, store = app.state.context, app.state.context.store
    vehicle_id = visit["vehicle_id"]
    (old,) = list_engines(store, vehicle_id=vehicle_id)
    baseline = visited(client, visit, "2097-01-01", "baseline", None)
    upload(client, baseline, "old-engine.csv", unlike_then, "idle")
    change_engine(store, old.id, old.version, removed_on="2098-01-01")
    new = add_engine(
        store,
        vehicle_id=vehicle_id,
        name="the engine after",
        description=old.description,
        fitted_on="2098-01-01",
    )
    fault = visited(client, visit, "2098-02-01", "fault-finding", None)
    upload(client, fault, "fault.csv", recording_csv.read_bytes(), "idle")
    today = visited(client, visit, "2099-03-04", "fault-finding", new.id)
    assert sound_visit(context, today) is None
    before = earlier_visit(context, today)
    assert before is not None and before.id == fault
    add_outcome(store, visit_id=fault, failure_mode="", cylinder=3)
    assert sound_visit(context, today) is None
    add_outcome(store, visit_id=fault, failure_mode="")
    sound = sound_visit(context, today)
    assert sound is not None and sound.id == fault
    assert earlier_visit(context, today) is None
    add_outcome(store, visit_id=fault, failure_mode="ring_leak", cylinder=3)
    assert sound_visit(context, today) is None


def test_a_lost_file_of_the_sound_engine_is_said_and_stops_nothing(
    app: FastAPI, client: TestClient, visit: dict[str, str], recording_csv: Path, unlike_then: bytes
) -> None:
    store = app.state.context.store
    baseline = visited(client, visit, "2099-01-02", "baseline", None)
    kept = upload(client, baseline, "sound.csv", unlike_then, "idle")
    settled(client)
    Path(store.file(get_recording(store, kept).sha256)).unlink()
    today = visited(client, visit, "2099-03-04", "fault-finding", None)
    idle = upload(client, today, "idle.csv", recording_csv.read_bytes(), "idle")
    settled(client)
    notes = document(app, idle)["ranking_notes"]
    assert any("sound.csv (2099-01-02) is kept nowhere any more" in note for note in notes), notes
    assert client.get(f"/visits/{today}/why", headers=PAGE).status_code == 200


def test_the_visit_before_counts_when_it_is_asked_for(
    app: FastAPI, client: TestClient, visit: dict[str, str], recording_csv: Path, faster: bytes
) -> None:
    first = client.get(f"/api/v1/visits/{visit['id']}").json()
    upload(client, visit["id"], "last-year.csv", faster, "held")
    settled(client)
    today = visited(client, visit, "2099-01-02", "fault-finding", first["engine_id"])
    idle = upload(client, today, "idle.csv", recording_csv.read_bytes(), "idle")
    settled(client)
    assert document(app, idle)["joined"] == []
    page = client.get(f"/visits/{today}/why", headers=PAGE).text
    assert f"Count the recordings of the visit of {first['visited_on']} too" in page
    client.put(f"/api/v1/drafts/joined-{today}", json={"version": 0, "fields": {"earlier": True}})
    client.post(f"/api/v1/visits/{today}/judge")
    settled(client)
    joined = document(app, idle)["joined"]
    assert [(r["name"], r["earlier"]) for r in joined] == [
        ("idle.csv", False), ("last-year.csv", True),
    ]  # fmt: skip

"""The workshop's memory in the app: learning from outcomes, reports sent, backup and restore."""

import json
import sqlite3
import threading
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from ringland.history import (
    Store,
    add_outcome,
    add_report_sent,
    add_vehicle,
    changes_of,
    keep_recording,
    list_analyses,
    list_vehicles,
)
from ringland.history.learned import priors_of
from ringland.history.safety import back_up, restore_open, verify
from ringland.web.sessions import Role, csrf_token

from .conftest import PAGE
from .test_api import do, wait_for


def test_learning_is_switched_and_the_next_judgement_says_so(
    client: TestClient, store: Store, visit: dict[str, str], recording_csv: Path
) -> None:
    upload = f"/api/v1/visits/{visit['visit_id']}/recordings/upload"
    kept = client.post(
        upload,
        params={"name": "idle.csv", "condition": "idle"},
        content=recording_csv.read_bytes(),
    )
    assert wait_for(client, kept.json()["job"]["id"])["state"] == "done"
    recording = kept.json()["row"]["id"]
    before = document(store, recording)
    assert before["priors"] is None
    add_outcome(store, visit_id=visit["visit_id"], failure_mode="lean_cylinder", cylinder=4)

    assert client.get("/api/v1/priors").json()["on"] is False
    page = client.get("/track-record", headers=PAGE).text
    assert "1 confirmed outcome could be learned from" in page
    answer = client.put("/api/v1/priors", json={"on": True}).json()
    assert (answer["row"]["on"], answer["row"]["outcomes"], answer["row"]["since"]) == (True, 1, 0)
    assert changes_of(store, limit=1)[0].action == "switch"
    learned = priors_of(store)
    assert learned is not None
    assert learned.sha256[:16] in client.get("/track-record", headers=PAGE).text

    again = client.post(f"/api/v1/recordings/{recording}/judge")
    assert again.status_code == 200, again.text
    assert wait_for(client, again.json()["id"])["state"] == "done"
    after = document(store, recording)
    assert after["priors"] == json.loads(json.dumps(learned.as_plain()))
    steps = [s for s in after["provenance"]["steps"] if s["name"] == "diagnosis.learned_priors"]
    assert [s["settings"]["sha256"] for s in steps] == [learned.sha256]
    assert share(after, "lean_cylinder") > share(before, "lean_cylinder")
    report = client.get(f"/visits/{visit['visit_id']}/why", headers=PAGE)
    assert report.status_code == 200

    do(client, answer["undo"])
    assert client.get("/api/v1/priors").json()["sha256"] is None


def document(store: Store, recording: str) -> dict[str, Any]:
    """The newest analysis of a recording."""
    newest = list_analyses(store, recording_id=recording)[0]
    found: dict[str, Any] = json.loads(store.file(newest.sha256).read_text())
    return found


def share(analysis: dict[str, Any], mode: str) -> float:
    """Probability of a failure mode, wherever it is."""
    return float(sum(c["probability"] for c in analysis["causes"] if c["failure_mode"] == mode))


def test_what_was_sent_stands_in_the_history_of_the_vehicle(
    client: TestClient, store: Store, visit: dict[str, str]
) -> None:
    path = f"/api/v1/visits/{visit['visit_id']}/handed-over"
    given = {"how": "printed and given to the driver", "recipient": "<b>M. Example</b>"}
    row = client.post(path, json=given).json()["row"]
    assert row["state"] == "sent" and row["sent_utc"] is not None
    page = client.get(f"/vehicles/{visit['vehicle_id']}", headers=PAGE).text
    assert "Report by hand to &lt;b&gt;M. Example" in page
    add_report_sent(store, visit_id=visit["visit_id"], recipient="late@marrow.example")
    assert "late@marrow.example" not in client.get(f"/vehicles/{visit['vehicle_id']}").text


def looked_after(client: TestClient, what: str, **given: Any) -> dict[str, Any]:
    """The work of looking after the store, when it is over."""
    answer = client.post(f"/api/v1/store/{what}", json=given or None)
    assert answer.status_code == 202, answer.text
    return wait_for(client, answer.json()["id"])


def test_backup_verify_and_restore_keep_what_was_there(
    client: TestClient, store: Store, visit: dict[str, str], tmp_path: Path
) -> None:
    safe = tmp_path / "safe"
    path = "/api/v1/store"
    assert client.post(f"{path}/backup", json={"folder": str(safe)}).status_code == 400
    assert client.post(f"{path}/backup", json={"folder": "safe"}).status_code == 400
    assert "No backup has been written" in client.get("/settings", headers=PAGE).text
    safe.mkdir()
    done = looked_after(client, "backup", folder=str(safe))
    assert done["state"] == "done" and "rows" in done["said"]
    assert (safe / "ringland-backup" / "ringland.sqlite").is_file()
    again = looked_after(client, "backup", folder=str(safe / "ringland-backup"))
    assert again["state"] == "done" and not (safe / "ringland-backup/ringland-backup").exists()
    page = client.get("/settings", headers=PAGE).text  # after a reload it is still told
    assert "The backup is written" in page and str(safe / "ringland-backup") in page
    add_vehicle(store, name="made after the backup")
    found = looked_after(client, "verify")
    assert found["error"] is None and "as it was kept" in found["said"]

    for confirm in ({}, {"confirm": False}):
        refused = client.post(f"{path}/restore", json={"folder": str(safe), **confirm})
        assert refused.status_code == 422
    for wrong in (tmp_path / "data", tmp_path):
        given = {"folder": str(wrong), "confirm": True}
        assert client.post(f"{path}/restore", json=given).status_code == 400
    assert len(list_vehicles(store)) == 2

    back = looked_after(client, "restore", folder=str(safe), confirm=True)
    assert back["state"] == "done", back
    assert [v.name for v in list_vehicles(store)] == ["minibus 7"]
    (aside,) = (tmp_path / "data").glob("replaced-*.sqlite")
    assert aside.name in back["said"]
    assert [c.action for c in changes_of(store, limit=1)] == ["restore"]
    with closing(sqlite3.connect(aside)) as old:  # nothing is lost
        assert old.execute("SELECT count(*) FROM vehicle").fetchone() == (2,)
        actions = {row[0] for row in old.execute("SELECT action FROM audit")}
    assert {"backup", "verify"} <= actions
    add_vehicle(store, name="goes on")
    assert client.get("/vehicles", headers=PAGE).text.count("goes on") == 1


def test_looking_after_the_store_is_told_stopped_and_one_at_a_time(
    client: TestClient, store: Store, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A slow backup: its progress stands on the page after a reload, pages answer meanwhile, a
    second one is refused, and stopped it leaves the older one whole."""
    add_vehicle(store, name="minibus 7")
    assert looked_after(client, "backup", folder=str(tmp_path))["state"] == "done"
    add_vehicle(store, name="van 21")
    reached, go_on = threading.Event(), threading.Event()

    def slow(_: Store, folder: Path, *, progress: Any) -> Any:
        for number in range(1000):
            progress("files", number, 1000)
            if number == 250:
                reached.set()
                assert go_on.wait(30)
        raise AssertionError("it was not stopped")

    monkeypatch.setattr("ringland.web.caring.back_up", slow)
    job = client.post("/api/v1/store/backup", json={"folder": str(tmp_path)}).json()
    assert reached.wait(30)
    page = client.get("/settings", headers=PAGE).text
    assert f'data-stop="{job["id"]}"' in page and "Write the backup</button>" not in page
    assert "Backup" in client.get("/", headers=PAGE).text  # today tells of it too
    refused = client.post("/api/v1/store/verify")
    assert refused.status_code == 400 and "already" in refused.json()["wrong"]
    client.delete(f"/api/v1/jobs/{job['id']}")
    go_on.set()
    assert wait_for(client, job["id"])["state"] == "stopped"
    part = client.get("/settings/care", headers=PAGE).text
    assert "stopped. The older backup, if there is one, is whole." in part
    monkeypatch.undo()
    restored = looked_after(client, "restore", folder=str(tmp_path), confirm=True)
    assert restored["state"] == "done"
    assert [v.name for v in list_vehicles(store)] == ["minibus 7"]


def test_a_store_that_is_damaged_says_so(
    client: TestClient, store: Store, visit: dict[str, str], recording_csv: Path
) -> None:
    kept = keep_recording(store, visit["visit_id"], recording_csv)
    store.file(kept.sha256).write_bytes(b"damaged")
    found = looked_after(client, "verify")
    assert found["state"] == "failed" and "altered" in found["error"]["got"]
    assert "Restore a backup" in client.get("/settings", headers=PAGE).text


def test_a_reader_looks_after_nothing(client: TestClient, app: FastAPI, tmp_path: Path) -> None:
    sessions = app.state.context.sessions
    token = sessions.open(Role.READER)
    client.cookies.clear()
    client.cookies.set("ringland", token)
    headers = {"X-Ringland-Token": csrf_token(sessions.key, token)}
    for address in ("backup", "verify", "restore"):
        answer = client.post(
            f"/api/v1/store/{address}",
            json={"folder": str(tmp_path), "confirm": True},
            headers=headers,
        )
        assert answer.status_code == 403


def test_no_change_is_lost_while_the_database_is_exchanged(store: Store, tmp_path: Path) -> None:
    """Writers that come meanwhile wait, and write into what is there then."""
    back_up(store, tmp_path / "backup")
    ended = threading.Event()
    failed: list[Exception] = []

    def write() -> None:
        number = 0
        while not ended.is_set():
            try:
                add_vehicle(store, name=f"bus {number}")
            except Exception as error:
                failed.append(error)
            number += 1

    threads = [threading.Thread(target=write, daemon=True) for _ in range(2)]
    for thread in threads:
        thread.start()
    try:
        restore_open(store, tmp_path / "backup")
    finally:
        ended.set()
        for thread in threads:
            thread.join(20)
    assert failed == []
    assert verify(store).problems == ()
    assert len(list((tmp_path / "data").glob("replaced-*.sqlite"))) == 1

"""The workshop's memory in the app: learning from outcomes."""

import json
from pathlib import Path
from typing import Any

from fastapi.testclient import TestClient

from ringland.history import Store, add_outcome, add_report_sent, changes_of, list_analyses
from ringland.history.learned import priors_of

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

"""The REST API: rows, versions, undo, answers, drafts, settings; one error shape."""

import json
import time
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from .conftest import PAGE

SHAPE = {"error", "wrong", "got", "allowed", "remedy"}
NOBODY = "00000000-0000-7000-8000-000000000000"


def do(client: TestClient, undo: dict[str, Any]) -> Any:
    """Send what an answer says takes it back."""
    answer = client.request(undo["method"], undo["path"], json=undo["body"])
    assert answer.status_code in (200, 201), answer.text
    return answer.json()


def wait_for(client: TestClient, job_id: str, *, seconds: float = 120.0) -> dict[str, Any]:
    """The job when it is over."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        job: dict[str, Any] = client.get(f"/api/v1/jobs/{job_id}").json()
        if job["state"] in ("done", "failed", "stopped"):
            return job
        time.sleep(0.05)
    raise AssertionError("the job did not end")


def test_a_row_is_added_changed_removed_and_each_is_taken_back(client: TestClient) -> None:
    made = client.post("/api/v1/owners", json={"name": "Marrow Valley Transit"})
    assert made.status_code == 201
    row = made.json()["row"]
    path = f"/api/v1/owners/{row['id']}"
    changed = client.patch(path, json={"version": 1, "phone": "555 0100"}).json()
    assert (changed["row"]["phone"], changed["row"]["version"]) == ("555 0100", 2)
    back = do(client, changed["undo"])
    assert (back["row"]["phone"], back["row"]["version"]) == ("", 3)
    removed = client.delete(path, params={"version": 3}).json()
    assert client.get("/api/v1/owners").json() == []
    do(client, removed["undo"])
    assert [o["name"] for o in client.get("/api/v1/owners").json()] == ["Marrow Valley Transit"]


def test_a_change_that_changes_nothing_offers_no_undo(client: TestClient) -> None:
    row = client.post("/api/v1/owners", json={"name": "a"}).json()["row"]
    same = client.patch(f"/api/v1/owners/{row['id']}", json={"version": 1, "name": "a"}).json()
    assert same == {"row": row, "undo": None}


def test_two_windows_do_not_overwrite_each_other(client: TestClient) -> None:
    row = client.post("/api/v1/owners", json={"name": "a"}).json()["row"]
    path = f"/api/v1/owners/{row['id']}"
    assert client.patch(path, json={"version": 1, "remark": "first"}).status_code == 200
    late = client.patch(path, json={"version": 1, "remark": "second"})
    assert late.status_code == 409
    told = late.json()
    assert set(told) == SHAPE | {"current"}
    assert (told["current"]["remark"], told["current"]["version"]) == ("first", 2)
    assert client.get(path).json()["remark"] == "first"
    assert client.delete(path, params={"version": 1}).status_code == 409


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ({}, 422),
        ({"name": "a", "nonsense": 1}, 422),
        ({"name": 7}, 422),
        ({"name": "x" * 100_001}, 422),
        ({"name": "bell \x07"}, 400),
        ({"name": "a", "costs": "{"}, 400),
        ({"name": "  "}, 400),
    ],
)
def test_what_cannot_be_kept_is_said_in_one_shape(
    client: TestClient, body: dict[str, object], status: int
) -> None:
    answer = client.post("/api/v1/owners", json=body)
    assert answer.status_code == status, answer.text
    assert set(answer.json()) == SHAPE
    assert answer.json()["wrong"]


def test_what_is_not_there(client: TestClient, visit: dict[str, str]) -> None:
    for method, path in (
        ("GET", f"/api/v1/owners/{NOBODY}"),
        ("PATCH", f"/api/v1/owners/{NOBODY}"),
        ("DELETE", f"/api/v1/visits/{NOBODY}"),
        ("POST", f"/api/v1/visits/{NOBODY}/judge"),
        ("GET", "/api/v1/jobs/" + "0" * 32),
        ("GET", "/api/v1/nothing"),
    ):
        answer = client.request(method, path, json={"version": 1} if method == "PATCH" else None)
        assert answer.status_code == 404, (method, path, answer.text)
        assert set(answer.json()) == SHAPE
    for path in (
        "/nowhere",
        f"/vehicles/{NOBODY}",
        f"/visits/{visit['visit_id']}/nowhere",
        "/visits/../x",
    ):
        page = client.get(path, headers=PAGE)
        assert page.status_code == 404
        assert "<h1>" in page.text


def test_a_vehicle_is_taken_in_whole_or_not_at_all(client: TestClient) -> None:
    bad = client.post(
        "/api/v1/intake",
        json={
            "name": "bus",
            "owner": "somebody",
            "engine": {"cylinders": 4, "firing_order": "1-2"},
        },
    )
    assert bad.status_code == 400
    assert "firing_order" in bad.json()["wrong"]
    assert client.get("/api/v1/vehicles").json() == []
    assert client.get("/api/v1/owners").json() == []


def test_taking_in_twice_makes_one_owner(client: TestClient, visit: dict[str, str]) -> None:
    given = {"name": "van", "owner": "Marrow Valley Transit", "engine": {"layout": "I4-1342"}}
    assert client.post("/api/v1/intake", json=given).status_code == 201
    assert len(client.get("/api/v1/owners").json()) == 1
    assert len(client.get("/api/v1/vehicles").json()) == 2


def test_a_new_owner_comes_with_an_address(client: TestClient) -> None:
    given = {"name": "pump 3", "owner": "Lower Farms", "engine": {"layout": "I4-1342"}}
    wrong = client.post("/api/v1/intake", json={**given, "owner_email": "no address"})
    assert (wrong.status_code, client.get("/api/v1/owners").json()) == (400, [])
    for email in ("farm@marrow.example", "other@marrow.example"):
        right = client.post("/api/v1/intake", json={**given, "owner_email": email})
        assert right.status_code == 201
    (owner,) = client.get("/api/v1/owners").json()
    assert owner["email"] == "farm@marrow.example", "the one who is known keeps the address"


def test_an_engine_file_is_read_back(client: TestClient) -> None:
    said = client.post("/api/v1/engine-file", json={"description": 'layout = "I4-1342"'})
    assert said.json()["firing_order"] == [1, 3, 4, 2]
    wrong = client.post("/api/v1/engine-file", json={"description": "cylinders = "})
    assert wrong.status_code == 400


def test_drafts_are_versioned_and_taken_back(client: TestClient) -> None:
    path = "/api/v1/drafts/hookup-1"
    assert client.get(path).json() == {"version": 0}
    first = client.put(path, json={"version": 0, "fields": {"before-0": True}}).json()
    assert first["row"] == {"version": 1, "before-0": True}
    late = client.put(path, json={"version": 0, "fields": {"before-1": True}})
    assert late.status_code == 409
    assert late.json()["current"] == first["row"]
    back = do(client, first["undo"])
    assert back["row"] == {"version": 2, "before-0": None}
    assert client.get("/api/v1/drafts/..%2Fweb.key").status_code in (404, 422)
    large = client.put(path, json={"version": 2, "fields": {"x": "y" * 300_000}})
    assert large.status_code == 400


def test_settings_are_checked_and_versioned(client: TestClient) -> None:
    done = client.patch("/api/v1/settings", json={"version": 1, "theme": "dark"}).json()
    assert done["row"]["theme"] == "dark"
    assert 'data-theme="dark"' in client.get("/words", headers=PAGE).text
    assert (
        client.patch("/api/v1/settings", json={"version": 1, "theme": "light"}).status_code == 409
    )
    for wrong in ({"theme": "pink"}, {"hour_cost": -1}, {"nonsense": 1}, {"currency": "euro"}):
        answer = client.patch("/api/v1/settings", json={"version": 2, **wrong})
        assert answer.status_code == 400
        assert set(answer.json()) == SHAPE
    do(client, done["undo"])
    assert client.get("/api/v1/settings").json()["theme"] == "auto"


def test_finding(client: TestClient, visit: dict[str, str]) -> None:
    hits = client.get("/api/v1/search", params={"text": "minib"}).json()
    assert [h["vehicle_id"] for h in hits][:1] == [visit["vehicle_id"]]
    assert "minibus 7" in client.get("/find", params={"text": "minib"}, headers=PAGE).text
    assert client.get("/api/v1/search", params={"text": "  "}).json() == []


def test_text_is_text_everywhere(client: TestClient, visit: dict[str, str]) -> None:
    """Output encoding (ASVS 5.3.1, 5.3.3): markup and 10,000 characters in every field."""
    evil = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>{{71*100003}}"
    long = "é" * 10_000
    path = f"/api/v1/visits/{visit['visit_id']}"
    client.patch(path, json={"version": 1, "complaint": evil, "remark": long, "weather": evil})
    client.patch(f"/api/v1/vehicles/{visit['vehicle_id']}", json={"version": 1, "name": evil})
    client.post("/api/v1/notes", json={"vehicle_id": visit["vehicle_id"], "text": evil + long})
    client.post("/api/v1/works", json={"visit_id": visit["visit_id"], "text": evil})
    client.post("/api/v1/outcomes", json={"visit_id": visit["visit_id"], "text": evil})
    steps = ("about", "hook-up", "recordings", "why", "checks", "decide", "report", "away")
    pages = ["/", "/vehicles", f"/vehicles/{visit['vehicle_id']}", f"/find?text={evil[:30]}"]
    pages += [f"/visits/{visit['visit_id']}/{s}" for s in steps]
    for page in pages:
        answer = client.get(page, headers=PAGE)
        assert answer.status_code == 200, page
        assert "<script>alert" not in answer.text
        assert "<img src=x" not in answer.text
        assert "7100213" not in answer.text


def test_a_recording_is_kept_judged_and_shown(
    client: TestClient, visit: dict[str, str], recording_csv: Path
) -> None:
    """The whole way of one file: kept, judged by the worker, answered, taken back, removed."""
    upload = f"/api/v1/visits/{visit['visit_id']}/recordings/upload"
    content = recording_csv.read_bytes()
    kept = client.post(
        upload, params={"name": "C:\\data\\..\\idle.csv", "condition": "idle"}, content=content
    )
    assert kept.status_code == 201, kept.text
    row = kept.json()["row"]
    assert row["file_name"] == "idle.csv"
    assert row["size_bytes"] == len(content)
    job = wait_for(client, kept.json()["job"]["id"])
    assert job["state"] == "done", job
    page = client.get(f"/visits/{visit['visit_id']}/cylinders", headers=PAGE).text
    assert "<svg" in page
    assert not re_inline(page)
    document_row = client.get("/api/v1/analyses").json()[0]
    assert document_row["recording_id"] == row["id"]
    assert "usable" in client.get(f"/visits/{visit['visit_id']}/recordings", headers=PAGE).text

    answer = client.post(
        f"/api/v1/visits/{visit['visit_id']}/answers",
        json={
            "test": "leakdown",
            "cylinder": 4,
            "readings": {"percent": "8", "orifice": "1.0mm", "supply": "7bar"},
        },
    )
    assert answer.status_code == 201, answer.text
    assert answer.json()["row"]["outcome"] == "tight"
    for again in answer.json()["jobs"]:
        assert wait_for(client, again["id"])["state"] == "done"
    checks = client.get(f"/visits/{visit['visit_id']}/checks", headers=PAGE).text
    assert "Holds air as well as the others" in checks
    assert "older than the engine description" not in checks
    do(client, answer.json()["undo"])
    assert client.get("/api/v1/test-results").json() == []

    report_is_written_and_sent_once(client, visit["visit_id"], row["id"])

    same = client.post(upload, params={"name": "again.csv"}, content=content)
    assert same.json()["row"]["id"] == row["id"]
    wait_for(client, same.json()["job"]["id"])
    do(client, kept.json()["undo"])
    assert client.get("/api/v1/recordings").json() == []


def report_is_written_and_sent_once(client: TestClient, visit_id: str, recording: str) -> None:
    """Written as PDF and HTML; into the outbox once, however often it is asked for."""
    base = f"/api/v1/visits/{visit_id}"
    letter = {"recipient": "owner@marrow.invalid", "subject": "Report", "text": "Attached."}
    assert client.get(f"{base}/report").status_code == 404
    assert client.post(f"{base}/send", json=letter).status_code == 400
    job = client.post(f"{base}/reports", json={"recording_id": recording})
    assert job.status_code == 202
    over = wait_for(client, job.json()["id"])
    assert over["state"] == "done", over
    pdf = client.get(f"{base}/report")
    assert pdf.content.startswith(b"%PDF")
    assert pdf.headers["content-disposition"].startswith("attachment")
    html = client.get(f"{base}/report", params={"kind": "html"})
    assert "minibus 7" in html.text
    assert html.headers["content-disposition"].startswith("attachment")  # never a page of ours
    assert "mail.toml" in client.post(f"{base}/send", json=letter).json()["allowed"]
    app: Any = client.app
    (app.state.context.folder / "mail.toml").write_text(
        'host = "127.0.0.1"\nport = 9\nsecurity = "none"\nsender = "w@marrow.invalid"\n', "utf-8"
    )
    first = client.post(f"{base}/send", json=letter)
    assert first.status_code == 201, first.text
    assert first.json()["row"]["state"] == "queued"
    assert client.post(f"{base}/send", json=letter).json()["row"]["id"] == first.json()["row"]["id"]
    assert client.post(f"{base}/send", json={**letter, "recipient": "nobody"}).status_code == 400
    assert len(client.get("/api/v1/reports-sent").json()) == 1
    page = client.get(f"/visits/{visit_id}/report", headers=PAGE).text
    assert "in the outbox" in page
    two = {
        **letter,
        "recipient": "owner@marrow.invalid, Depot@marrow.invalid; depot2@marrow.invalid",
    }
    several = client.post(f"{base}/send", json=two).json()
    assert several["row"]["id"] == first.json()["row"]["id"]  # that one is on its way already
    assert [r["recipient"] for r in several["also"]] == [
        "Depot@marrow.invalid", "depot2@marrow.invalid",
    ]  # fmt: skip
    wrong = {**letter, "recipient": "a@marrow.invalid, nobody"}
    assert client.post(f"{base}/send", json=wrong).status_code == 400
    assert len(client.get("/api/v1/reports-sent").json()) == 3  # none of a list with a wrong one
    by_hand = client.post(f"{base}/handed-over", json={"how": "printed"})
    assert by_hand.json()["row"]["state"] == "sent"


def re_inline(text: str) -> list[str]:
    """Inline styles or scripts, which the content policy forbids."""
    import re

    return re.findall(r"<style|\sstyle=|<script(?![^>]*\ssrc=)", text)


def test_a_file_that_is_no_recording_says_why(client: TestClient, visit: dict[str, str]) -> None:
    upload = f"/api/v1/visits/{visit['visit_id']}/recordings/upload"
    kept = client.post(upload, params={"name": "x.csv"}, content=b"\x00\x01 not a recording")
    job = wait_for(client, kept.json()["job"]["id"])
    assert job["state"] == "failed"
    assert set(job["error"]) == SHAPE
    page = client.get(f"/visits/{visit['visit_id']}/recordings", headers=PAGE).text
    assert "not judged yet" in page or job["error"]["wrong"][:20] in page
    for wrong in ({"name": ".."}, {"name": "/"}, {"name": "\x00"}):
        assert client.post(upload, params=wrong, content=b"x").status_code == 400
    assert client.post(upload, params={"name": "a.csv"}, content=b"").status_code == 400


def test_work_can_be_stopped_and_the_next_goes_on(
    client: TestClient, visit: dict[str, str], recording_csv: Path
) -> None:
    upload = f"/api/v1/visits/{visit['visit_id']}/recordings/upload"
    kept = client.post(upload, params={"name": "a.csv"}, content=recording_csv.read_bytes()).json()
    stopped = client.delete(f"/api/v1/jobs/{kept['job']['id']}")
    assert stopped.status_code == 200
    assert wait_for(client, kept["job"]["id"])["state"] == "stopped"
    assert client.get("/api/v1/analyses").json() == []
    again = client.post(f"/api/v1/recordings/{kept['row']['id']}/judge").json()
    assert wait_for(client, again["id"])["state"] == "done"


@pytest.mark.parametrize(
    "given",
    [
        {"test": "no-such-test", "outcome": "x"},
        {"test": "leakdown", "outcome": "no-such-outcome"},
        {"test": "leakdown", "readings": {"percent": "abc"}},
        {"test": "leakdown"},
    ],
)
def test_an_answer_that_makes_no_sense(
    client: TestClient, visit: dict[str, str], given: dict[str, object]
) -> None:
    answer = client.post(f"/api/v1/visits/{visit['visit_id']}/answers", json=given)
    assert answer.status_code == 400
    assert set(answer.json()) == SHAPE
    assert client.get("/api/v1/test-results").json() == []


def test_an_unforeseen_fault_is_told_in_the_same_shape(app: FastAPI, client: TestClient) -> None:
    @app.get("/api/v1/breaks")
    def breaks() -> None:
        raise ZeroDivisionError("on purpose")

    quiet = TestClient(app, base_url=str(client.base_url), raise_server_exceptions=False)
    quiet.cookies = client.cookies
    answer = quiet.get("/api/v1/breaks")
    assert answer.status_code == 500
    assert set(answer.json()) == SHAPE
    assert "Traceback" not in answer.text


def test_the_shell_can_be_installed(client: TestClient) -> None:
    manifest = client.get("/manifest.webmanifest")
    assert manifest.headers["content-type"].startswith("application/manifest+json")
    assert manifest.json()["start_url"] == "/"
    worker = client.get("/sw.js")
    assert "/* the shell */" not in worker.text
    for path in manifest.json()["icons"][0]["src"], "/static/js/app.js":
        assert client.get(path).status_code == 200


def test_settings_and_ticks_stand_in_the_log(client: TestClient, app: FastAPI) -> None:
    from ringland.history import changes_of

    client.patch("/api/v1/settings", json={"version": 1, "hour_cost": 85.0, "theme": "auto"})
    client.put("/api/v1/drafts/hookup-x", json={"version": 0, "fields": {"before-0": True}})
    client.put("/api/v1/drafts/hookup-x", json={"version": 1, "fields": {"before-0": True}})
    lines = [c for c in changes_of(app.state.context.store) if c.kind in ("settings", "draft")]
    told = [(c.who, c.action, c.kind, json.loads(c.fields)) for c in lines[::-1]]
    assert told == [
        ("tester", "change", "settings", {"name": "settings", "hour_cost": [None, 85.0]}),
        ("tester", "change", "draft", {"name": "hookup-x", "before-0": [None, True]}),
    ], "what did not change is not told"

"""Recording with an instrument through the API: the simulated vehicle from set-up to verdict."""

import json
import os
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from tests.instruments.obd_vehicle import Car, adapter

from ringland.history import Store, get_recording
from ringland.history.calibrations import keep_calibrations
from ringland.instruments.calibration import Calibration, CalibrationKind
from ringland.instruments.keep import SUFFIX
from ringland.readers import read_recording

from .conftest import PAGE

FAST = "simulator?seed=1&seconds=20&pace=4"
SHORT = {"rate_hz": 5000, "shortest_s": 2, "longest_s": 15}


def until(client: TestClient, live_id: str, true: Callable[[dict[str, Any]], bool]) -> Any:
    """The live recording when it is so; fails after a while."""
    end = time.monotonic() + 60.0
    while time.monotonic() < end:
        told: dict[str, Any] = client.get(f"/api/v1/live/{live_id}").json()
        if true(told):
            return told
        time.sleep(0.05)
    raise AssertionError(told)


def over(told: dict[str, Any]) -> bool:
    return told["state"] in ("done", "failed")


def start(client: TestClient, visit_id: str, **given: Any) -> Any:
    body = {"address": FAST, **SHORT, **given}
    return client.post(f"/api/v1/visits/{visit_id}/live", json=body)


def test_instruments_are_listed_with_the_reason_why_not(client: TestClient) -> None:
    rows = client.get("/api/v1/instruments").json()
    kinds = {row["kind"]: row for row in rows}
    assert kinds["simulator"]["usable"]
    assert not kinds["folder"]["usable"]
    assert all(row["says"] for row in rows)


def test_inputs_say_what_they_are(client: TestClient, visit: dict[str, str]) -> None:
    path = f"/api/v1/visits/{visit['id']}/instrument"
    told = client.get(path, params={"address": "simulator"}).json()
    assert {i["name"]: i["role"] for i in told["inputs"]}["crankcase"] == "crankcase"
    assert told["planned_rate_hz"] > 1000
    crank = client.get(path, params={"address": "simulator", "condition": "cranking"}).json()
    assert "starter_current" in [i["role"] for i in crank["inputs"]]
    for address in ("nothing:1", "simulator?seed=x", "folder:/", "visa:x", "tcp:127.0.0.1:9"):
        answer = client.get(path, params={"address": address})
        assert answer.status_code == 400, address
        assert answer.json()["wrong"]


def test_from_the_simulated_vehicle_to_a_verdict(
    client: TestClient, visit: dict[str, str], tmp_path: Path
) -> None:
    answer = start(client, visit["id"])
    assert answer.status_code == 201, answer.text
    live = answer.json()
    assert live["state"] == "recording"
    seen = until(client, live["id"], lambda t: t["look"] is not None or over(t))
    told = until(client, live["id"], over)
    assert told["state"] == "done", told["error"]
    assert [m["name"] for m in told["meters"]] == ["exhaust", "crankcase", "ignition", "intake"]
    assert seen["look"]["cylinders"][0]["half_width"] is not None
    assert 700 < seen["look"]["speed_rpm"]["value"] < 900
    assert told["ended"] == "enough"
    assert told["verdict"]["fit"] is True
    assert told["verdict"]["why"]
    rows = client.get("/api/v1/recordings", params={"visit_id": visit["id"]}).json()
    assert [r["id"] for r in rows] == [told["recording_id"]]
    row = rows[0]
    assert row["condition"] == "idle"
    assert row["duration_s"] == pytest.approx(told["seconds"], abs=0.01)
    kept = client.app.state.context.store.file(row["sha256"])  # type: ignore[attr-defined]
    assert read_recording(kept).duration_s == pytest.approx(row["duration_s"])
    assert client.get(f"/api/v1/jobs/{told['job_id']}").json()["subject"] == row["id"]
    assert list((tmp_path / "data" / "web-recording").glob("*.json")) != []
    assert list((tmp_path / "data" / "web-recording").glob(f"*{SUFFIX}")) == []
    page = client.get(f"/visits/{visit['id']}/recordings", headers=PAGE).text
    assert "When it was recorded: fit to judge." in page


def test_stop_twice_is_stopped_once(client: TestClient, visit: dict[str, str]) -> None:
    live = start(client, visit["id"], shortest_s=15).json()
    until(client, live["id"], lambda t: t["seconds"] > 3.0)
    first = client.post(f"/api/v1/live/{live['id']}/stop").json()
    second = client.post(f"/api/v1/live/{live['id']}/stop").json()
    assert first["state"] == "done"
    assert first["ended"] == "stopped by hand"
    assert second["recording_id"] == first["recording_id"]
    listed = client.get("/api/v1/live", params={"visit_id": visit["id"]}).json()
    assert [one["id"] for one in listed] == [live["id"]]


def test_one_recording_on_an_instrument_at_a_time(
    client: TestClient, visit: dict[str, str]
) -> None:
    other = client.post(
        "/api/v1/intake",
        json={"name": "van 21", "engine": {"layout": "I4-1342"}, "purpose": "baseline"},
    ).json()
    live = start(client, visit["id"], shortest_s=15).json()
    refused = start(client, other["id"], address="simulator?seed=2")
    assert refused.status_code == 409
    assert refused.json()["current"]["id"] == live["id"]
    assert "minibus 7" in refused.json()["wrong"]
    path = f"/api/v1/visits/{other['id']}/instrument"
    assert client.get(path, params={"address": "simulator"}).status_code == 409
    client.post(f"/api/v1/live/{live['id']}/stop")
    again = start(client, other["id"], shortest_s=15)
    assert again.status_code == 201
    client.post(f"/api/v1/live/{again.json()['id']}/stop")


def test_cranking_waits_and_keeps_what_came_before(
    client: TestClient, visit: dict[str, str]
) -> None:
    live = start(client, visit["id"], condition="cranking", address=f"{FAST}&seconds=12")
    assert live.json()["state"] == "waiting", live.text
    told = until(client, live.json()["id"], over)
    assert told["ended"] == "the event is recorded"
    assert told["event_s"] >= 7.0
    assert told["seconds"] > told["event_s"] + 2.0  # from before the event


def test_what_cannot_be_recorded_is_said(client: TestClient, visit: dict[str, str]) -> None:
    for given, status in (
        ({"address": "nothing:1"}, 400),
        ({"inputs": {"exhaust": "nine"}}, 400),
        ({"inputs": {"rust": "exhaust"}}, 400),
        ({"shortest_s": 9, "longest_s": 3}, 422),
        ({"rate_hz": 1e9}, 422),
        ({"condition": "unknown"}, 422),
    ):
        answer = start(client, visit["id"], **given)
        assert answer.status_code == status, (given, answer.text)
        assert answer.json()["wrong"]
    assert client.get("/api/v1/live").json() == []
    assert start(client, "0" * 8 + "-0000" * 3 + "-" + "0" * 12).status_code == 404


def test_a_server_that_ends_leaves_what_was_recorded(
    client: TestClient, visit: dict[str, str]
) -> None:
    recorder = client.app.state.recorder  # type: ignore[attr-defined]
    live = start(client, visit["id"], shortest_s=15).json()
    until(client, live["id"], lambda t: t["seconds"] > 4.0)
    assert client.get("/api/v1/left-behind").json() == []  # it is not left while it runs
    recorder.close()
    kept = recorder.folder / f"{live['id']}{SUFFIX}"
    assert kept.exists()
    for moment in (time.time() - 60.0, time.time() + 3600.0):  # the clock may be set back later
        os.utime(kept, (moment, moment))
        left = client.get("/api/v1/left-behind", params={"visit_id": visit["id"]}).json()
        assert [one["name"] for one in left] == [live["id"]]
    assert left[0]["seconds"] > 4.0
    page = client.get(f"/visits/{visit['id']}/record", headers=PAGE).text
    assert "broke off" in page
    removed = client.delete(f"/api/v1/left-behind/{live['id']}")
    assert client.get("/api/v1/left-behind").json() == []
    client.request(removed.json()["undo"]["method"], removed.json()["undo"]["path"])
    answer = client.post(f"/api/v1/left-behind/{live['id']}/keep")
    assert answer.status_code == 201, answer.text
    assert answer.json()["row"]["visit_id"] == visit["id"]
    assert not kept.exists()
    assert client.post(f"/api/v1/left-behind/{live['id']}/keep").status_code == 404


def test_a_page_that_records_and_nobody_else(client: TestClient, visit: dict[str, str]) -> None:
    page = client.get(f"/visits/{visit['id']}/record", headers=PAGE)
    assert page.status_code == 200
    assert "starter" in page.text
    assert client.get("/visits/nowhere/record", headers=PAGE).status_code == 404
    client.headers.pop("X-Ringland-Token")
    assert start(client, visit["id"]).status_code == 403


def test_settings_show_what_was_measured_of_instruments_with_its_age(
    client: TestClient, store: Store
) -> None:
    assert "Nothing was measured yet." in client.get("/settings", headers=PAGE).text
    now = datetime.now(UTC)
    one = Calibration(
        CalibrationKind.SKEW, "card <b>", "sound:1", "left", "exhaust", now.isoformat(), 5000.0,
        2e-6, 1e-7, "s", "right",
    )  # fmt: skip
    old = replace(one, input="right", measured_utc=(now - timedelta(days=400)).isoformat())
    keep_calibrations(store, (one, old))
    page = client.get("/settings", headers=PAGE).text
    assert "card &lt;b&gt;" in page
    assert "skew 2.00 +- 0.16 us late against right, at 5000 samples per second" in page
    assert "today" in page
    assert "<strong>400 days ago, older than 365 days: measure it again</strong>" in page


def test_a_recording_in_the_app_uses_what_was_measured(
    client: TestClient, store: Store, visit: dict[str, str]
) -> None:
    path = f"/api/v1/visits/{visit['id']}/instrument"
    name = client.get(path, params={"address": FAST}).json()["title"]
    turned = Calibration(
        CalibrationKind.POLARITY, name, "simulator", "exhaust", "exhaust",
        datetime.now(UTC).isoformat(), 5000.0, -1.0,
    )  # fmt: skip
    keep_calibrations(store, (turned,))
    live = start(client, visit["id"], longest_s=2, shortest_s=1).json()
    assert "exhaust: turned over" in " ".join(live["notes"])
    done = until(client, live["id"], over)
    row = get_recording(store, done["recording_id"])
    recording = read_recording(store.files.path(row.sha256))
    step = next(s for s in recording.provenance.steps if s.name == "instruments.calibrated")
    assert step.settings["exhaust.polarity.applied"] is True


def test_the_speed_the_vehicle_says_goes_along(client: TestClient, visit: dict[str, str]) -> None:
    with adapter(Car(speed_rpm=812.0)) as served:
        live = start(client, visit["id"], longest_s=12, shortest_s=8, obd=served.address).json()
        told = until(client, live["id"], lambda t: (t["vehicle_speed"] or {}).get("count", 0) > 1)
        assert told["vehicle_speed"]["median_rpm"] == 812.0
        done = until(client, live["id"], over)
    assert done["vehicle_speed"]["address"] == served.address
    row = client.get(f"/api/v1/recordings/{done['recording_id']}").json()
    assert row["speed_hint_rpm"] == 812.0
    folder = client.app.state.recorder.folder  # type: ignore[attr-defined]
    beside = json.loads((folder / f"{done['recording_id']}.json").read_text("utf-8"))
    assert beside["vehicle_speed"]["median_rpm"] == 812.0


def test_a_silent_adapter_costs_no_recording(client: TestClient, visit: dict[str, str]) -> None:
    live = start(client, visit["id"], longest_s=4, shortest_s=2, obd="tcp:127.0.0.1:9").json()
    done = until(client, live["id"], over)
    assert done["recording_id"]
    assert done["vehicle_speed"]["trouble"]

"""Self-check of an instrument in the app: measured, looked at, kept or thrown away; which one of a
name it was; and what a recording then makes of it."""

import shutil
import threading
import time
from datetime import UTC, datetime
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from ringland.history import Store, list_calibrations
from ringland.history.calibrations import keep_calibrations, newest
from ringland.instruments.calibration import Calibration, CalibrationKind
from ringland.live.simulated import TITLE
from ringland.web import create_app
from ringland.web.sessions import Role, csrf_token

from .conftest import BASE, PAGE
from .test_api import do, wait_for

FAST = "simulator?pace=200"
ALL = {"exhaust": "exhaust", "crankcase": "crankcase"}


def check(client: TestClient, what: str, **given: Any) -> dict[str, Any]:
    """A self-check when it is over."""
    body = {"address": FAST, "what": what, "seconds": 2, "inputs": ALL, **given}
    answer = client.post("/api/v1/self-check", json=body)
    assert answer.status_code == 202, answer.text
    return wait_for(client, answer.json()["id"])


def turned(which: str = "") -> Calibration:
    """A simulated sensor that is the wrong way up."""
    return Calibration(
        CalibrationKind.POLARITY, TITLE, "simulator", "exhaust", "exhaust",
        datetime.now(UTC).isoformat(), 5000.0, -1.0, which=which,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("what", "says"),
    [("noise", "noise 0.0021"), ("skew", "skew: the others are measured against it"),
     ("polarity", "polarity as it should be, with exhaust"), ("step", "per Pa")],
)  # fmt: skip
def test_each_is_measured_shown_and_counts_when_kept(
    client: TestClient, store: Store, what: str, says: str
) -> None:
    given = {"pressure": "2 kPa"} if what == "step" else {}
    done = check(client, what, **given)
    assert done["state"] == "done", done
    assert list_calibrations(store) == ()  # nothing counts before a person says so
    page = client.get("/instruments", headers=PAGE).text
    assert says in page and "Nothing of it counts until you keep it" in page
    assert client.post("/api/v1/self-check/keep").json()["values"] == 2
    assert len(newest(store)) == 2
    page = client.get("/instruments", headers=PAGE).text
    assert says in page and "Nothing of it counts" not in page
    assert client.post("/api/v1/self-check/keep").status_code == 400


def test_what_counted_before_stands_beside_it_and_stays(client: TestClient, store: Store) -> None:
    keep_calibrations(store, (turned(),))
    assert check(client, "polarity")["state"] == "done"
    page = client.get("/instruments", headers=PAGE).text
    assert "polarity turned over, with exhaust (2" in page  # until now, with its date
    client.delete("/api/v1/self-check")
    assert [c.value for c in newest(store)] == [-1.0]  # thrown away
    check(client, "polarity")
    client.post("/api/v1/self-check/keep")
    assert {c.value for c in newest(store)} == {1.0}
    page = client.get("/instruments", headers=PAGE).text
    assert "Older values of simulated vehicle (1)" in page

    wrong = next(r for r in list_calibrations(store) if r.value == 1.0 and r.input == "exhaust")
    taken = client.delete(f"/api/v1/calibrations/{wrong.id}?version={wrong.version}").json()
    assert {c.value for c in newest(store) if c.input == "exhaust"} == {-1.0}  # that before counts
    do(client, taken["undo"])
    assert {c.value for c in newest(store) if c.input == "exhaust"} == {1.0}
    changed = client.patch(f"/api/v1/calibrations/{wrong.id}", json={"version": 9, "value": 7.0})
    assert changed.status_code == 422  # what was measured is nobody's to write


def test_what_was_found_waits_while_the_program_is_away(
    client: TestClient, app: FastAPI, store: Store
) -> None:
    assert check(client, "polarity")["state"] == "done"
    context = app.state.context
    again = create_app(store, folder=context.folder, warm=False)  # begun anew over the same folder
    with TestClient(again, base_url=BASE, follow_redirects=False) as later:
        later.get(f"/enter?key={again.state.context.sessions.key}")
        page = later.get("/instruments", headers=PAGE).text
        assert "Self-check, polarity" in page and "Nothing of it counts until you keep it" in page
        later.headers["X-Ringland-Token"] = page.split('name="ringland-token" content="')[1].split(
            '"'
        )[0]
        assert later.post("/api/v1/self-check/keep").json()["values"] == 2
        assert "Nothing of it counts" not in later.get("/instruments", headers=PAGE).text
    assert len(newest(store)) == 2
    (context.folder / "web-self-check.json").write_text('[{"what": "noise"}]', encoding="utf-8")
    assert "Nothing of it counts" not in client.get("/instruments", headers=PAGE).text  # damaged


def test_two_of_one_name(client: TestClient, store: Store, visit: dict[str, str]) -> None:
    """A label from the case keeps them apart, also for what was measured before there were two."""
    keep_calibrations(store, (turned(),))
    path = f"/api/v1/visits/{visit['id']}/instrument"
    known = client.get(path, params={"address": FAST}).json()["known"]
    assert (known["which"], known["serial"], known["labels"]) == ("", False, [""])
    assert "turned over" in known["measured"][0]["says"]
    given = client.post(
        "/api/v1/instruments/label", json={"instrument": TITLE, "label": "bay 2"}
    ).json()
    assert given["values"] == 1
    check(client, "polarity", address=f"{FAST}&label=bay 3")
    client.post("/api/v1/self-check/keep")
    for label, said in (("bay 2", "turned over"), ("bay 3", "as it should be"), ("bay 4", None)):
        address = f"{FAST}&label={label}"
        known = client.get(path, params={"address": address}).json()["known"]
        assert (known["which"], known["labels"]) == (label, ["bay 2", "bay 3"])
        assert [said in m["says"] for m in known["measured"][:1]] == (
            [] if said is None else [True]
        )
        notes = " ".join(live_notes(client, visit["id"], address))
        assert ("exhaust: turned over" in notes) is (label == "bay 2")
    assert "exhaust: turned over" not in " ".join(live_notes(client, visit["id"], FAST))
    do(client, given["undo"])
    assert "exhaust: turned over" in " ".join(live_notes(client, visit["id"], FAST))
    wrong = client.post("/api/v1/instruments/label", json={"instrument": "x", "label": "bay 2"})
    assert wrong.status_code == 400
    refused = client.post("/api/v1/instruments/label", json={"instrument": TITLE, "label": "<b>"})
    assert refused.status_code == 400


def live_notes(client: TestClient, visit: str, address: str) -> list[str]:
    """What a recording with this instrument says when it begins."""
    body = {"address": address, "longest_s": 1, "shortest_s": 0.5, "rate_hz": 5000}
    answer = client.post(f"/api/v1/visits/{visit}/live", json=body)
    assert answer.status_code == 201, answer.text
    client.post(f"/api/v1/live/{answer.json()['id']}/stop")
    notes: list[str] = answer.json()["notes"]
    return notes


def test_what_goes_wrong_is_said(client: TestClient, store: Store) -> None:
    failed = check(client, "skew", seconds=0.5, rate_hz=1000)
    assert failed["state"] == "failed" and "too short" in failed["error"]["wrong"]
    assert "too short" in client.get("/instruments", headers=PAGE).text
    nowhere = {"address": "tcp:127.0.0.1:9", "what": "noise", "inputs": {"exhaust": "1"}}
    answer = client.post("/api/v1/self-check", json=nowhere)
    told = answer.json() if answer.status_code != 202 else wait_for(client, answer.json()["id"])
    assert told.get("wrong") or told["error"]["wrong"]
    for wrong in ({"pressure": "2 kPa"}, {"what": "step", "pressure": "0 kPa"},
                  {"seconds": 1000}, {"address": "nothing:1"}):  # fmt: skip
        body = {"address": FAST, "what": "noise", **wrong}
        assert client.post("/api/v1/self-check", json=body).status_code in (400, 422)
    assert list_calibrations(store) == ()


def test_one_at_a_time_stopped_and_the_instrument_is_free_again(
    client: TestClient, visit: dict[str, str]
) -> None:
    body = {"address": "simulator", "what": "polarity", "seconds": 60, "inputs": ALL}
    job = client.post("/api/v1/self-check", json=body).json()
    assert client.post("/api/v1/self-check", json=body).status_code == 400
    live = {"address": "simulator?seed=3", "longest_s": 2, "shortest_s": 1}
    busy = client.post(f"/api/v1/visits/{visit['id']}/live", json=live)
    assert busy.status_code == 400 and "self-check" in busy.json()["wrong"]
    end = time.monotonic() + 30
    while "quiet" not in client.get(f"/api/v1/jobs/{job['id']}").json()["said"]:
        assert time.monotonic() < end
        time.sleep(0.05)
    assert "Leave everything quiet" in client.get("/instruments", headers=PAGE).text
    client.delete(f"/api/v1/jobs/{job['id']}")
    assert wait_for(client, job["id"])["state"] == "stopped"
    assert "Stopped; nothing was kept." in client.get("/instruments", headers=PAGE).text
    free = client.post(f"/api/v1/visits/{visit['id']}/live", json={**live, "address": FAST})
    assert free.status_code == 201, free.text
    client.post(f"/api/v1/live/{free.json()['id']}/stop")


def test_the_bench_says_what_is_there(client: TestClient) -> None:
    told = client.get("/api/v1/bench", params={"address": "simulator?label=bay 2"}).json()
    assert told["title"] == TITLE
    assert told["known"]["which"] == "bay 2" and told["known"]["serial"] is False
    assert [i["role"] for i in told["inputs"]][:2] == ["exhaust", "crankcase"]
    page = client.get("/instruments", headers=PAGE).text
    for words in ("Caution:", "rubber bulb", "burst pressure", "short-circuited"):
        assert words in page


@pytest.mark.skipif(shutil.which("sigrok-cli") is None, reason="sigrok-cli is not installed")
def test_a_real_stack(client: TestClient, store: Store) -> None:
    """A device of sigrok's own demonstration driver, through its program."""
    address = "sigrok:demo:analog_channels=4"
    told = client.get("/api/v1/bench", params={"address": address}).json()
    assert "Demo device" in told["title"]
    for _ in range(4):
        done = check(
            client, "noise", address=f"{address}?label=bench", inputs={"exhaust": "A0"},
            rate_hz=20_000,
        )  # fmt: skip
        # on a busy machine that program of another house aborts now and then, which is told
        if "status -6" not in str(done["error"]):
            break
        assert done["said"] == "The instrument stopped before there was enough."
    else:
        pytest.skip("sigrok-cli aborted four times: nothing of ours was asked")
    assert done["state"] == "done", done
    client.post("/api/v1/self-check/keep")
    (one,) = newest(store)
    assert (one.which, one.input, one.what) == ("bench", "A0", CalibrationKind.NOISE)
    assert one.value > 0.1  # a square wave of volts


def test_a_reader_measures_nothing(client: TestClient, app: FastAPI) -> None:
    sessions = app.state.context.sessions
    token = sessions.open(Role.READER)
    client.cookies.clear()
    client.cookies.set("ringland", token)
    headers = {"X-Ringland-Token": csrf_token(sessions.key, token)}
    body = {"address": FAST, "what": "noise"}
    assert client.post("/api/v1/self-check", json=body, headers=headers).status_code == 403
    assert client.get("/instruments", headers=PAGE).status_code == 200


def test_nothing_is_left_running(app: FastAPI, client: TestClient) -> None:
    """Closed with the app, however long the check would take."""
    body = {"address": "simulator", "what": "noise", "seconds": 60, "inputs": ALL}
    job = client.post("/api/v1/self-check", json=body).json()
    app.state.context.jobs.close()
    assert app.state.context.jobs.get(job["id"]).over
    assert not [t for t in threading.enumerate() if t.name == "ringland-here"]

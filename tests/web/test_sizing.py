"""How large the leading cause is, from the page: a job that can be stopped, and in the report."""

import time
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from typer.testing import CliRunner

from ringland.cli.main import app as command

from .test_api import wait_for

PAGE = {"Accept": "text/html"}


@pytest.fixture(scope="module")
def leaking(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Ten simulated seconds of an engine whose cylinder 3 leaks past its rings."""
    folder = tmp_path_factory.mktemp("leak")
    (folder / "engine.toml").write_text(
        'cylinders = 4\nfiring_order = "1-3-4-2"\nfuel = "petrol"\ntrigger_cylinder = 1\n'
    )
    words = ["simulate", folder / "engine.toml", "--out", folder / "idle.csv", "--fault",
             "ring_leak:3:6mm2", "--rate", "5000", "--seed", "11"]  # fmt: skip
    result = CliRunner().invoke(command, [str(w) for w in words])
    assert result.exit_code == 0, result.output
    return Path(folder / "idle.csv").read_bytes()


def test_the_size_is_found_shown_and_reported(
    client: TestClient, visit: dict[str, str], leaking: bytes
) -> None:
    kept = client.post(
        f"/api/v1/visits/{visit['id']}/recordings/upload",
        params={"name": "idle.csv", "condition": "idle"},
        content=leaking,
    ).json()
    assert wait_for(client, kept["job"]["id"])["state"] == "done"
    why = f"/visits/{visit['id']}/why"
    before = client.get(why, headers=PAGE).text
    assert "Find how large it is" in before and "round hole" not in before
    address = f"/api/v1/recordings/{kept['row']['id']}/size"

    stopped = client.post(address).json()
    client.delete(f"/api/v1/jobs/{stopped['id']}")
    assert wait_for(client, stopped["id"])["state"] in ("stopped", "done")

    job = client.post(address).json()
    seen: set[float] = set()
    end = time.monotonic() + 180.0
    while time.monotonic() < end:
        now = client.get(f"/api/v1/jobs/{job['id']}").json()
        seen.add(now["fraction"])
        if now["state"] in ("done", "failed"):
            break
        time.sleep(0.02)
    assert now["state"] == "done", now
    assert len(seen) > 2  # progress was told
    after = client.get(why, headers=PAGE).text
    assert "As large as a round hole" in after and "in 9 of 10 such cases" in after
    assert "Measured and simulated cycle of" in after or "Dashed: simulated" in after
    assert "Find how large it is" not in after

    # what if begins there: at this cause, in its cylinder, at the size that was found
    what_if = client.get(f"/recordings/{kept['row']['id']}/what-if", headers=PAGE).text
    assert "Set to the leading cause of this visit: Worn or stuck rings, cylinder 3" in what_if
    assert '<option value="ring_leak" data-scope="cylinder" selected>' in what_if
    assert "<option selected>3</option>" in what_if
    size = float(what_if.split('data-size="')[1].split('"')[0])
    assert size == pytest.approx(6.0, rel=0.5)  # 6 mm2 were put in

    report = client.post(
        f"/api/v1/visits/{visit['id']}/reports", json={"recording_id": kept["row"]["id"]}
    ).json()
    assert wait_for(client, report["id"])["state"] == "done"
    page = client.get(f"/api/v1/visits/{visit['id']}/report?kind=html").text
    assert "As large as a round hole" in page


def test_there_is_nothing_to_size_before_it_was_judged(
    client: TestClient, visit: dict[str, str]
) -> None:
    kept = client.post(
        f"/api/v1/visits/{visit['id']}/recordings/upload",
        params={"name": "x.csv", "condition": "idle"},
        content=b"not a recording",
    ).json()
    assert wait_for(client, kept["job"]["id"])["state"] == "failed"
    answer = client.post(f"/api/v1/recordings/{kept['row']['id']}/size")
    assert answer.status_code == 400
    assert "no analysis that holds now" in answer.json()["wrong"]

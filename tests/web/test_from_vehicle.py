"""What the vehicle says of itself, read on the page of a visit and counted as an answer there."""

import json

from fastapi.testclient import TestClient
from tests.instruments.obd_vehicle import Car, adapter

from .conftest import PAGE


def read(client: TestClient, visit_id: str, car: Car) -> dict[str, object]:
    with adapter(car) as served:
        answer = client.post(
            f"/api/v1/visits/{visit_id}/vehicle-readings",
            json={"address": served.address, "seconds": 0},
        )
    assert answer.status_code == 201, answer.text
    told: dict[str, object] = answer.json()
    return told


def count(client: TestClient, visit_id: str, **given: object) -> tuple[int, dict[str, object]]:
    answer = client.post(f"/api/v1/visits/{visit_id}/answers/from-vehicle", json=given)
    return answer.status_code, answer.json()


def test_read_shown_and_counted(client: TestClient, visit: dict[str, str]) -> None:
    visit_id = visit["id"]
    assert count(client, visit_id, test="trouble_codes", cylinder=3)[0] == 400, "not read yet"
    told = read(client, visit_id, Car(stored=(b"\x03\x03",)))
    assert any(str(line).startswith("P0303 stored") for line in told["lines"])  # type: ignore[attr-defined]
    page = client.get(f"/visits/{visit_id}/checks", headers=PAGE).text
    assert "P0303 stored" in page
    assert "Reading only: no code is cleared" in page
    status, kept = count(client, visit_id, test="trouble_codes", cylinder=3)
    assert status == 201, kept
    row = kept["row"]
    assert isinstance(row, dict)
    assert (row["test"], row["cylinder"]) == ("trouble_codes", 3)
    assert row["outcome"]
    assert str(row["remark"]).startswith("Read from the vehicle at ")
    undo = kept["undo"]
    assert isinstance(undo, dict)
    assert client.request(undo["method"], undo["path"]).status_code == 200


def test_fuel_trims_need_both_states(client: TestClient, visit: dict[str, str]) -> None:
    visit_id = visit["id"]
    read(client, visit_id, Car(speed_rpm=760.0))
    status, said = count(client, visit_id, test="fuel_trims")
    assert status == 400
    assert "at idle, and held at 2500 rpm" in str(said["wrong"])
    page = client.get(f"/visits/{visit_id}/checks", headers=PAGE).text
    assert "cannot be counted. Fuel trims need two readings" in page
    read(client, visit_id, Car(speed_rpm=2500.0))
    status, kept = count(client, visit_id, test="fuel_trims")
    assert status == 201, kept
    row = kept["row"]
    assert isinstance(row, dict)
    assert "bank" in str(row["remark"])
    assert json.loads(str(row["readings"])) is not None


def test_what_cannot_be_read_is_said(client: TestClient, visit: dict[str, str]) -> None:
    path = f"/api/v1/visits/{visit['id']}/vehicle-readings"
    for address in ("tcp:127.0.0.1:9", "nothing", "serial:"):
        answer = client.post(path, json={"address": address, "seconds": 0})
        assert answer.status_code == 400, answer.text
        assert answer.json()["wrong"]
    assert count(client, visit["id"], test="leakdown")[0] == 400
    nowhere = "0" * 8 + "-0000" * 3 + "-" + "0" * 12
    assert client.post(
        f"/api/v1/visits/{nowhere}/vehicle-readings", json={"address": "tcp:127.0.0.1:9"}
    ).status_code == 404  # fmt: skip

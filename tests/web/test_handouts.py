"""Documents to hand out from the app: the fleet summary, before and after, and the firm's logo."""

import base64
import re
from io import BytesIO
from pathlib import Path

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from pypdf import PdfReader

from ringland.history import Store, add_owner, list_owners, list_recordings, list_vehicles
from ringland.history.demo import fill_demo_store
from ringland.report.kept import find_report

from .conftest import PAGE

PIXEL = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg=="
)


@pytest.fixture
def fleet(client: TestClient, store: Store) -> Store:
    """The demonstration's store behind the app."""
    fill_demo_store(store)
    return store


def text_of(pdf: bytes) -> str:
    return re.sub(r"\s+", " ", "".join(p.extract_text() for p in PdfReader(BytesIO(pdf)).pages))


def test_the_fleet_summary_says_what_the_page_says(
    client: TestClient, app: FastAPI, fleet: Store
) -> None:
    settings = client.get("/api/v1/settings").json()
    given = {"firm_name": "Marrow Valley Workshop", "firm_telephone": "+00 555 0104"}
    client.patch("/api/v1/settings", json={**given, "version": settings["version"]})
    page = client.get("/fleet", headers=PAGE).text
    address = re.findall(r'href="(/api/v1/fleet-summary[^"]+pdf)"', page)[0].replace("&amp;", "&")
    answer = client.get(address)
    assert answer.headers["content-disposition"] == 'attachment; filename="fleet-summary.pdf"'
    text = text_of(answer.content)
    first = re.findall(r"<b>([^<]+)</b> <b class=.word.>bring in", page)[0]
    for said in ("Fleet summary", "Marrow Valley Workshop", "+00 555 0104", first, "Odometer, km"):
        assert said in text
    printed = re.findall(r"Content:? ([0-9a-f]{8})", text)[0]
    assert find_report(printed, app.state.context.folder)  # can be checked later
    html = client.get(address.replace("kind=pdf", "kind=html"))
    assert html.headers["content-disposition"].startswith("attachment")
    assert first in html.text


def test_of_an_owner_without_vehicles_and_of_nobody(client: TestClient, fleet: Store) -> None:
    owner = add_owner(fleet, name="<b>Nobody</b>")
    page = client.get("/api/v1/fleet-summary", params={"owner_id": owner.id, "kind": "html"}).text
    assert "No vehicle of this fleet was measured yet." in page
    assert "<b>Nobody</b>" not in page
    whole = client.get("/api/v1/fleet-summary", params={"kind": "html"}).text
    assert all(v.name in whole for v in list_vehicles(fleet))
    nobody = list_vehicles(fleet)[0].id
    assert client.get("/api/v1/fleet-summary", params={"owner_id": nobody}).status_code == 404
    assert len(list_owners(fleet)) > 1


def test_before_and_after_as_a_file(client: TestClient, fleet: Store) -> None:
    vehicle = next(v for v in list_vehicles(fleet) if len(list_recordings(fleet)) > 2)
    page = client.get(f"/vehicles/{vehicle.id}/compare", headers=PAGE).text
    chosen = {
        name: re.findall(rf'name="{name}">.*?value="([^"]+)" selected', page, re.DOTALL)[0]
        for name in ("before", "after")
    }
    path = f"/api/v1/vehicles/{vehicle.id}/before-after"
    compared = client.get(f"/vehicles/{vehicle.id}/compare", params=chosen, headers=PAGE).text
    links = re.findall(r'href="(/api/v1/[^"]+/before-after[^"]+)"', compared)
    assert len(links) == 2
    pdf = client.get(links[0].replace("&amp;", "&"))
    assert "Before and after" in text_of(pdf.content)
    html = client.get(path, params={**chosen, "kind": "html"})
    assert "How it was compared" in html.text
    wrong = {**chosen, "before": vehicle.id}
    assert client.get(path, params=wrong).status_code == 404


def test_the_logo_is_looked_at_and_stands_in_documents(
    client: TestClient, app: FastAPI, fleet: Store
) -> None:
    path = "/api/v1/settings/logo"
    assert client.get(path).status_code == 404
    assert client.put(path, content=b"<svg onload=alert(1)>").status_code == 400
    assert client.put(path, content=b"").status_code == 400
    assert client.get(path).status_code == 404
    assert client.put(path, content=PIXEL).status_code == 200
    shown = client.get(path)
    assert (shown.content, shown.headers["content-type"]) == (PIXEL, "image/png")
    assert 'src="/api/v1/settings/logo?' in client.get("/settings", headers=PAGE).text
    summary = client.get("/api/v1/fleet-summary", params={"kind": "html"}).text
    assert base64.b64encode(PIXEL).decode() in summary
    assert client.delete(path).status_code == 200
    assert client.get(path).status_code == 404
    assert not list(Path(app.state.context.folder).glob("web-logo*"))


def test_both_go_into_the_outbox_from_their_pages(
    client: TestClient, app: FastAPI, fleet: Store
) -> None:
    owner = next(o for o in list_owners(fleet) if list_vehicles(fleet, owner_id=o.id))
    settings = client.get("/api/v1/settings").json()
    client.patch("/api/v1/settings", json={"language": "de", "version": settings["version"]})
    given = {"recipient": "a@marrow.invalid, b@marrow.invalid", "subject": "Order", "text": "Here."}
    to_fleet = f"/api/v1/owners/{owner.id}/fleet-summary/send"
    refused = client.post(to_fleet, json=given)
    assert "mail.toml" in refused.json()["allowed"]
    assert "mail.toml" in client.get("/fleet", headers=PAGE).text
    (app.state.context.folder / "mail.toml").write_text(
        'host = "127.0.0.1"\nport = 9\nsecurity = "none"\nsender = "w@marrow.invalid"\n', "utf-8"
    )
    page = client.get("/fleet", headers=PAGE).text
    assert f'data-path="{to_fleet}"' in page
    assert f"Flottenübersicht, {owner.name}" in page
    assert "Die Flottenübersicht finden Sie im Anhang." in page
    first = client.post(to_fleet, json=given)
    assert first.status_code == 201, first.text
    rows = [first.json()["row"], *first.json()["also"]]
    assert [(r["kind"], r["recipient"]) for r in rows] == [
        ("fleet summary", "a@marrow.invalid"), ("fleet summary", "b@marrow.invalid"),
    ]  # fmt: skip
    again = client.post(to_fleet, json=given).json()
    assert again["row"]["id"] == rows[0]["id"]  # never twice
    letter = client.get(f"/api/v1/letters/{rows[0]['id']}/file").content
    assert b"b@marrow.invalid" not in letter  # none sees another
    assert b"application/pdf" in letter
    wrong = {**given, "recipient": "c@marrow.invalid, nobody"}
    assert client.post(to_fleet, json=wrong).status_code == 400
    assert client.get("/fleet", headers=PAGE).text.count("a@marrow.invalid: ") == 1

    vehicle = next(v for v in list_vehicles(fleet) if v.owner_id == owner.id)
    page = client.get(f"/vehicles/{vehicle.id}/compare", headers=PAGE).text
    chosen = {
        name: re.findall(rf'name="{name}">.*?value="([^"]+)" selected', page, re.DOTALL)[0]
        for name in ("before", "after")
    }
    compared = client.get(f"/vehicles/{vehicle.id}/compare", params=chosen, headers=PAGE).text
    (path,) = re.findall(r'data-path="(/api/v1/[^"]+/before-after/send[^"]+)"', compared)
    path = path.replace("&amp;", "&")
    assert f"Vorher und nachher, {vehicle.name}" in compared
    sent = client.post(path, json=given).json()
    assert sent["row"]["kind"] == "before and after"
    assert client.post(path, json=given).json()["row"]["id"] == sent["row"]["id"]
    assert len(client.get("/api/v1/reports-sent").json()) == 4
    assert client.post(path.replace(chosen["after"], vehicle.id), json=given).status_code == 404
    compared = client.get(f"/vehicles/{vehicle.id}/compare", params=chosen, headers=PAGE).text
    assert compared.count("a@marrow.invalid: ") == 1
    today = client.get("/", headers=PAGE).text
    assert today.count("a@marrow.invalid: ") == 2  # one is not seen to by the other


def test_a_fleet_without_a_visit_is_not_sent(client: TestClient, fleet: Store) -> None:
    owner = add_owner(fleet, name="Nobody")
    given = {"recipient": "a@marrow.invalid", "subject": "Order"}
    answer = client.post(f"/api/v1/owners/{owner.id}/fleet-summary/send", json=given)
    assert answer.status_code == 400
    assert "visit" in answer.json()["wrong"]

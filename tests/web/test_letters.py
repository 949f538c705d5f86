"""Letters in the app: where each one is and why, and what a person can do about it."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from ringland.history import Store
from ringland.history.ids import id_from
from ringland.history.outbox import ItemState, add_letter, find_item, open_outbox, send_due
from ringland.history.reports_sent import about_visit, note_letters
from ringland.report.mail import Attachment, Letter, MailServer

from .conftest import PAGE

AWAY = MailServer("127.0.0.1", "workshop@marrow.invalid", port=9, security="none")


def put_in(store: Store, folder: Path, visit_id: str, state: ItemState, reply: str) -> str:
    """A letter of a visit in that state; the id of its row."""
    file = Attachment("report.pdf", "application/pdf", b"%PDF-1.7")
    letter = Letter(f"{state}@marrow.invalid", f"Report, {state}", "Attached.", (file,))
    about = about_visit(visit_id, kind="pdf", sha256=None)
    with open_outbox(folder) as outbox:
        item = add_letter(outbox, letter, AWAY, about=about)
        outbox.connection.execute(
            "UPDATE letter SET state = ?, reply = ?, attempts = 2, next_try_utc = '2099-01-01' "
            "WHERE id = ?",
            (state, reply, item.id),
        )
    with open_outbox(folder) as outbox:
        note_letters(store, [find_item(outbox, item.id)])
    return id_from("report_sent", item.id)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "data"


def pages(client: TestClient, visit_id: str) -> tuple[str, str]:
    """Today, and the report of the visit."""
    part = client.get(f"/visits/{visit_id}/part/report", headers=PAGE)
    assert part.status_code == 200, part.text
    return client.get("/", headers=PAGE).text, part.text


def act(client: TestClient, row: str, what: str, body: Any = None) -> Any:
    return client.post(f"/api/v1/letters/{row}/{what}", json=body)


def test_one_that_waits_says_why_is_tried_or_taken_back(
    client: TestClient, store: Store, folder: Path, visit: dict[str, str]
) -> None:
    row = put_in(store, folder, visit["visit_id"], ItemState.WAITING, "no route to the server")
    today, _ = pages(client, visit["visit_id"])
    for said in ("in the outbox, 2 tried, next at 2099", "The last try: no route", "Try now"):
        assert said in today
    assert act(client, row, "try").json()["row"]["state"] == "queued"
    with open_outbox(folder) as outbox:  # due now, and tried
        (tried,) = send_due(outbox, AWAY, now=datetime.now(UTC), timeout_s=2.0)
    assert tried.attempts == 3
    assert tried.reply.startswith("The mail server does not answer (")
    assert act(client, row, "settle", {"arrived": True}).status_code == 400
    assert act(client, row, "cancel").json()["row"]["state"] == "failed"
    assert act(client, row, "cancel").status_code == 400  # taken back already
    assert "Report, waiting" not in client.get("/", headers=PAGE).text


def test_an_unclear_one_is_settled_by_what_the_recipient_says(
    client: TestClient, store: Store, folder: Path, visit: dict[str, str]
) -> None:
    row = put_in(store, folder, visit["visit_id"], ItemState.UNCLEAR, "the connection broke")
    today, _ = pages(client, visit["visit_id"])
    assert "it may have arrived" in today
    assert "Ask the recipient" in today
    assert act(client, row, "try").status_code == 400
    assert act(client, row, "settle", {"arrived": False}).json()["row"]["state"] == "queued"
    again = put_in(store, folder, visit["visit_id"], ItemState.UNCLEAR, "")
    assert again == row  # the same letter
    assert act(client, row, "settle", {"arrived": True}).json()["row"]["state"] == "sent"
    assert "Report, unclear" not in client.get("/", headers=PAGE).text


def test_what_the_server_refuses_says_what_to_do_and_goes_by_another_way(
    client: TestClient, store: Store, folder: Path, visit: dict[str, str]
) -> None:
    put_in(store, folder, visit["visit_id"], ItemState.UNCLEAR, "")
    row = put_in(store, folder, visit["visit_id"], ItemState.REFUSED, "550 <b>no</b> such mailbox")
    today, _ = pages(client, visit["visit_id"])
    assert "Report, unclear" in today  # to somebody else
    assert "550 &lt;b&gt;no&lt;/b&gt; such mailbox" in today
    assert "Correct the address" in today
    letter = client.get(f"/api/v1/letters/{row}/file")
    assert letter.headers["content-disposition"].startswith("attachment")
    assert b"To: refused@marrow.invalid" in letter.content
    handed = client.post(f"/api/v1/visits/{visit['visit_id']}/handed-over", json={"how": "by hand"})
    assert handed.status_code == 201
    assert "550" not in client.get("/", headers=PAGE).text  # seen to


def test_a_letter_that_is_not_here(client: TestClient, visit: dict[str, str]) -> None:
    for what, body in (("try", None), ("cancel", None), ("settle", {"arrived": True})):
        assert act(client, id_from("report_sent", "x"), what, body).status_code == 404
    assert client.get(f"/api/v1/letters/{id_from('report_sent', 'x')}/file").status_code == 404

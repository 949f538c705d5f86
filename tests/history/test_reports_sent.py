"""Reports sent, written down with their visit: once, and only when they were."""

from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from ringland.cli.main import app
from ringland.history import (
    Store,
    add_owner,
    add_vehicle,
    add_visit,
    changes_of,
    list_reports_sent,
    open_store,
)
from ringland.history.insight import vehicle_page
from ringland.history.outbox import OUTBOX_FILE, add_letter, list_items, open_outbox, send_due
from ringland.history.reports_sent import about_visit, note_letters, owner_address
from ringland.report.mail import Letter, MailServer

from .test_outbox import Handler, post

__all__ = ["post"]

Post = tuple[Handler, MailServer]
LETTER = Letter("owner@marrow.example", "Report", "Attached.\n")


def visited(store: Store, email: str = "owner@marrow.example") -> str:
    """A visit of a vehicle whose owner has an address; its id."""
    owner = add_owner(store, name="Marrow Valley Transit", email=email)
    vehicle = add_vehicle(store, name="van 21", owner_id=owner.id)
    visit = add_visit(store, vehicle_id=vehicle.id, visited_on="2026-09-14", purpose="before")
    assert owner_address(store, visit) == email
    return visit.id


def test_sent_is_said_when_it_was_and_once(post: Post, tmp_path: Path) -> None:
    handler, server = post
    with open_store(tmp_path / "store") as store, open_outbox(tmp_path) as outbox:
        visit = visited(store)
        about = about_visit(visit, kind="pdf", sha256="ab" * 32)
        add_letter(outbox, LETTER, server, about=about)
        (row,) = note_letters(store, list_items(outbox))
        assert (row.state, row.sent_utc, row.kind) == ("queued", None, "pdf")
        assert vehicle_page(store, store_vehicle(store))[0].reports == ()  # not yet

        handler.answers = ["451 later"]
        send_due(outbox, server, at_once=True)
        assert note_letters(store, list_items(outbox)) == ()  # it still waits

        handler.answers = []
        send_due(outbox, server, at_once=True)
        (row,) = note_letters(store, list_items(outbox))
        assert row.state == "sent" and row.sent_utc is not None
        assert note_letters(store, list_items(outbox)) == ()
        assert list_reports_sent(store) == (row,)
        assert vehicle_page(store, store_vehicle(store))[0].reports == (row,)
        assert [c.action for c in changes_of(store, row.id)] == ["change", "add"]


def store_vehicle(store: Store) -> str:
    """The only vehicle."""
    from ringland.history import list_vehicles

    return list_vehicles(store)[0].id


def test_what_nobody_noted_is_noted_afterwards_and_other_stores_are_left_alone(
    post: Post, tmp_path: Path
) -> None:
    """A process that died after the letter went out loses no row."""
    _, server = post
    with open_store(tmp_path / "store") as store, open_outbox(tmp_path) as outbox:
        about = about_visit(visited(store), kind="pdf", sha256=None)
        add_letter(outbox, LETTER, server, about=about)
        send_due(outbox, server)
        with open_store(tmp_path / "other") as other:
            assert note_letters(other, list_items(outbox)) == ()
        (row,) = note_letters(store, list_items(outbox))
        assert row.state == "sent"


def test_an_outbox_of_before_is_brought_up_to_date(tmp_path: Path, post: Post) -> None:
    _, server = post
    with open_outbox(tmp_path) as outbox:
        add_letter(outbox, LETTER, server)
        outbox.connection.execute("ALTER TABLE letter DROP COLUMN about")
    with open_outbox(tmp_path) as outbox:
        assert [item.about for item in list_items(outbox)] == [""]
    assert (tmp_path / OUTBOX_FILE).is_file()


def test_as_a_technician_types_it(
    post: Post, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    handler, server = post
    monkeypatch.setenv("RINGLAND_DATA", str(tmp_path / "store"))
    monkeypatch.setenv("COLUMNS", "200")
    run = running()
    report, mail = tmp_path / "report.pdf", tmp_path / "mail.toml"
    report.write_bytes(b"%PDF-1.7 nothing else")
    mail.write_text(
        f'host = "127.0.0.1"\nport = {server.port}\nsecurity = "none"\n'
        'sender = "workshop@marrow.example"\n'
    )
    with open_store(tmp_path / "store") as store:
        visited(store, email="")
    add = ("outbox", "add", str(report), "--mail", str(mail), "--vehicle", "van 21")
    assert "no address of the owner" in run(*add, status=2)
    run("vehicle", "owner", "van 21", "--email", "not an address", status=2)
    assert "owner@marrow.example" in run("vehicle", "owner", "van 21", "--email",
                                         "owner@marrow.example")  # fmt: skip
    assert "owner@marrow.example" in run(*add)
    assert "report sent" not in run("vehicle", "show", "van 21")
    run("outbox", "send", "--mail", str(mail))
    run("outbox", "send", "--mail", str(mail), "--now")
    assert len(handler.taken) == 1
    shown = run("vehicle", "show", "van 21")
    assert shown.count("report sent:") == 1 and "pdf to owner@marrow.example" in shown
    assert "Everything is as it was kept" in run("store", "verify")


def running() -> Callable[..., str]:
    """Run a command; fails when the exit status is not the one expected."""

    def call(*words: str, status: int = 0) -> str:
        result = CliRunner().invoke(app, list(words))
        assert result.exit_code == status, result.output
        return result.output

    return call

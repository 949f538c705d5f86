"""The outbox against a real local mail server that drops, delays, refuses and dies."""

import asyncio
import socket
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from ringland.errors import BadInput, SettingError
from ringland.history.outbox import (
    LEASE,
    ItemState,
    add_letter,
    cancel,
    list_items,
    message_of,
    open_outbox,
    send_due,
    settle,
    try_now,
)
from ringland.report.mail import Letter, MailServer

NOW = datetime(2026, 9, 14, 10, tzinfo=UTC)
LETTER = Letter("fleet@valley.example", "Report", "Dear all\n.leading dot\n")
HASH = "ab" * 32


class Handler:
    """Keeps what arrives; `answers` are given before 250, "drop" breaks the connection after the
    letter was taken, "hang up" before."""

    def __init__(self) -> None:
        self.taken: list[bytes] = []
        self.answers: list[str] = []
        self.rcpt_answers: list[str] = []

    async def handle_RCPT(  # noqa: N802 (the server's name)
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if self.rcpt_answers:
            return self.rcpt_answers.pop(0)
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        answer = self.answers.pop(0) if self.answers else "250 taken"
        content = envelope.content
        assert isinstance(content, bytes)
        if answer.startswith("250") or answer == "drop":
            self.taken.append(content)
        if answer == "drop":
            assert isinstance(server.transport, asyncio.Transport)
            server.transport.abort()
            await asyncio.sleep(0)
        return answer


@pytest.fixture
def post() -> Iterator[tuple[Handler, MailServer]]:
    handler = Handler()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    controller = Controller(handler, hostname="127.0.0.1", port=port)
    controller.start()
    yield handler, MailServer("127.0.0.1", "workshop@marrow.example", port=port, security="none")
    controller.stop()


def test_sent_once_however_often_it_is_asked(
    post: tuple[Handler, MailServer], tmp_path: Path
) -> None:
    handler, server = post
    with open_outbox(tmp_path) as outbox:
        first = add_letter(outbox, LETTER, server, content_hash=HASH, now=NOW)
        same = add_letter(outbox, LETTER, server, content_hash=HASH, now=NOW + timedelta(hours=1))
        assert same.id == first.id
        (sent,) = send_due(outbox, server, now=NOW)
        assert sent.state is ItemState.SENT
        assert sent.reply == "250 taken"
    with open_outbox(tmp_path) as outbox:  # after a restart
        add_letter(outbox, LETTER, server, content_hash=HASH, now=NOW + timedelta(days=1))
        assert send_due(outbox, server, now=NOW + timedelta(days=2), at_once=True) == ()
        assert len(handler.taken) == 1
        again = add_letter(outbox, LETTER, server, content_hash=HASH, again=True, now=NOW)
        assert again.id != first.id
    assert first.message_id.encode() in handler.taken[0]
    assert b"\r\n.leading dot" in handler.taken[0]


def test_not_now_is_tried_again_later_and_never_means_never(
    post: tuple[Handler, MailServer], tmp_path: Path
) -> None:
    handler, server = post
    handler.answers = ["451 greylisted", "452 full", "250 ok"]
    with open_outbox(tmp_path) as outbox:
        add_letter(outbox, LETTER, server, now=NOW)
        moment, waits = NOW, []
        for _ in range(3):
            (tried,) = send_due(outbox, server, now=moment)
            if tried.state is ItemState.WAITING:
                assert send_due(outbox, server, now=moment) == ()  # not before its time
                following = datetime.fromisoformat(tried.next_try_utc)
                waits.append((following - moment).total_seconds() / 60)
                moment = following
        assert waits == [1, 5]
        assert tried.state is ItemState.SENT
        assert tried.attempts == 3
        handler.rcpt_answers = ["550 no such user"]
        add_letter(outbox, Letter("gone@valley.example", "s", "t"), server, now=NOW)
        (refused,) = send_due(outbox, server, now=NOW)
        assert refused.state is ItemState.REFUSED
        assert refused.reply == "550 no such user"
        assert send_due(outbox, server, now=NOW + timedelta(days=9), at_once=True) == ()
    assert len(handler.taken) == 1


def test_a_break_after_the_end_is_unclear_and_only_a_person_settles_it(
    post: tuple[Handler, MailServer], tmp_path: Path
) -> None:
    handler, server = post
    handler.answers = ["drop"]
    with open_outbox(tmp_path) as outbox:
        add_letter(outbox, LETTER, server, now=NOW)
        (item,) = send_due(outbox, server, now=NOW)
        assert item.state is ItemState.UNCLEAR
        assert send_due(outbox, server, now=NOW + timedelta(days=1), at_once=True) == ()
        assert len(handler.taken) == 1  # it had arrived: sending again would have been twice
        assert settle(outbox, item.id, arrived=True).state is ItemState.SENT
        with pytest.raises(BadInput):
            settle(outbox, item.id, arrived=False)


def test_unclear_can_be_sent_again_on_purpose(
    post: tuple[Handler, MailServer], tmp_path: Path
) -> None:
    handler, server = post
    handler.answers = ["drop"]
    with open_outbox(tmp_path) as outbox:
        add_letter(outbox, LETTER, server, now=NOW)
        (item,) = send_due(outbox, server, now=NOW)
        settle(outbox, item.id, arrived=False, now=NOW)
        (sent,) = send_due(outbox, server, now=NOW)
        assert sent.state is ItemState.SENT
        assert sent.message_id == item.message_id  # mail programs show it once


def test_no_network_waits_and_gives_up_after_five_days(tmp_path: Path) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        server = MailServer(
            "127.0.0.1", "w@marrow.example", port=free.getsockname()[1], security="none"
        )
    with open_outbox(tmp_path) as outbox:
        add_letter(outbox, LETTER, server, now=NOW)
        (item,) = send_due(outbox, server, now=NOW)
        assert item.state is ItemState.WAITING
        assert "refused" in item.reply.casefold()
        (item,) = send_due(outbox, server, now=NOW + timedelta(days=5))
        assert item.state is ItemState.GAVE_UP


class Died(BaseException):
    """The process ends here."""


@pytest.mark.parametrize(("after_noting", "state"), [(False, "waiting"), (True, "unclear")])
def test_a_process_that_dies(
    post: tuple[Handler, MailServer],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    after_noting: bool,
    state: str,
) -> None:
    handler, server = post

    def hand_over_and_die(*_: object, before_the_end: object, **__: object) -> None:
        if after_noting:
            assert callable(before_the_end)
            assert before_the_end()
        raise Died

    with open_outbox(tmp_path) as outbox:
        add_letter(outbox, LETTER, server, now=NOW)
        with monkeypatch.context() as patch:
            patch.setattr("ringland.history.outbox.hand_over", hand_over_and_die)
            with pytest.raises(Died):
                send_due(outbox, server, now=NOW)
    with open_outbox(tmp_path) as outbox:
        assert send_due(outbox, server, now=NOW + timedelta(minutes=1)) == ()  # still held
        tried = send_due(outbox, server, now=NOW + LEASE)
        (item,) = list_items(outbox)
    assert len(handler.taken) == (0 if after_noting else 1)
    assert item.state == ("unclear" if after_noting else "sent")
    assert len(tried) == (0 if after_noting else 1)
    assert state in ("waiting", "unclear")


def test_who_held_it_too_long_sends_nothing(
    post: tuple[Handler, MailServer], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    handler, server = post
    from ringland.history import outbox as module
    from ringland.report.mail import hand_over as real

    def slow(*given: object, **named: object) -> object:
        with open_outbox(tmp_path) as other:  # meanwhile another process thinks we are dead
            monkeypatch.setattr(module, "hand_over", real)
            send_due(other, server, now=NOW + LEASE)
        return real(*given, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "hand_over", slow)
    with open_outbox(tmp_path) as outbox:
        add_letter(outbox, LETTER, server, now=NOW)
        send_due(outbox, server, now=NOW)
        (item,) = list_items(outbox)
    assert item.state is ItemState.SENT
    assert len(handler.taken) == 1


def test_two_processes_at_once(post: tuple[Handler, MailServer], tmp_path: Path) -> None:
    handler, server = post
    with open_outbox(tmp_path) as outbox:
        for number in range(6):
            add_letter(outbox, Letter(f"a{number}@valley.example", "s", "t"), server, now=NOW)

    def send() -> None:
        with open_outbox(tmp_path) as own:
            send_due(own, server, now=NOW)

    threads = [threading.Thread(target=send) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with open_outbox(tmp_path) as outbox:
        assert {i.state for i in list_items(outbox)} == {ItemState.SENT}
    assert len(handler.taken) == 6


def test_what_never_left_may_be_added_anew(
    post: tuple[Handler, MailServer], tmp_path: Path
) -> None:
    handler, server = post
    handler.rcpt_answers = ["550 no such mailbox"]
    with open_outbox(tmp_path) as outbox:
        first = add_letter(outbox, LETTER, server, content_hash=HASH, now=NOW)
        (refused,) = send_due(outbox, server, now=NOW)
        assert refused.state is ItemState.REFUSED
        second = add_letter(outbox, LETTER, server, content_hash=HASH, now=NOW)
        assert second.id != first.id
        for _ in range(2):  # this one waits, so it is the same letter again
            same = add_letter(outbox, LETTER, server, content_hash=HASH, now=NOW)
            assert same.id == second.id
        assert [i.state for i in send_due(outbox, server, now=NOW)] == [ItemState.SENT]
        assert add_letter(outbox, LETTER, server, content_hash=HASH, now=NOW).id == second.id
        assert send_due(outbox, server, now=NOW, at_once=True) == ()
    assert len(handler.taken) == 1


def test_a_letter_that_waits_is_tried_when_a_person_says_so(
    post: tuple[Handler, MailServer], tmp_path: Path
) -> None:
    handler, server = post
    handler.rcpt_answers = ["451 not now"]
    with open_outbox(tmp_path) as outbox:
        item = add_letter(outbox, LETTER, server, now=NOW)
        send_due(outbox, server, now=NOW)
        assert send_due(outbox, server, now=NOW) == ()  # not due yet
        try_now(outbox, item.id, now=NOW)
        assert [i.state for i in send_due(outbox, server, now=NOW)] == [ItemState.SENT]
        with pytest.raises(BadInput):
            try_now(outbox, item.id, now=NOW)
    assert len(handler.taken) == 1


def test_cancel_and_keep_as_a_file(tmp_path: Path) -> None:
    server = MailServer("127.0.0.1", "w@marrow.example", port=9, security="none")
    with open_outbox(tmp_path) as outbox:
        item = add_letter(outbox, LETTER, server, now=NOW)
        assert message_of(outbox, item.id).startswith(b"From: w@marrow.example\r\n")
        assert cancel(outbox, item.id).state is ItemState.CANCELLED
        assert send_due(outbox, server, now=NOW, at_once=True) == ()
        with pytest.raises(BadInput):
            cancel(outbox, item.id)


def test_a_damaged_outbox_is_said(tmp_path: Path) -> None:
    (tmp_path / "outbox.sqlite3").write_bytes(b"not a database, " * 100)
    with pytest.raises(SettingError, match="outbox"), open_outbox(tmp_path):
        pass

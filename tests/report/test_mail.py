"""Letters: put together safely, handed over to a real local server."""

import os
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path

import pytest

from ringland.errors import SettingError
from ringland.report.mail import (
    Attachment,
    Letter,
    MailServer,
    build_message,
    checked_address,
    load_mail_server,
)

SERVER = MailServer("127.0.0.1", "workshop@marrow.example", security="none", sender_name="Würk, T.")
DATE = "Mon, 14 Sep 2026 10:00:00 +0000"


def _built(letter: Letter) -> EmailMessage:
    content = build_message(letter, SERVER, "<1@marrow.example>", DATE)
    parsed = message_from_bytes(content, policy=policy.SMTP)
    assert isinstance(parsed, EmailMessage)
    return parsed


def test_a_letter_holds_what_was_put_in() -> None:
    pdf = Attachment("Größe.pdf", "application/pdf", b"%PDF-1.7\r\n.\r\nend")
    message = _built(
        Letter("fleet@valley.example", "Bericht: Bus 12 – Größe", "Guten Tag\n.\n", (pdf,))
    )
    assert message["To"] == "fleet@valley.example"
    assert message["Subject"] == "Bericht: Bus 12 – Größe"
    assert message["Message-ID"] == "<1@marrow.example>"
    (attached,) = message.iter_attachments()
    assert attached.get_content() == pdf.content
    assert attached.get_filename() == pdf.name


@pytest.mark.parametrize(
    "letter",
    [
        Letter("a@b.example", "two\r\nBcc: x@y.example", "text"),
        Letter("a@b.example\r\nBcc: x@y.example", "s", "text"),
        Letter("a@b.example", "s", "\ud800"),
    ],
)
def test_no_line_can_be_smuggled_into_a_header(letter: Letter) -> None:
    with pytest.raises(SettingError):
        build_message(letter, SERVER, "<1@marrow.example>", DATE)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "name",
        "a b@c.example",
        "a@b",
        "a@b.example, c@d.example",
        "Ann <a@b.example>",
        "ü@b.example",
    ],
)
def test_what_is_no_address(text: str) -> None:
    with pytest.raises(SettingError, match="mail address"):
        checked_address(text)


def _settings(folder: Path, text: str) -> Path:
    path = folder / "mail.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_settings_and_where_the_password_comes_from(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = _settings(
        tmp_path,
        'host = "mail.example"\nsender = "w@mail.example"\nuser = "w"\npassword = "file"\n',
    )
    path.chmod(0o644)
    server = load_mail_server(path)
    assert (server.port, server.security, server.password) == (587, "starttls", "file")
    assert "file" not in repr(server)
    if os.name == "posix":
        assert "chmod 600" in server.warnings[0]
        path.chmod(0o600)
        assert load_mail_server(path).warnings == ()
    monkeypatch.setenv("RINGLAND_SMTP_PASSWORD", "environment")
    assert load_mail_server(path).password == "environment"


@pytest.mark.parametrize(
    "text",
    [
        'sender = "w@mail.example"',
        'host = "mail.example"',
        'host = "mail.example"\nsender = "w@mail.example"\nsecurity = "none"',
        'host = "mail.example"\nsender = "w@mail.example"\nport = 0',
        'host = "mail.example"\nsender = "w@mail.example"\nsmtp = "x"',
        "host = ",
    ],
)
def test_settings_that_cannot_be_used(tmp_path: Path, text: str) -> None:
    with pytest.raises(SettingError):
        load_mail_server(_settings(tmp_path, text))

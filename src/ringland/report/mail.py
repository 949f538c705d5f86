"""One letter to one mail server: what happened is one of four things, and never a guess.

The protocol is SMTP (RFC 5321). The server is answerable for a letter from its 250 after the end
of the data on; before the end of the data went out it must not deliver it. Between these two a
broken connection leaves it unknown, and that is said.
"""

import os
import smtplib
import socket
import ssl
import stat
import tomllib
from collections.abc import Callable, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP as SMTP_POLICY
from enum import StrEnum
from pathlib import Path

from ringland.errors import SettingError

__all__ = [
    "Attachment",
    "Handed",
    "Letter",
    "MailServer",
    "Outcome",
    "addresses",
    "build_message",
    "checked_address",
    "hand_over",
    "load_mail_server",
]

LARGEST_BYTES = 20_000_000
"""Of one letter before encoding: many servers refuse 25 MB (common practice, no source)."""
PASSWORD_VARIABLE = "RINGLAND_SMTP_PASSWORD"  # noqa: S105
_PORTS = {"tls": 465, "starttls": 587, "none": 25}
_LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})
_WORDS: tuple[tuple[type[Exception], str], ...] = (
    (socket.gaierror, "No network, or no mail server of this name"),
    (ssl.SSLError, "The connection to the mail server could not be made secure"),
    (TimeoutError, "The mail server did not answer in time"),
    (smtplib.SMTPServerDisconnected, "The mail server broke off"),
    (smtplib.SMTPException, ""),
    (ConnectionError, "The mail server does not answer"),
    (OSError, "The network does not reach the mail server"),
)
"""What broke, the special before the general."""
_FIELDS = frozenset({"host", "port", "security", "user", "password", "sender", "sender_name"})


class Outcome(StrEnum):
    """What became of a letter.

    ACCEPTED: the server took it. LATER: nothing was taken; try again. REFUSED: the server will
    never take it. UNCLEAR: the connection broke after the end of the letter and before the answer.
    """

    ACCEPTED = "accepted"
    LATER = "later"
    REFUSED = "refused"
    UNCLEAR = "unclear"


@dataclass(frozen=True)
class Handed:
    """The outcome, and the words for it: the server's own, or what broke."""

    outcome: Outcome
    reply: str


@dataclass(frozen=True)
class MailServer:
    """Where letters go out. `security`: "tls", "starttls", or "none" (this machine only).

    `warnings` are said when the settings are read, for example that others can read the password.
    """

    host: str
    sender: str
    port: int = 587
    security: str = "starttls"
    user: str = ""
    password: str = ""
    sender_name: str = ""
    warnings: tuple[str, ...] = ()

    def __repr__(self) -> str:
        """Without the password."""
        return f"MailServer({self.host}:{self.port}, {self.security}, sender={self.sender!r})"


@dataclass(frozen=True)
class Attachment:
    """A file in a letter."""

    name: str
    media_type: str
    content: bytes


@dataclass(frozen=True)
class Letter:
    """A letter to one recipient, who sees no other."""

    recipient: str
    subject: str
    text: str
    attachments: tuple[Attachment, ...] = ()


def load_mail_server(path: Path | str) -> MailServer:
    """The mail server in a TOML file: host, sender; optional port, security, user, password,
    sender_name. The password comes from RINGLAND_SMTP_PASSWORD when that is set.

    Raises SettingError.
    """
    path = Path(path)
    try:
        given = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise SettingError(
            "The mail settings cannot be read.",
            got=f"{path.name}: {error}",
            allowed='a TOML file such as host = "mail.example"\\nsender = "workshop@mail.example"',
        ) from error
    unknown = sorted(set(given) - _FIELDS)
    wrong = [k for k, v in given.items() if k != "port" and not isinstance(v, str)]
    if unknown or wrong:
        raise SettingError(
            "The mail settings have fields that mean nothing here or are not text.",
            got=", ".join(unknown or wrong),
            allowed=", ".join(sorted(_FIELDS)),
        )
    security = given.get("security", "starttls")
    port = given.get("port", _PORTS.get(security, 0))
    if security not in _PORTS or not isinstance(port, int) or not 0 < port < 65536:
        raise SettingError(
            "The mail settings name no usable way to the server.",
            got=f"security {security!r}, port {port!r}",
            allowed=f"security {', '.join(_PORTS)}; port 1 to 65535",
        )
    if not given.get("host"):
        raise SettingError("The mail settings name no `host`.", allowed="the server's name")
    password = os.environ.get(PASSWORD_VARIABLE) or given.get("password", "")
    return _allowed(
        MailServer(
            host=given["host"],
            sender=checked_address(given.get("sender", "")),
            port=port,
            security=security,
            user=given.get("user", ""),
            password=password,
            sender_name=given.get("sender_name", ""),
            warnings=_exposed(path) if given.get("password") else (),
        )
    )


def _allowed(server: MailServer) -> MailServer:
    """Refuse to send a password or an owner's letter in the clear over a network."""
    if server.security == "none" and server.host not in _LOOPBACK:
        raise SettingError(
            "Without encryption letters go to a server on this machine only.",
            got=f"security 'none' with {server.host}",
            allowed="security tls or starttls",
        )
    return server


def _exposed(path: Path) -> tuple[str, ...]:
    """A warning when others on this machine can read a file with a password."""
    if os.name == "posix" and path.stat().st_mode & (stat.S_IRGRP | stat.S_IROTH):
        return (
            f"{path.name} holds a password and others on this machine can read it. Make it yours "
            f"alone (chmod 600), or set {PASSWORD_VARIABLE} instead.",
        )
    return ()


def checked_address(text: str) -> str:
    """One plain address, name@domain. Raises SettingError."""
    try:
        address = Address(addr_spec=text.strip())
    except (ValueError, IndexError) as error:
        raise _no_address(text) from error
    plain = address.addr_spec
    if not address.username or "." not in address.domain.strip(".") or not plain.isascii():
        raise _no_address(text)
    return plain


def addresses(text: str) -> tuple[str, ...]:
    """Addresses in a list with commas or semicolons, each once. Raises SettingError."""
    parts = (part.strip() for part in text.replace(";", ",").split(","))
    return tuple(dict.fromkeys(checked_address(part) for part in parts if part))


def _no_address(text: str) -> SettingError:
    return SettingError(
        "This is not a mail address.", got=repr(text[:80]), allowed="name@domain, plain letters"
    )


def build_message(letter: Letter, server: MailServer, message_id: str, date: str) -> bytes:
    """The letter as it goes over the wire, complete with a Message-ID that never changes.

    Raises SettingError for an address, subject or file name that cannot stand in a letter.
    """
    message = EmailMessage(policy=SMTP_POLICY)
    try:
        name, domain = server.sender.rsplit("@", 1)
        message["From"] = Address(server.sender_name, name, domain)
        message["To"] = checked_address(letter.recipient)
        message["Subject"] = letter.subject
        message["Date"] = date
        message["Message-ID"] = message_id
        message.set_content(letter.text)
        for file in letter.attachments:
            main, _, sub = file.media_type.partition("/")
            message.add_attachment(file.content, maintype=main, subtype=sub, filename=file.name)
        content = message.as_bytes()
    except (ValueError, UnicodeError) as error:
        raise SettingError(
            "The letter cannot be put together.",
            got=str(error),
            allowed="a subject of one line, and files with plain names",
        ) from error
    if sum(len(f.content) for f in letter.attachments) > LARGEST_BYTES:
        raise SettingError(
            "The letter is too large to be sent.",
            allowed=f"at most {LARGEST_BYTES // 1_000_000} MB of files",
            remedy="Send the owner's part only, or share the file another way.",
        )
    return content


def hand_over(
    server: MailServer,
    message: bytes,
    recipient: str,
    *,
    before_the_end: Callable[[], bool] = lambda: True,
    timeout_s: float = 60.0,
) -> Handed:
    """Hand one message over to the server.

    `before_the_end` is called when everything but the end of the data has gone out: from here on
    the server may deliver it. When it returns False the connection is dropped and nothing is sent.
    Never raises for what a server or a network does.
    """
    try:
        with closing(_connected(server, timeout_s)) as smtp:
            _accepted(smtp.mail(server.sender))
            _accepted(smtp.rcpt(recipient))
            _accepted(smtp.docmd("DATA"), wanted=354)
            smtp.send(_stuffed(message))
            if not before_the_end():
                return Handed(Outcome.LATER, "another process took this letter over")
            handed = _end_of_data(smtp)
            with suppress(OSError, smtplib.SMTPException):  # whatever comes now changes nothing
                smtp.quit()
            return handed
    except _Said as said:
        return said.handed
    except smtplib.SMTPResponseException as error:
        return _by_code(error.smtp_code, error.smtp_error)
    except (OSError, smtplib.SMTPException) as error:
        return Handed(Outcome.LATER, _why_not(error))


def _why_not(error: Exception) -> str:
    """Why there was no conversation, in words; what the system calls it behind."""
    words = next((said for kind, said in _WORDS if isinstance(error, kind)), "")
    named = str(getattr(error, "strerror", None) or error) or type(error).__name__
    return f"{words} ({named})" if words else f"{type(error).__name__}: {named}"


class _Said(Exception):
    """The server's answer ends the conversation."""

    def __init__(self, handed: Handed) -> None:
        self.handed = handed
        super().__init__(handed.reply)


def _connected(server: MailServer, timeout_s: float) -> smtplib.SMTP:
    """A connection, encrypted and logged in as the settings say."""
    context = ssl.create_default_context()
    # the machine's own name is nobody's business, and looking it up can take seconds
    name = "[127.0.0.1]"
    smtp: smtplib.SMTP
    if server.security == "tls":
        smtp = smtplib.SMTP_SSL(server.host, server.port, name, timeout=timeout_s, context=context)
    else:
        smtp = smtplib.SMTP(server.host, server.port, name, timeout=timeout_s)
    try:
        smtp.ehlo_or_helo_if_needed()
        if server.security == "starttls":
            smtp.starttls(context=context)
            smtp.ehlo()
        if server.user:
            smtp.login(server.user, server.password)
    except BaseException:
        smtp.close()
        raise
    return smtp


def _accepted(answer: tuple[int, bytes], wanted: int | None = None) -> None:
    code, text = answer
    if code != wanted and (wanted is not None or code not in (250, 251)):
        raise _Said(_by_code(code, text))


def _end_of_data(smtp: smtplib.SMTP) -> Handed:
    try:
        smtp.send(b".\r\n")
        code, text = smtp.getreply()
    except (OSError, smtplib.SMTPException) as error:
        return Handed(
            Outcome.UNCLEAR,
            f"the connection broke before the server answered ({type(error).__name__})",
        )
    return _by_code(code, text)


def _by_code(code: int, text: bytes | str) -> Handed:
    """2xx taken, 4xx not now, 5xx never (RFC 5321, 4.2.1); 421 also closes, hence later."""
    words = text.decode("utf-8", "replace") if isinstance(text, bytes) else text
    reply = f"{code} {' '.join(words.split())}"[:300]
    if 200 <= code < 300:
        return Handed(Outcome.ACCEPTED, reply)
    return Handed(Outcome.REFUSED if 500 <= code < 600 else Outcome.LATER, reply)


def _stuffed(message: bytes) -> bytes:
    """Lines that begin with a dot get another one; ends with CRLF (RFC 5321, 4.5.2)."""
    lines: Sequence[bytes] = message.replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
    stuffed = b"\r\n".join(b"." + line if line.startswith(b".") else line for line in lines)
    return stuffed if stuffed.endswith(b"\r\n") else stuffed + b"\r\n"

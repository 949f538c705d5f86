"""Letters on their way: kept on disk before anything is sent, and never sent twice.

Each letter goes through one state machine, written down before and after every step:

    waiting -> connecting -> handing_over -> sent
                  |               |-> refused (the server said never)
                  |               |-> waiting (the server said not now)
                  |               `-> unclear (no answer came: only a person can settle it)
                  `-> waiting (no network, server away) -> gave_up after five days

A process that dies while connecting has sent nothing, so the letter waits again; one that dies
while handing over may have sent it, so the letter is unclear. It asks nothing but a folder.
"""

import sqlite3
import uuid
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, fields
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from enum import StrEnum
from hashlib import sha256
from pathlib import Path

from ringland.errors import BadInput, SettingError
from ringland.report.mail import Handed, Letter, MailServer, Outcome, build_message, hand_over

__all__ = [
    "OUTBOX_FILE",
    "Item",
    "ItemState",
    "Outbox",
    "add_letter",
    "cancel",
    "find_item",
    "list_items",
    "message_of",
    "open_outbox",
    "send_due",
    "settle",
    "try_now",
]

OUTBOX_FILE = "outbox.sqlite3"
WAITS_MIN = (1, 5, 15, 30, 60, 120, 240)
"""Minutes until the next try; the last one repeats. RFC 5321, 4.5.4.1 asks for 30 minutes and more
in the long run and allows quicker tries at first."""
GIVE_UP_AFTER = timedelta(days=5)
"""RFC 5321, 4.5.4.1: at least 4 to 5 days."""
LEASE = timedelta(minutes=15)
"""A process that has held a letter for longer than this is taken to be dead."""


class ItemState(StrEnum):
    """Where a letter is."""

    WAITING = "waiting"
    CONNECTING = "connecting"
    HANDING_OVER = "handing_over"
    SENT = "sent"
    REFUSED = "refused"
    UNCLEAR = "unclear"
    GAVE_UP = "gave_up"
    CANCELLED = "cancelled"


NEVER_LEFT = frozenset({ItemState.REFUSED, ItemState.GAVE_UP, ItemState.CANCELLED})
"""The recipient has nothing of these, and nothing will be done about them by itself."""


@dataclass(frozen=True)
class Item:
    """One letter. `content_hash` is that of the report in it, or "". `about`: what it is about, as
    JSON, or "" (see `history/reports_sent.py`). Times are ISO 8601, UTC."""

    id: str
    message_id: str
    recipient: str
    subject: str
    content_hash: str
    state: ItemState
    attempts: int
    next_try_utc: str
    reply: str
    created_utc: str
    changed_utc: str
    about: str


_COLUMNS = ", ".join(f.name for f in fields(Item))
_TABLE = f"""
CREATE TABLE IF NOT EXISTS letter (
    {", ".join(f"{f.name} TEXT NOT NULL" for f in fields(Item) if f.name != "attempts")},
    attempts INTEGER NOT NULL,
    once TEXT NOT NULL UNIQUE,
    holder TEXT NOT NULL DEFAULT '',
    message BLOB NOT NULL,
    PRIMARY KEY (id)
)"""


@dataclass(frozen=True)
class Outbox:
    """An open outbox: the connection to its file."""

    connection: sqlite3.Connection


@contextmanager
def open_outbox(folder: Path | str) -> Iterator[Outbox]:
    """The outbox in a folder, made when there is none. Raises SettingError."""
    path = Path(folder) / OUTBOX_FILE
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(path, isolation_level=None, timeout=30.0)
        with closing(connection):
            connection.execute("PRAGMA synchronous=FULL")
            connection.execute(_TABLE)
            _bring_up_to_date(connection)
            yield Outbox(connection)
    except sqlite3.Error as error:
        raise SettingError(
            "The outbox cannot be read or written.",
            got=f"{path.name}: {error}",
            remedy="Check the folder, its rights and the room on the disk. Nothing was sent twice.",
        ) from error
    except OSError as error:
        raise SettingError(
            "The outbox's folder cannot be used.", got=f"{path.parent.name}: {error.strerror}"
        ) from error


def _bring_up_to_date(connection: sqlite3.Connection) -> None:
    """An outbox made before letters said what they are about gets the column."""
    present = {row[1] for row in connection.execute("PRAGMA table_info(letter)")}
    if "about" not in present:
        connection.execute("ALTER TABLE letter ADD COLUMN about TEXT NOT NULL DEFAULT ''")


def add_letter(
    outbox: Outbox,
    letter: Letter,
    server: MailServer,
    *,
    content_hash: str = "",
    about: str = "",
    again: bool = False,
    now: datetime | None = None,
) -> Item:
    """Put a letter into the outbox. The same content to the same recipient is the same letter and
    is not added twice, unless `again` says so on purpose; the one already there is returned. One
    that never left, and never will, does not count. `about`: from `reports_sent.about_visit`.

    Raises SettingError for what cannot be sent.
    """
    now = now or datetime.now(UTC)
    identifier = uuid.uuid4().hex
    message_id = f"<{identifier}@{server.sender.rsplit('@', 1)[1]}>"
    message = build_message(letter, server, message_id, format_datetime(now))
    once, said = _once(letter, content_hash), _utc(now)
    connection = outbox.connection
    connection.execute("BEGIN IMMEDIATE")  # nobody else looks and adds meanwhile
    try:
        same = connection.execute(
            f"SELECT {_COLUMNS} FROM letter WHERE substr(once, 1, {len(once)}) = ? "  # noqa: S608
            "ORDER BY rowid DESC LIMIT 1",
            (once,),
        ).fetchone()
        if same is not None and not again and _item(same).state not in NEVER_LEFT:
            return _item(same)
        connection.execute(
            f"INSERT INTO letter ({_COLUMNS}, once, message) "  # noqa: S608 (our own names)
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (identifier, message_id, letter.recipient.strip(), letter.subject, content_hash,
             ItemState.WAITING, 0, said, "", said, said, about,
             once + (identifier if same is not None else ""), message),
        )  # fmt: skip
    finally:
        connection.execute("COMMIT")
    return find_item(outbox, identifier)


def _once(letter: Letter, content_hash: str) -> str:
    """What makes two letters the same: who gets it, and what is in it."""
    digest = sha256(content_hash.encode())
    if not content_hash:
        for part in (letter.subject, letter.text, *(f.name for f in letter.attachments)):
            digest.update(part.encode() + b"\0")
        for file in letter.attachments:
            digest.update(sha256(file.content).digest())
    digest.update(letter.recipient.strip().casefold().encode())
    return digest.hexdigest()


def list_items(outbox: Outbox) -> tuple[Item, ...]:
    """All letters, the newest first."""
    rows = outbox.connection.execute(
        f"SELECT {_COLUMNS} FROM letter ORDER BY created_utc DESC, id"  # noqa: S608
    )
    return tuple(_item(row) for row in rows)


def find_item(outbox: Outbox, start: str) -> Item:
    """The letter whose id starts with `start`. Raises BadInput for none or several."""
    found = [i for i in list_items(outbox) if start and i.id.startswith(start.casefold())]
    if len(found) != 1:
        raise BadInput(
            "There is no such letter in the outbox."
            if not found
            else "Several letters in the outbox have ids that start so.",
            got=start,
            remedy="See them: ringland outbox list",
        )
    return found[0]


def message_of(outbox: Outbox, identifier: str) -> bytes:
    """The whole message (RFC 5322), to be kept as an .eml file or sent by another program."""
    row = outbox.connection.execute(
        "SELECT message FROM letter WHERE id = ?", (identifier,)
    ).fetchone()
    if row is None:
        raise BadInput("There is no such letter in the outbox.", got=identifier)
    return bytes(row[0])


def send_due(
    outbox: Outbox,
    server: MailServer,
    *,
    now: datetime | None = None,
    at_once: bool = False,
    timeout_s: float = 60.0,
) -> tuple[Item, ...]:
    """Try every letter that is due (`at_once`: every one that waits); what became of each.

    Several processes may do this at the same time: each letter is taken by one of them.
    """
    moment = now or datetime.now(UTC)
    _recover(outbox, moment)
    due = "9999" if at_once else _utc(moment)
    tried = []
    for item in list_items(outbox)[::-1]:
        if item.state is ItemState.WAITING and item.next_try_utc <= due:
            holder = uuid.uuid4().hex
            steps = (ItemState.WAITING, ItemState.CONNECTING)
            if _move(outbox, item.id, steps, now=moment, holder=holder):
                tried.append(_try(outbox, server, item, holder, now=moment, timeout_s=timeout_s))
    return tuple(tried)


def _try(
    outbox: Outbox,
    server: MailServer,
    item: Item,
    holder: str,
    *,
    now: datetime,
    timeout_s: float,
) -> Item:
    def note_the_end() -> bool:
        steps = (ItemState.CONNECTING, ItemState.HANDING_OVER)
        return _move(outbox, item.id, steps, now=now, holder=holder, held=holder)

    handed = hand_over(
        server,
        message_of(outbox, item.id),
        item.recipient,
        before_the_end=note_the_end,
        timeout_s=timeout_s,
    )
    state, wait = _next(item, handed, now)
    outbox.connection.execute(
        "UPDATE letter SET state = ?, reply = ?, attempts = attempts + 1, next_try_utc = ?, "
        "changed_utc = ?, holder = '' WHERE id = ? AND holder = ?",
        (state, handed.reply, _utc(now + wait), _utc(now), item.id, holder),
    )
    return find_item(outbox, item.id)


def _next(item: Item, handed: Handed, now: datetime) -> tuple[ItemState, timedelta]:
    if handed.outcome is Outcome.LATER:
        if now - datetime.fromisoformat(item.created_utc) >= GIVE_UP_AFTER:
            return ItemState.GAVE_UP, timedelta(0)
        wait = WAITS_MIN[min(item.attempts, len(WAITS_MIN) - 1)]
        return ItemState.WAITING, timedelta(minutes=wait)
    states = {
        Outcome.ACCEPTED: ItemState.SENT,
        Outcome.REFUSED: ItemState.REFUSED,
        Outcome.UNCLEAR: ItemState.UNCLEAR,
    }
    return states[handed.outcome], timedelta(0)


def _recover(outbox: Outbox, now: datetime) -> None:
    """Letters held by a process that died: nothing was sent while connecting; while handing over
    it may have been."""
    stale = _utc(now - LEASE)
    for held, then, reply in (
        (ItemState.CONNECTING, ItemState.WAITING, "stopped before anything was sent"),
        (ItemState.HANDING_OVER, ItemState.UNCLEAR, "stopped before the server's answer was noted"),
    ):
        outbox.connection.execute(
            "UPDATE letter SET state = ?, reply = ?, holder = '' "
            "WHERE state = ? AND changed_utc <= ?",
            (then, reply, held, stale),
        )


def _move(
    outbox: Outbox,
    identifier: str,
    steps: tuple[ItemState, ItemState],
    *,
    now: datetime,
    holder: str = "",
    held: str = "",
) -> bool:
    """From one state to the next, if it is still there and still held as expected."""
    changed = outbox.connection.execute(
        "UPDATE letter SET state = ?, holder = ?, changed_utc = ? "
        "WHERE id = ? AND state = ? AND holder = ?",
        (steps[1], holder, _utc(now), identifier, steps[0], held),
    )
    return changed.rowcount == 1


def settle(outbox: Outbox, identifier: str, *, arrived: bool, now: datetime | None = None) -> Item:
    """Say what became of an unclear letter: it arrived, or it did not and is to be sent again.

    Raises BadInput when the letter is not unclear.
    """
    moment = now or datetime.now(UTC)
    after = ItemState.SENT if arrived else ItemState.WAITING
    if not _move(outbox, identifier, (ItemState.UNCLEAR, after), now=moment):
        raise BadInput(
            "Only an unclear letter can be settled.",
            got=str(find_item(outbox, identifier).state),
            remedy="See them: ringland outbox list",
        )
    if not arrived:
        outbox.connection.execute(
            "UPDATE letter SET next_try_utc = ? WHERE id = ?", (_utc(moment), identifier)
        )
    return find_item(outbox, identifier)


def cancel(outbox: Outbox, identifier: str, *, now: datetime | None = None) -> Item:
    """Take back a letter that still waits. Raises BadInput when it is too late."""
    moment = now or datetime.now(UTC)
    if not _move(outbox, identifier, (ItemState.WAITING, ItemState.CANCELLED), now=moment):
        raise BadInput(
            "Only a waiting letter can be cancelled.",
            got=str(find_item(outbox, identifier).state),
            remedy="See them: ringland outbox list",
        )
    return find_item(outbox, identifier)


def try_now(outbox: Outbox, identifier: str, *, now: datetime | None = None) -> Item:
    """Let a letter that waits be due at once. Raises BadInput when it does not wait."""
    due = outbox.connection.execute(
        "UPDATE letter SET next_try_utc = ? WHERE id = ? AND state = ?",
        (_utc(now or datetime.now(UTC)), identifier, ItemState.WAITING),
    )
    if due.rowcount != 1:
        raise BadInput(
            "Only a waiting letter can be tried.",
            got=str(find_item(outbox, identifier).state),
            remedy="See them: ringland outbox list",
        )
    return find_item(outbox, identifier)


def _item(row: tuple[object, ...]) -> Item:
    values = dict(zip((f.name for f in fields(Item)), row, strict=True))
    values["state"] = ItemState(str(values["state"]))
    return Item(**values)  # type: ignore[arg-type]


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="seconds")

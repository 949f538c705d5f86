"""Letters with reports as pages show them: where each one is, why, and what a person can do."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from ringland.history import ReportSent
from ringland.history.ids import id_from
from ringland.history.outbox import OUTBOX_FILE, Item, ItemState, Outbox, list_items, open_outbox
from ringland.history.reports_sent import note_letters
from ringland.history.shelves import SHELVES
from ringland.web.context import Context
from ringland.web.errors import NotFound
from ringland.web.handouts import BEFORE_AFTER, FLEET
from ringland.web.wording import when_text

__all__ = ["Told", "change_letter", "file_of_letter", "letters_of", "unfinished"]

_BY_STATE = {
    "waiting": ("part", "in the outbox"),
    "connecting": ("part", "being sent"),
    "handing_over": ("part", "being sent"),
    "sent": ("done", "sent"),
    "refused": ("alarm", "not sent: the mail server refuses it"),
    "unclear": ("alert", "unclear: it may have arrived"),
    "gave_up": ("alarm", "not sent: given up after five days"),
    "cancelled": ("open", "taken back, not sent"),
    # rows whose letter is on another computer
    "queued": ("part", "in the outbox of another computer"),
    "failed": ("alarm", "not sent"),
}
_REMEDIES = {
    "refused": "Correct the address and put it into the outbox again.",
    "gave_up": "Look at the network and the mail server, then put it into the outbox again.",
    "unclear": "The network broke while the mail server took it. Ask the recipient; it is never "
    "sent twice by itself.",
}


@dataclass(frozen=True)
class Told:
    """One letter in words. `state`: of the letter, or of its row where the letter is elsewhere."""

    row: ReportSent
    state: str
    mark: str
    said: str
    lines: tuple[str, ...]
    here: bool


def letters_of(app: Context, rows: Iterable[ReportSent]) -> tuple[Told, ...]:
    """What became of reports sent or handed over, the newest first."""
    ordered = sorted(rows, key=lambda row: row.created_utc, reverse=True)
    return _told(app, ordered) if ordered else ()


def unfinished(app: Context) -> tuple[Told, ...]:
    """Letters on their way or in trouble; what was taken back or has been seen to since is not."""
    shelf = SHELVES["report_sent"]
    visits = tuple({row.visit_id for row in shelf.all(app.store, state=("queued", "failed"))})
    rows = shelf.all(app.store, visit_id=visits) if visits else ()
    seen_to: set[tuple[str, str, str]] = set()
    found = []
    for one in letters_of(app, rows):
        document = (one.row.visit_id, _document(one.row))
        to_whom = {(*document, one.row.recipient), (*document, "by hand")}
        if one.state not in ("sent", "cancelled") and not to_whom & seen_to:
            found.append(one)
        if one.state != "cancelled":
            by_hand = one.row.kind == "by hand"
            seen_to.add((*document, "by hand" if by_hand else one.row.recipient))
    return tuple(found)


def _document(row: ReportSent) -> str:
    """Which document it was: the report of the visit, however it left, or another one."""
    return row.kind if row.kind in (BEFORE_AFTER, FLEET) else "report"


def change_letter(app: Context, row_id: str, do: Callable[[Outbox, str], Item]) -> ReportSent:
    """Do something with a letter, write down what became of it and have the sender look. Raises
    NotFound, and BadInput when it is too late."""
    with open_outbox(app.folder) as outbox:
        item = do(outbox, _item_of(outbox, row_id).id)
    note_letters(app.store, [item])
    app.changed("report_sent", row_id)
    app.send_now.set()
    row: ReportSent = SHELVES["report_sent"].get(app.store, row_id)
    return row


def file_of_letter(app: Context, row_id: str) -> bytes:
    """The whole letter for another mail program. Raises NotFound."""
    from ringland.history.outbox import message_of

    with open_outbox(app.folder) as outbox:
        return message_of(outbox, _item_of(outbox, row_id).id)


def _by_row(outbox: Outbox) -> dict[str, Item]:
    """The letters by the ids of their rows, see `note_letters`."""
    return {id_from("report_sent", item.id): item for item in list_items(outbox)}


def _item_of(outbox: Outbox, row_id: str) -> Item:
    item = _by_row(outbox).get(row_id)
    if item is None:
        raise NotFound("This letter is not in the outbox of this computer.", got=row_id)
    return item


def _told(app: Context, rows: Iterable[ReportSent]) -> tuple[Told, ...]:
    items: dict[str, Item] = {}
    if (app.folder / OUTBOX_FILE).is_file():
        with open_outbox(app.folder) as outbox:
            items = _by_row(outbox)
    return tuple(_one(row, items.get(row.id)) for row in rows)


def _one(row: ReportSent, item: Item | None) -> Told:
    if item is None:
        mark, said = _BY_STATE[row.state]
        if row.kind == "by hand":
            said = "handed over"
        said += f", {when_text(row.sent_utc or row.changed_utc)}"
        return Told(row, row.state, mark, said, (row.reason,) if row.reason else (), here=False)
    mark, said = _BY_STATE[item.state]
    lines = [f"The last try: {item.reply}"] if item.reply and item.state != "sent" else []
    if item.state is ItemState.WAITING and item.attempts:
        said += f", {item.attempts} tried, next at {when_text(item.next_try_utc)}"
    else:
        said += f", {when_text(item.changed_utc)}"
    if item.state in _REMEDIES:
        lines.append(_REMEDIES[item.state])
    return Told(row, str(item.state), mark, said, tuple(lines), here=True)

"""What became of the letters of a visit, written down with the visit.

A letter in the outbox says which visit it is about; its row in the store is made from the letter,
under an id made from the letter's. So whoever looks first writes it, nobody writes it twice, and it
says "sent" only once the mail server has taken the letter.
"""

import json
from collections.abc import Iterable
from datetime import UTC, datetime

from ringland.history.ids import id_from
from ringland.history.outbox import Item, ItemState
from ringland.history.rows import ReportSent, Visit
from ringland.history.shelves import SHELVES
from ringland.history.store import NotKept, Store

__all__ = ["about_visit", "note_letters", "owner_address"]

_FAILED = frozenset({ItemState.REFUSED, ItemState.GAVE_UP, ItemState.UNCLEAR, ItemState.CANCELLED})


def about_visit(visit_id: str, *, kind: str, sha256: str | None) -> str:
    """What a letter keeps of its visit: see `outbox.add_letter`. `kind` of report and the SHA-256
    of its kept file."""
    return json.dumps({"visit_id": visit_id, "kind": kind, "sha256": sha256})


def owner_address(store: Store, visit: Visit) -> str:
    """The e-mail address of the owner of the vehicle; "" when none is kept."""
    vehicle = SHELVES["vehicle"].get(store, visit.vehicle_id)
    if vehicle.owner_id is None:
        return ""
    return str(SHELVES["owner"].get(store, vehicle.owner_id).email)


def note_letters(store: Store, items: Iterable[Item]) -> tuple[ReportSent, ...]:
    """Bring the rows of these letters up to date; those that were new or changed.

    Letters that are about no visit, or about one this store does not have, are left out.
    """
    about = {id_from("report_sent", i.id): (i, json.loads(i.about)) for i in items if i.about}
    shelf = SHELVES["report_sent"]
    with store.transaction():
        known: dict[str, ReportSent] = {}
        ids = tuple(about)
        for start in range(0, len(ids), 500):
            rows = shelf.all(store, deleted=True, id=ids[start : start + 500])
            known.update({row.id: row for row in rows})
        changed = []
        for row_id, (item, visit) in about.items():
            told = _told(item)
            row = known.get(row_id)
            if row is None:
                fields = {**visit, "recipient": item.recipient, "subject": item.subject, **told}
                try:
                    changed.append(shelf.add_as(store, row_id, fields))
                except NotKept:
                    continue
            elif any(getattr(row, name) != value for name, value in told.items()):
                changed.append(shelf.change(store, row_id, row.version, **told))
    return tuple(changed)


def _told(item: Item) -> dict[str, str | None]:
    """State, reason and time of the row, as the letter has them now."""
    sent = item.state is ItemState.SENT
    failed = item.state in _FAILED
    when = datetime.fromisoformat(item.changed_utc).astimezone(UTC)
    return {
        "state": "sent" if sent else "failed" if failed else "queued",
        "reason": f"{item.state}: {item.reply}".removesuffix(": ") if failed else "",
        "sent_utc": when.strftime("%Y-%m-%dT%H:%M:%S.%fZ") if sent else None,
    }

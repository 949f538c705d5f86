"""Lines in the audit log for what is kept beside the store: settings, ticks and drafts."""

from collections.abc import Mapping

from ringland.history.ids import id_from
from ringland.history.shelves import Act, record
from ringland.history.store import Store

__all__ = ["write_change"]


def write_change(
    store: Store, kind: str, name: str, before: Mapping[str, object], after: Mapping[str, object]
) -> None:
    """One line with the name and every field that differs, as [before, after]; none when nothing
    does. It stands under an id made from the name, so that lines of one draft are found together.

    `version` is left out: it says nothing that the order of the lines does not.
    """
    fields = {
        key: [before.get(key), value]
        for key, value in after.items()
        if key != "version" and before.get(key) != value
    }
    if fields:
        with store.transaction() as connection:
            act = Act(connection, store.who, "change")
            record(act, kind, id_from(kind, name), {"name": name, **fields})

"""What is shared with other devices, and writing down who came in and who was sent away."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from ringland.history.shelves import Act, record
from ringland.history.store import Store
from ringland.web.certificate import Certificate
from ringland.web.pairing import Pairing
from ringland.web.sessions import Session

__all__ = ["Sharing", "write_down"]


@dataclass(frozen=True)
class Sharing:
    """The app as other devices reach it. `addresses`: to be typed there, the surest first. `say`:
    one line to the terminal."""

    addresses: tuple[str, ...]
    hosts: frozenset[str]
    cookie: str
    certificate: Certificate
    pairing: Pairing
    say: Callable[[str], None] = field(repr=False)


def write_down(store: Store, action: str, session: Session, extra: Mapping[str, str]) -> None:
    """One line in the audit log about a device: `action` is pair, leave or send away."""
    told = {"name": session.name, "device": session.device, "role": str(session.role), **extra}
    with store.transaction() as connection:
        record(Act(connection, store.who, action), "device", session.id, told)

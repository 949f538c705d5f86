"""What a page is told of an instrument that was just described: which one it is, and what was
measured of it."""

from dataclasses import asdict

from pydantic import BaseModel

from ringland.history.store import Store
from ringland.instruments.protocol import InstrumentInfo
from ringland.instruments.registry import split_address
from ringland.web.measured import labels_of, measured_of

__all__ = ["KnownOf", "known_of"]


class MeasuredShape(BaseModel):
    """One value of one input in words, with its day and age; `look`: the age needs looking at."""

    input: str
    what: str
    says: str
    day: str
    age: str
    look: bool


class KnownOf(BaseModel):
    """`serial`: the instrument says itself which one it is; else `labels` are those under which
    something was measured of this name ("" for none). `measured`: what counts for this one."""

    which: str
    serial: bool
    labels: list[str]
    measured: list[MeasuredShape]


def known_of(store: Store, info: InstrumentInfo, address: str) -> KnownOf:
    """From the store, for an instrument as it described itself at an address."""
    _, _, options = split_address(address)
    label = " ".join(options.get("label", "").split())
    rows = measured_of(store, info.title, info.which, address)
    names = set(MeasuredShape.model_fields)
    return KnownOf(
        which=info.which,
        serial=bool(info.which) and info.which != label,
        labels=list(labels_of(store, info.title, address)),
        measured=[
            MeasuredShape(**{k: v for k, v in asdict(one).items() if k in names}) for one in rows
        ],
    )

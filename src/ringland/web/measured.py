"""What was measured of instruments, in words for pages: the newest of each, and older ones."""

from collections.abc import Iterable
from dataclasses import dataclass

from ringland.history import list_calibrations
from ringland.history.calibrations import calibration_of
from ringland.history.store import Store
from ringland.instruments.calibration import (
    OLD_AFTER_DAYS,
    Calibration,
    CalibrationKind,
    age_days,
    said_age,
    said_value,
)
from ringland.instruments.labelled import named

__all__ = ["InstrumentMeasured", "Said", "labels_of", "measured", "measured_of", "said_of"]


@dataclass(frozen=True)
class Said:
    """One value in words. `row_id` and `version` of its row, "" and 0 before it is kept; `look`
    True when its age needs looking at."""

    input: str
    what: str
    says: str
    day: str
    age: str
    look: bool
    row_id: str = ""
    version: int = 0


@dataclass(frozen=True)
class InstrumentMeasured:
    """One instrument: what it calls itself, which one of that name, of which kind, the newest
    values of its inputs and older ones."""

    title: str
    which: str
    kind: str
    newest: tuple[Said, ...]
    older: tuple[Said, ...]

    @property
    def name(self) -> str:
        """Both names in one."""
        return named(self.title, self.which)


def said_of(one: Calibration, *, row_id: str = "", version: int = 0) -> Said:
    """One value in words."""
    return Said(
        input=one.input,
        what=one.what.value,
        says=said_value(one),
        day=one.measured_utc[:10],
        age=said_age(one),
        look=not -1.0 <= age_days(one) <= OLD_AFTER_DAYS,
        row_id=row_id,
        version=version,
    )


def measured(store: Store) -> tuple[InstrumentMeasured, ...]:
    """All instruments of which something was measured, by name."""
    newest: dict[tuple[str, str, str], list[Said]] = {}
    older: dict[tuple[str, str, str], list[Said]] = {}
    seen: set[tuple[object, ...]] = set()
    for row in list_calibrations(store):  # newest first within an input
        one = calibration_of(row)
        place = (one.instrument, one.which, _kind(one.address))
        rate = one.rate_hz if one.what is CalibrationKind.SKEW else None
        key = (*place, one.input, one.what, rate)
        into = older if key in seen else newest
        seen.add(key)
        into.setdefault(place, []).append(said_of(one, row_id=row.id, version=row.version))
    return tuple(
        InstrumentMeasured(*place, tuple(rows), tuple(older.get(place, ())))
        for place, rows in sorted(newest.items(), key=lambda item: item[0])
    )


def measured_of(store: Store, title: str, which: str, address: str) -> tuple[Said, ...]:
    """The newest values of one instrument; of one whose name has its serial in it also what was
    measured before serials were kept."""
    return tuple(
        said
        for one in _of_name(measured(store), title, address)
        if one.which == which or (not one.which and which in title)
        for said in one.newest
    )


def labels_of(store: Store, title: str, address: str) -> tuple[str, ...]:
    """The serials and labels under which instruments of this name are known, "" for none."""
    return tuple(one.which for one in _of_name(measured(store), title, address))


def _of_name(
    known: Iterable[InstrumentMeasured], title: str, address: str
) -> tuple[InstrumentMeasured, ...]:
    return tuple(one for one in known if (one.title, one.kind) == (title, _kind(address)))


def _kind(address: str) -> str:
    return address.partition(":")[0].partition("?")[0]

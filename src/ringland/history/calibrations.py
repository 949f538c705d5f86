"""What was measured of instruments, kept in the store by instrument and input, with its date."""

import json
from dataclasses import replace
from datetime import UTC, datetime

from ringland.history.crud import add_calibration, list_calibrations
from ringland.history.place import is_store
from ringland.history.rows import CalibrationRow
from ringland.history.store import Store, open_store
from ringland.instruments.calibration import (
    Calibration,
    CalibrationKind,
    as_plain,
    from_plain,
    in_force,
)
from ringland.instruments.protocol import SetUp

__all__ = ["calibration_of", "calibrations_at", "keep_calibrations",
           "known_calibrations", "newest", "newest_at"]  # fmt: skip


def keep_calibrations(
    store: Store, measured: tuple[Calibration, ...]
) -> tuple[CalibrationRow, ...]:
    """All or none. Older ones stay; the newest counts. Raises SettingError."""
    with store.transaction():
        return tuple(add_calibration(store, **_fields(one)) for one in measured)


def _fields(one: Calibration) -> dict[str, object]:
    moment = datetime.fromisoformat(one.measured_utc).astimezone(UTC)
    stamp = moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    plain = as_plain(replace(one, measured_utc=stamp))
    return {**plain, "readings": json.dumps(plain["readings"], sort_keys=True)}


def calibration_of(row: CalibrationRow) -> Calibration:
    """The row as what it stands for."""
    return from_plain({**vars(row), "readings": json.loads(row.readings)})


def known_calibrations(store: Store, set_up: SetUp) -> tuple[Calibration, ...]:
    """Those that count for what is recorded now."""
    rows = list_calibrations(store, instrument=set_up.title)
    return in_force((calibration_of(row) for row in rows), set_up)


def newest(store: Store) -> tuple[Calibration, ...]:
    """The newest of each quantity of each input, skew for each rate, by instrument (name, and which
    one of that name) and input."""
    found: dict[tuple[object, ...], Calibration] = {}
    for row in list_calibrations(store):  # newest first within an input
        one = calibration_of(row)
        rate = one.rate_hz if one.what is CalibrationKind.SKEW else None
        found.setdefault((one.instrument, one.which, one.input, one.what, rate), one)
    return tuple(sorted(found.values(), key=lambda one: (one.instrument, one.which)))


def calibrations_at(place: str | None, set_up: SetUp) -> tuple[Calibration, ...]:
    """`known_calibrations` of a store that may not be there: then nothing is known, and none is
    made. Raises SettingError when there is one and it cannot be opened."""
    if not is_store(place):
        return ()
    with open_store(place) as store:
        return known_calibrations(store, set_up)


def newest_at(place: str | None) -> tuple[Calibration, ...]:
    """`newest` of a store that may not be there."""
    if not is_store(place):
        return ()
    with open_store(place) as store:
        return newest(store)

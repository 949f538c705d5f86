"""What the vehicle of a visit said of itself: kept beside the visit, and ready to be an answer."""

from typing import Any

from ringland.diagnosis.from_vehicle import VEHICLE_TESTS, FromVehicle, readings_of
from ringland.errors import RinglandError, SettingError
from ringland.instruments.obd.readings import VehicleReadings, as_json, from_json
from ringland.web.context import Context

__all__ = ["keep_reading", "offers", "readings_from", "vehicle_readings"]

_MOST = 6


def _draft(visit_id: str) -> str:
    return f"vehicle-readings-{visit_id}"


def vehicle_readings(app: Context, visit_id: str) -> tuple[VehicleReadings, ...]:
    """All that were kept at this visit, oldest first; what cannot be read is left out."""
    found = []
    for told in app.drafts.read(_draft(visit_id)).get("readings", []):
        try:
            found.append(from_json(told))
        except (AttributeError, KeyError, TypeError, ValueError):
            continue
    return tuple(found)


def keep_reading(app: Context, visit_id: str, read: VehicleReadings) -> None:
    """Add one; the last few are kept."""
    draft = app.drafts.read(_draft(visit_id))
    several = [*draft.get("readings", []), as_json(read)][-_MOST:]
    app.drafts.write(_draft(visit_id), int(draft["version"]), {"readings": several})


def readings_from(test: str, known: tuple[VehicleReadings, ...]) -> FromVehicle:
    """What the kept readings answer to a test: the newest, or for the fuel trims the newest pair of
    idle and held speed. Raises SettingError with what is missing."""
    if not known:
        raise SettingError("The vehicle was not read yet.", remedy="Read it, on this page.")
    if test != "fuel_trims":
        return readings_of(test, known[-1:])
    last: RinglandError | None = None
    for older in reversed(known[:-1]):
        try:
            return readings_of(test, (older, known[-1]))
        except SettingError as error:
            last = last or error
    if last is not None:
        raise last
    return readings_of(test, known)


def offers(known: tuple[VehicleReadings, ...]) -> list[dict[str, Any]]:
    """Per test: what would be counted, or why nothing can be."""
    out: list[dict[str, Any]] = []
    for test in VEHICLE_TESTS if known else ():
        try:
            found = readings_from(test, known)
        except SettingError as error:
            said = " ".join(filter(None, (error.wrong, error.got, error.remedy)))
            out.append({"test": test, "readings": {}, "says": said})
        else:
            text = "; ".join(f"{k.replace('_', ' ')} {v}" for k, v in found.readings.items())
            says = ". ".join((text, *found.remarks))
            out.append({"test": test, "readings": found.readings, "says": says})
    return out

"""From what was read through the diagnostic socket to the readings of a follow-up test."""

from collections.abc import Sequence
from dataclasses import dataclass

from ringland.errors import SettingError
from ringland.instruments.obd.readings import VehicleReadings

__all__ = ["VEHICLE_TESTS", "FromVehicle", "readings_of"]

VEHICLE_TESTS = ("fuel_trims", "misfire_counters", "trouble_codes")
_IDLE_BELOW_RPM = 1200.0
_HELD_RPM = (2000.0, 3200.0)
_TRIM_PERCENT = 10.0


@dataclass(frozen=True)
class FromVehicle:
    """Readings for `parse_answer`, as text by name, and what to know of them."""

    readings: dict[str, str]
    remarks: tuple[str, ...] = ()


def readings_of(test: str, read: Sequence[VehicleReadings]) -> FromVehicle:
    """Readings of one of VEHICLE_TESTS. Fuel trims need two: at idle, and held at 2500 rpm.

    Raises SettingError with the reason when the vehicle did not say what is needed.
    """
    if test not in VEHICLE_TESTS:
        raise SettingError(
            "This test is not one that a vehicle's own readings answer.",
            got=test,
            allowed=", ".join(VEHICLE_TESTS),
        )
    if test == "fuel_trims":
        return _fuel_trims(read)
    if len(read) != 1:
        raise SettingError("One reading of the vehicle is needed.", got=f"{len(read)}")
    return _misfires(read[0]) if test == "misfire_counters" else _codes(read[0])


def _fuel_trims(read: Sequence[VehicleReadings]) -> FromVehicle:
    """Short plus long term trim of the bank that is farthest off in either state."""
    speeds = [r.value("speed").value or 0.0 for r in read]
    if len(read) != 2 or not (
        min(speeds) < _IDLE_BELOW_RPM and _HELD_RPM[0] <= max(speeds) <= _HELD_RPM[1]
    ):
        raise SettingError(
            "Fuel trims need two readings of the vehicle: at idle, and held at 2500 rpm.",
            got=", ".join(f"{s:.0f} rpm" for s in speeds) or "none",
            allowed=f"one below {_IDLE_BELOW_RPM:.0f} rpm and one at {_HELD_RPM[0]:.0f} to "
            f"{_HELD_RPM[1]:.0f} rpm",
        )
    idle, held = sorted(read, key=lambda r: r.value("speed").value or 0.0)
    for state, one in (("idle", idle), ("held speed", held)):
        if one.closed_loop is not True:
            raise SettingError(
                f"The trims at {state} say nothing: the mixture was not in closed loop.",
                got=one.fuel_system,
                remedy="Warm the engine up, hold the speed steady and read again.",
            )
    banks = [b for b in (1, 2) if _sum(idle, b) is not None and _sum(held, b) is not None]
    if not banks:
        missing = idle.value("long_trim_1").why or idle.value("short_trim_1").why
        raise SettingError("The vehicle did not give its fuel trims.", got=missing or "no bank")
    worst = max(banks, key=lambda b: max(abs(_sum(idle, b) or 0.0), abs(_sum(held, b) or 0.0)))
    remarks = [f"bank {worst}: {_said(idle, worst)} at idle, {_said(held, worst)} held"]
    for one in (idle, held):
        low, high = _range(one, worst)
        for limit in (-_TRIM_PERCENT, _TRIM_PERCENT):
            if low < limit < high:
                remarks.append(f"the limit of {limit:+.0f} % lies within what was read")
    return FromVehicle(
        {"idle_trim": f"{_sum(idle, worst):.2f}", "held_trim": f"{_sum(held, worst):.2f}"},
        tuple(dict.fromkeys(remarks)),
    )


def _sum(one: VehicleReadings, bank: int) -> float | None:
    short, long = (one.value(f"{term}_trim_{bank}").value for term in ("short", "long"))
    return None if short is None or long is None else short + long


def _range(one: VehicleReadings, bank: int) -> tuple[float, float]:
    found = [one.value(f"{term}_trim_{bank}") for term in ("short", "long")]
    low = sum(v.lowest if v.lowest is not None else 0.0 for v in found)
    return low, sum(v.highest if v.highest is not None else 0.0 for v in found)


def _said(one: VehicleReadings, bank: int) -> str:
    low, high = _range(one, bank)
    return f"{_sum(one, bank):+.1f} % ({low:+.1f} to {high:+.1f})"


def _misfires(read: VehicleReadings) -> FromVehicle:
    """Counts of this or the last driving cycle; the average of ten when those are not given."""
    if not read.misfires:
        raise SettingError(
            "The vehicle did not give misfire counters.",
            got=read.misfires_why or "none",
            remedy="Read them with the maker's own tool, or do another check.",
        )
    this = [m.this_cycle for m in read.misfires]
    whole = all(count is not None for count in this)
    counts = this if whole else [m.ten_cycles for m in read.misfires]
    by_cylinder = dict(zip((m.cylinder for m in read.misfires), counts, strict=True))
    text = [by_cylinder.get(c) for c in range(1, max(by_cylinder) + 1)]
    why = next((m.why for m in read.misfires if m.why), "")
    remarks = ["this or the last driving cycle" if whole else "average of ten driving cycles"]
    return FromVehicle(
        {"misfires": ",".join("-" if n is None else str(n) for n in text)},
        tuple(filter(None, (*remarks, why))),
    )


def _codes(read: VehicleReadings) -> FromVehicle:
    """Stored and pending codes; that there are none counts only when both lists were read."""
    not_read = dict(read.codes_not_read)
    found = [c.code for c in read.codes if c.kind in ("stored", "pending")]
    missing = [f"{kind}: {why}" for kind, why in not_read.items() if kind in ("stored", "pending")]
    if not found and missing:
        raise SettingError(
            "The vehicle did not give its codes; that is not the same as none.",
            got="; ".join(missing),
        )
    return FromVehicle(
        {"codes": ",".join(dict.fromkeys(found)) or "none"},
        tuple(f"codes not read, {text}" for text in missing),
    )

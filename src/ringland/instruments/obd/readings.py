"""What was read from a vehicle, as frozen values, and as JSON and back."""

import json
import math
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from ringland.errors import FileFormatError

__all__ = [
    "SCHEMA", "Code", "MisfireCount", "VehicleReadings", "VehicleValue", "as_json",
    "from_json", "read_readings",
]  # fmt: skip

SCHEMA = "ringland.vehicle-readings/1"
_LARGEST_BYTES = 1 << 20
_MOST_CYLINDERS = 64


@dataclass(frozen=True)
class VehicleValue:
    """Mean of `count` readings in `unit`, with the lowest and highest; `step` is the resolution of
    the answer. None with `why` when not available."""

    id: str
    title: str
    unit: str
    step: float
    value: float | None = None
    lowest: float | None = None
    highest: float | None = None
    count: int = 0
    why: str = ""


@dataclass(frozen=True)
class MisfireCount:
    """Counts of one cylinder (the maker's number): this or the last driving cycle, and the average
    of ten. None with `why`."""

    cylinder: int
    this_cycle: int | None
    ten_cycles: int | None
    why: str = ""


@dataclass(frozen=True)
class Code:
    """A trouble code. `kind` stored, pending or permanent; `meaning` "" when not one that is used
    here."""

    code: str
    kind: str
    controller: str
    meaning: str = ""


@dataclass(frozen=True)
class VehicleReadings:
    """One reading of a vehicle. Each `..._why` says why something is None."""

    read_utc: str
    address: str
    protocol: str
    controller: str
    values: tuple[VehicleValue, ...]
    misfires: tuple[MisfireCount, ...]
    misfires_why: str
    codes: tuple[Code, ...]
    codes_not_read: tuple[tuple[str, str], ...]
    closed_loop: bool | None
    fuel_system: str
    lamp_on: bool | None
    notes: tuple[str, ...] = ()

    def value(self, name: str) -> VehicleValue:
        """The value with this id; one without a number when it was not asked for."""
        for found in self.values:
            if found.id == name:
                return found
        return VehicleValue(name, name, "", 0.0, why="not read")


def as_json(readings: VehicleReadings) -> dict[str, Any]:
    """The contract of the file."""
    return {
        "schema": SCHEMA,
        **asdict(readings),
        "codes_not_read": dict(readings.codes_not_read),
    }


def read_readings(path: Path) -> VehicleReadings:
    """A file written before. Raises FileFormatError."""
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            raise ValueError("it is too large")
        return from_json(json.loads(path.read_text("utf-8")))
    except OSError as error:
        raise FileFormatError(
            f"'{path.name}' cannot be read.", got=error.strerror or str(error)
        ) from error
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise FileFormatError(
            f"'{path.name}' holds no readings of a vehicle.",
            got=f"{type(error).__name__}: {error}"[:200],
            allowed="a file that `ringland obd ... --json FILE` wrote",
        ) from error


def from_json(told: dict[str, Any]) -> VehicleReadings:
    """Back from `as_json`. Raises KeyError, TypeError or ValueError for what makes no sense."""
    if told["schema"] != SCHEMA:
        raise ValueError(f"its schema is {told['schema']!r}")
    return VehicleReadings(
        read_utc=str(told["read_utc"]),
        address=str(told["address"]),
        protocol=str(told["protocol"]),
        controller=str(told["controller"]),
        values=tuple(_value(v) for v in told["values"]),
        misfires=tuple(_misfire(m) for m in told["misfires"]),
        misfires_why=str(told["misfires_why"]),
        codes=tuple(_code(c) for c in told["codes"]),
        codes_not_read=tuple((str(k), str(v)) for k, v in told["codes_not_read"].items()),
        closed_loop=_truth(told["closed_loop"]),
        fuel_system=str(told["fuel_system"]),
        lamp_on=_truth(told["lamp_on"]),
        notes=tuple(str(n) for n in told["notes"]),
    )


def _value(told: dict[str, Any]) -> VehicleValue:
    return VehicleValue(
        id=str(told["id"]),
        title=str(told["title"]),
        unit=str(told["unit"]),
        step=float(told["step"]),
        value=_number(told["value"]),
        lowest=_number(told["lowest"]),
        highest=_number(told["highest"]),
        count=int(told["count"]),
        why=str(told["why"]),
    )


def _misfire(told: dict[str, Any]) -> MisfireCount:
    cylinder = int(told["cylinder"])
    if not 1 <= cylinder <= _MOST_CYLINDERS:
        raise ValueError(f"cylinder {cylinder}")
    this, ten = _count(told["this_cycle"]), _count(told["ten_cycles"])
    return MisfireCount(cylinder, this, ten, str(told["why"]))


def _code(told: dict[str, Any]) -> Code:
    return Code(str(told["code"]), str(told["kind"]), str(told["controller"]), str(told["meaning"]))


def _number(told: Any) -> float | None:
    if told is None:
        return None
    value = float(told)
    if not math.isfinite(value):
        raise ValueError(f"{told!r} is no number")
    return value


def _count(told: Any) -> int | None:
    value = _number(told)
    if value is not None and (value < 0 or value != int(value)):
        raise ValueError(f"{told!r} is no count")
    return None if value is None else int(value)


def _truth(told: Any) -> bool | None:
    if told is not None and not isinstance(told, bool):
        raise ValueError(f"{told!r} is neither true nor false")
    return told

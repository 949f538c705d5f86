"""What stands beside a recording in a folder: the visit, in `visit.json` or `visit.toml`."""

import json
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

from ringland.errors import FileFormatError
from ringland.history.rows import Purpose

__all__ = ["NAMES", "VisitFile", "read_visit_file"]

NAMES = ("visit.json", "visit.toml")
_LARGEST = 1_000_000
_PURPOSES = {"after repair": Purpose.AFTER, "before repair": Purpose.BEFORE}

VisitFile = dict[str, Any]
"""Checked fields; those not given are not in it."""


def read_visit_file(path: Path) -> VisitFile:
    """The fields of a visit file. Fields it does not know are left out.

    Raises FileFormatError naming the field at fault.
    """
    from pydantic import BaseModel, ConfigDict, Field, ValidationError

    class Fields(BaseModel):
        """As users write it."""

        model_config = ConfigDict(extra="ignore", strict=False)

        vehicle: str | None = Field(None, min_length=1, max_length=200)
        operator: str | None = Field(None, max_length=200)
        fleet_number: str | None = Field(None, max_length=100)
        plate: str | None = Field(None, max_length=100)
        vin: str | None = Field(None, max_length=100)
        date: date
        purpose: str = "fault-finding"
        odometer_km: float | None = Field(None, ge=0, le=1e8)
        running_hours: float | None = Field(None, ge=0, le=1e7)
        place: str | None = None
        technician: str | None = None
        fuel: str | None = None
        oil: str | None = None
        coolant_k: float | None = Field(None, ge=200, le=450)
        air_k: float | None = Field(None, ge=200, le=350)
        altitude_m: float | None = Field(None, ge=-500, le=9000)
        weather: str | None = None
        complaint: str | None = None
        remark: str | None = None
        condition: str | None = None
        speed_hint_rpm: float | None = Field(None, gt=0, le=50_000)
        roles: dict[str, str] | None = None

    try:
        if path.stat().st_size > _LARGEST:
            raise ValueError(f"it is larger than {_LARGEST} bytes")
        text = path.read_text(encoding="utf-8-sig")
        raw = tomllib.loads(text) if path.suffix.casefold() == ".toml" else json.loads(text)
        found = Fields.model_validate(raw).model_dump(exclude_none=True)
        purpose = str(found["purpose"])
        found["purpose"] = _PURPOSES.get(purpose) or Purpose(purpose)
        found["date"] = found["date"].isoformat()
    except ValidationError as error:
        first = error.errors()[0]
        field = ".".join(str(part) for part in first["loc"])
        raise _wrong(path, f"{field}: {first['msg']}") from error
    except (OSError, ValueError, RecursionError) as error:
        raise _wrong(path, str(error)) from error
    return found


def _wrong(path: Path, got: str) -> FileFormatError:
    return FileFormatError(
        f"The visit file '{path.name}' cannot be used.",
        got=got[:300],
        allowed="date as YYYY-MM-DD, purpose one of " + ", ".join(Purpose) + ", numbers with units "
        "as in their names; see the page on the history",
    )

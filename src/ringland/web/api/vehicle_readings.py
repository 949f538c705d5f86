"""The vehicle's own readings through the diagnostic socket: read at a visit, counted as an answer.
Reading only; nothing is cleared."""

from typing import Annotated, Any

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from ringland.history.shelves import SHELVES
from ringland.web.api.answers import KeptAnswer, Name, Place, keep_answer
from ringland.web.api.rows import Window, found
from ringland.web.api.shapes import ERRORS, RowId
from ringland.web.context import App

__all__ = ["router"]

router = APIRouter(responses=ERRORS, tags=["follow-up tests"])


class ReadVehicle(BaseModel):
    """Which adapter (tcp:HOST:PORT or serial:PORT), and for how long live values are read."""

    model_config = ConfigDict(extra="forbid")

    address: Annotated[str, StringConstraints(min_length=1, max_length=500)]
    seconds: Annotated[float, Field(ge=0, le=60, allow_inf_nan=False)] = 5.0


class WhatWasRead(BaseModel):
    """The reading as kept by `ringland obd --json`, and the same in lines."""

    reading: dict[str, Any]
    lines: list[str]


class CountVehicle(BaseModel):
    """Which test the kept readings are to answer; codes and counters name their cylinder, which is
    at `firing_position` where the recordings know no numbers."""

    model_config = ConfigDict(extra="forbid")

    test: Name
    cylinder: Place | None = None
    firing_position: Place | None = None


@router.post("/visits/{visit_id}/vehicle-readings", response_model=WhatWasRead, status_code=201)
def read_now(app: App, visit_id: RowId, given: ReadVehicle, window: Window = "") -> Any:
    """Read the vehicle now and keep what it said with the visit; answers when it is done."""
    from ringland.instruments.obd.read import read_vehicle
    from ringland.instruments.obd.readings import as_json
    from ringland.instruments.obd.said import lines_of
    from ringland.web.from_vehicle import keep_reading

    found(SHELVES["visit"], app, visit_id)
    read = read_vehicle(given.address, seconds=given.seconds)
    keep_reading(app, visit_id, read)
    app.changed("vehicle_readings", visit_id, window)
    return {"reading": as_json(read), "lines": lines_of(read)}


@router.post("/visits/{visit_id}/answers/from-vehicle", response_model=KeptAnswer, status_code=201)
def count(app: App, visit_id: RowId, given: CountVehicle, window: Window = "") -> Any:
    """Count what the vehicle said as the answer to a test; the causes are ranked with it."""
    from ringland.diagnosis.answers import parse_answer
    from ringland.web.from_vehicle import readings_from, vehicle_readings

    found(SHELVES["visit"], app, visit_id)
    known = vehicle_readings(app, visit_id)
    said = readings_from(given.test, known)
    answer = parse_answer(
        given.test,
        cylinder=given.cylinder,
        firing_position=given.firing_position,
        readings=said.readings,
    )
    when = known[-1].read_utc
    remark = f"Read from the vehicle at {when}. " + " ".join(f"{r}." for r in said.remarks)
    return keep_answer(app, visit_id, answer, remark=remark.strip(), window=window)

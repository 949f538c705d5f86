"""A vehicle in the door: owner, vehicle, engine and visit in one go."""

import json
from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from ringland.history import (
    Purpose,
    add_engine,
    add_owner,
    add_vehicle,
    add_visit,
    list_owners,
)
from ringland.report.mail import checked_address
from ringland.web.api.rows import Window
from ringland.web.api.shapes import ERRORS, RowId, Undo, undo_of
from ringland.web.context import App

__all__ = ["router"]

router = APIRouter(responses=ERRORS, tags=["intake"])
Short = Annotated[str, StringConstraints(max_length=200)]
Named = Annotated[str, StringConstraints(min_length=1, max_length=200, strip_whitespace=True)]
Long = Annotated[str, StringConstraints(max_length=10_000)]


class EngineForm(BaseModel):
    """An engine as asked on the page; a layout of the library, or cylinders and firing order."""

    model_config = ConfigDict(extra="forbid")

    name: Short = ""
    layout: Short | None = None
    cylinders: Annotated[int, Field(ge=1, le=16)] | None = None
    firing_order: Short | None = None
    strokes: Annotated[int, Field(ge=2, le=4)] | None = None
    fuel: Short | None = None
    aspiration: Short | None = None
    outlets: Annotated[list[int], Field(max_length=16)] | None = None
    trigger_cylinder: Annotated[int, Field(ge=1, le=16)] | None = None
    trigger_advance_deg: Annotated[float, Field(ge=-360, le=720)] | None = None
    idle_speed_rpm: Annotated[float, Field(gt=0, le=20_000)] | None = None
    exhaust_path_m: Annotated[float, Field(gt=0, le=50)] | None = None
    displacement_l: Annotated[float, Field(gt=0, le=60)] | None = None


class Intake(BaseModel):
    """Who brings what, and why. Without `purpose` no visit is made."""

    model_config = ConfigDict(extra="forbid")

    name: Named
    owner: Short = ""
    owner_email: Short = ""
    fleet_number: Short = ""
    plate: Short = ""
    vin: Short = ""
    kind: Short = ""
    engine: EngineForm
    purpose: Purpose | None = None
    odometer_km: Annotated[float, Field(ge=0, le=1e8, allow_inf_nan=False)] | None = None
    technician: Short = ""
    complaint: Long = ""


class TakenIn(BaseModel):
    """Ids of what was made; `id` is that of the visit, else of the vehicle."""

    id: str
    vehicle_id: str
    engine_id: str
    visit_id: str | None
    undo: Undo


class EngineText(BaseModel):
    """An engine file."""

    model_config = ConfigDict(extra="forbid")

    description: Annotated[str, StringConstraints(max_length=100_000)]


class EngineFacts(BaseModel):
    """What an engine file was understood as."""

    name: str
    cylinders: int
    strokes: int
    firing_order: list[int]
    firing_angles_deg: list[float]
    outlets: list[int]
    fuel: str


def engine_toml(form: EngineForm) -> str:
    """The form as the text of an engine file. Raises EngineError when it makes no sense."""
    from ringland.engines import engine_from_mapping

    given = {k: v for k, v in form.model_dump().items() if v not in (None, "", [])}
    engine_from_mapping(given, source_name="the engine")
    return "".join(f"{key} = {_toml(value)}\n" for key, value in given.items())


def _toml(value: object) -> str:
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=True).replace("\x7f", "\\u007f")
    return json.dumps(value)


@router.post("/intake", response_model=TakenIn, status_code=201)
def take_in(app: App, given: Intake, window: Window = "") -> Any:
    """Keep a new vehicle with its owner and engine, and begin a visit; all of it or nothing."""
    description = engine_toml(given.engine)
    store = app.store
    with store.transaction():
        owner = _owner_named(app, given.owner, given.owner_email)
        vehicle = add_vehicle(
            store,
            name=given.name,
            owner_id=owner,
            fleet_number=given.fleet_number,
            plate=given.plate,
            vin=given.vin,
            kind=given.kind,
        )
        engine = add_engine(
            store,
            vehicle_id=vehicle.id,
            name=given.engine.name or given.engine.layout or "engine",
            description=description,
        )
        visit = None
        if given.purpose is not None:
            visit = add_visit(
                store,
                vehicle_id=vehicle.id,
                engine_id=engine.id,
                visited_on=date.today().isoformat(),
                purpose=given.purpose,
                odometer_km=given.odometer_km,
                technician=given.technician or app.technician,
                complaint=given.complaint,
            )
    app.changed("vehicle", vehicle.id, window)
    undo = undo_of(f"new vehicle {given.name}"[:60], "DELETE", f"/api/v1/vehicles/{vehicle.id}")
    return TakenIn(
        id=visit.id if visit else vehicle.id,
        vehicle_id=vehicle.id,
        engine_id=engine.id,
        visit_id=visit.id if visit else None,
        undo=undo,
    )


def _owner_named(app: App, name: str, email: str) -> RowId | None:
    """The owner of that name, made when there is none; None for no name. The address of an owner
    who is known already stays. Raises BadInput for an address that is none."""
    name = name.strip()
    if not name:
        return None
    known = list_owners(app.store, name=name, limit=1)
    if known:
        return known[0].id
    email = email.strip()
    return add_owner(app.store, name=name, email=checked_address(email) if email else "").id


@router.post("/engine-file", response_model=EngineFacts)
def read_engine_file(given: EngineText) -> Any:
    """How an engine file is understood; nothing is kept."""
    import tomllib

    from ringland.engines import engine_from_mapping
    from ringland.errors import EngineError

    try:
        mapping = tomllib.loads(given.description)
    except tomllib.TOMLDecodeError as error:
        raise EngineError("That is not valid TOML.", got=str(error)[:300]) from error
    spec = engine_from_mapping(mapping, source_name="the engine file")
    return EngineFacts(
        name=spec.name,
        cylinders=spec.cylinders,
        strokes=spec.strokes,
        firing_order=list(spec.firing_order),
        firing_angles_deg=list(spec.firing_angles_deg),
        outlets=list(spec.outlets),
        fuel=spec.fuel.value,
    )

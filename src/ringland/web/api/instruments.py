"""Instruments themselves: self-check, what was measured of them, and which one of a name."""

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from ringland.errors import SettingError
from ringland.history import change_calibration, list_calibrations
from ringland.instruments.calibration import CalibrationKind
from ringland.instruments.labelled import checked_label
from ringland.model import ChannelRole
from ringland.web.api.live import Address, InputName, InputsShape, RoleName, inputs_shape
from ringland.web.api.rows import Window
from ringland.web.api.shapes import ERRORS, Undo, undo_of
from ringland.web.api.uploads import JobShape
from ringland.web.context import App
from ringland.web.recorder import RecorderOf
from ringland.web.self_check import AskedCheck, SelfChecksOf

__all__ = ["router"]

router = APIRouter(responses=ERRORS, tags=["instruments"])
_AT_A_HOSE = frozenset({
    ChannelRole.EXHAUST, ChannelRole.EXHAUST_2, ChannelRole.CRANKCASE, ChannelRole.INTAKE,
})  # fmt: skip
"""What a puff or a pressure reaches."""
_USUAL_RATE_HZ = 20_000.0
KindName = Literal["noise", "skew", "polarity", "step"]


class NewCheck(BaseModel):
    """What to measure. `inputs`: role -> input; empty when the instrument's own names say it.
    `pressure`: height of a step with its unit."""

    model_config = ConfigDict(extra="forbid")

    address: Address
    what: KindName
    inputs: dict[RoleName, InputName] = Field(default_factory=dict, max_length=40)
    rate_hz: Annotated[float, Field(ge=100, le=1e7, allow_inf_nan=False)] = _USUAL_RATE_HZ
    seconds: Annotated[float, Field(ge=0.5, le=60, allow_inf_nan=False)] = 8.0
    pressure: Annotated[str, StringConstraints(max_length=40)] | None = None


class KeptCheck(BaseModel):
    """How many values count from now on."""

    said: str
    values: int


class NewLabel(BaseModel):
    """Which one of a name it is: for what was measured of that name under another label, or
    none."""

    model_config = ConfigDict(extra="forbid")

    instrument: Annotated[str, StringConstraints(min_length=1, max_length=500)]
    label: Annotated[str, StringConstraints(max_length=100)]
    before: Annotated[str, StringConstraints(max_length=100)] = ""


class Labelled(BaseModel):
    """How many values have the label now, and the way back."""

    said: str
    values: int
    undo: Undo | None = None


@router.get("/bench", response_model=InputsShape)
def on_bench(
    app: App,
    recorder: RecorderOf,
    address: Annotated[str, Query(min_length=1, max_length=500)],
    what: KindName = "noise",
) -> Any:
    """The inputs of an instrument, and what was measured of it."""
    from ringland.live.bench import open_on_bench
    from ringland.live.guided import roles_of
    from ringland.live.selfcheck import QUIET_FIRST

    recorder.free(address)
    instrument = open_on_bench(address, CalibrationKind(what), 1.0)
    try:
        info = instrument.describe()
    finally:
        instrument.stop()
    kind = CalibrationKind(what)
    roles = {
        name: role.value
        for role, name in roles_of(info).items()
        if kind not in QUIET_FIRST or role in _AT_A_HOSE
    }
    return inputs_shape(app, info, address, roles, _USUAL_RATE_HZ)


@router.post("/self-check", response_model=JobShape, status_code=202)
def start_check(app: App, checks: SelfChecksOf, given: NewCheck) -> Any:
    """Measure one quantity; what is found waits to be kept or thrown away."""
    known_pa = None
    if given.pressure and given.pressure.strip():
        from ringland.units import parse_quantity

        if CalibrationKind(given.what) is not CalibrationKind.STEP:
            raise SettingError("A pressure is given only with a step.", got=given.what)
        known_pa = parse_quantity(given.pressure, "pressure")[0]
        if not known_pa:
            raise SettingError("The step has no height.", got=given.pressure, allowed="not zero")
    asked = AskedCheck(
        address=given.address,
        what=CalibrationKind(given.what),
        inputs=given.inputs,
        rate_hz=given.rate_hz,
        seconds=given.seconds,
        known_pa=known_pa,
    )
    return vars(checks.start(app, asked))


@router.post("/self-check/keep", response_model=KeptCheck)
def keep_check(app: App, checks: SelfChecksOf) -> Any:
    """What was found counts from now on; what counted before stays with its date."""
    values = checks.keep(app)
    return KeptCheck(said=f"{values} values kept; they count from now on.", values=values)


@router.delete("/self-check", response_model=KeptCheck)
def throw_away(checks: SelfChecksOf) -> Any:
    """Nothing of it counts."""
    checks.throw_away()
    return KeptCheck(said="Thrown away; what counted before counts on.", values=0)


@router.post("/instruments/label", response_model=Labelled)
def give_label(app: App, given: NewLabel, window: Window = "") -> Any:
    """Say which one of its name was measured: all its values get the label (or lose it)."""
    label = checked_label(given.label) if given.label.strip() else ""
    rows = [
        row
        for row in list_calibrations(app.store, instrument=given.instrument)
        if row.which == given.before
    ]
    if not rows:
        raise SettingError(
            "Nothing was measured of an instrument of that name.",
            got=f"{given.instrument} {given.before}".strip()[:200],
            remedy="Run a self-check, and give the label there.",
        )
    taken = any(r.which == label for r in list_calibrations(app.store, instrument=given.instrument))
    with app.store.transaction():
        for row in rows:
            change_calibration(app.store, row.id, row.version, which=label)
    app.changed("calibration", rows[0].id, window)
    back = {"instrument": given.instrument, "label": given.before, "before": label}
    undo = None if taken else undo_of("label", "POST", "/api/v1/instruments/label", back)
    return Labelled(said=f"{len(rows)} values are of {label or 'no label'} now.", values=len(rows),
                    undo=undo)  # fmt: skip

"""Recording with an instrument: what is there, what is on its inputs, begin, watch, stop, and what
was left behind by a server that died."""

from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query
from fastapi import Path as PathParameter
from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from ringland.errors import EngineError, SettingError
from ringland.history import Visit, get_vehicle, keep_recording
from ringland.history.shelves import SHELVES
from ringland.instruments.protocol import InstrumentInfo
from ringland.model import Condition, EngineSpec
from ringland.web.api.rows import Window, found
from ringland.web.api.shapes import ERRORS, RowId, Undo, undo_of
from ringland.web.api.uploads import JobShape, KeptRecording
from ringland.web.context import App, Context
from ringland.web.errors import NotFound
from ringland.web.judgement import engine_of_visit, engine_spec, judge
from ringland.web.known import KnownOf, known_of
from ringland.web.left_behind import LeftBehind, left_behind, left_file, put_back, put_out_of_sight
from ringland.web.recorder import Kept, LiveRecording, Place, Recorder, RecorderOf
from ringland.web.worker import Plain

__all__ = ["router", "running_files"]

router = APIRouter(responses=ERRORS, tags=["live recording"])
LiveId = Annotated[str, PathParameter(pattern=r"^[0-9a-f]{32}$")]
Address = Annotated[str, StringConstraints(min_length=1, max_length=500)]
ConditionName = Literal["idle", "held", "snap", "cranking"]
RoleName = Annotated[str, StringConstraints(pattern=r"^[a-z0-9_]{1,40}$")]
InputName = Annotated[str, StringConstraints(min_length=1, max_length=200)]
_NO_FOLDER = "gives files, not samples: drop them in, or use: ringland record folder:PATH"


class FoundInstrument(BaseModel):
    """One instrument, or why it cannot be used."""

    kind: str
    title: str
    address: str
    example: str
    says: str
    usable: bool


class InputShape(BaseModel):
    """One input; `role` what its name or the hook-up plan says it measures."""

    name: str
    unit: str
    note: str
    role: str | None


class InputsShape(BaseModel):
    """What an instrument can do. `planned_rate_hz` from the hook-up plan, or usual for a
    self-check; `known`: which one it is, and what was measured of it."""

    title: str
    inputs: list[InputShape]
    rates_hz: tuple[float, float] | None
    planned_rate_hz: float
    notes: list[str]
    known: KnownOf


def inputs_shape(
    app: Context,
    info: InstrumentInfo,
    address: str,
    roles: Mapping[str, str],
    planned_rate_hz: float,
) -> InputsShape:
    """An instrument as it described itself; `roles` of its inputs by their names."""
    return InputsShape(
        title=info.title,
        inputs=[
            InputShape(name=i.name, unit=i.unit, note=i.note, role=roles.get(i.name))
            for i in info.inputs
        ],
        rates_hz=info.rates_hz,
        planned_rate_hz=planned_rate_hz,
        notes=list(info.notes),
        known=known_of(app.store, info, address),
    )


class NewLive(BaseModel):
    """What to record. `inputs`: role -> input; empty when the instrument's own names say it. `obd`:
    address of an adapter in the diagnostic socket, whose speed is read meanwhile."""

    model_config = ConfigDict(extra="forbid")

    address: Address
    condition: ConditionName = "idle"
    inputs: dict[RoleName, InputName] = Field(default_factory=dict, max_length=40)
    rate_hz: Annotated[float, Field(ge=100, le=1e7, allow_inf_nan=False)] | None = None
    precision_percent: Annotated[float, Field(ge=0.5, le=50, allow_inf_nan=False)] = 5.0
    shortest_s: Annotated[float, Field(ge=0.5, le=3600, allow_inf_nan=False)] = 10.0
    longest_s: Annotated[float, Field(ge=1, le=3600, allow_inf_nan=False)] = 60.0
    speed_rpm: Annotated[float, Field(gt=0, le=20_000, allow_inf_nan=False)] | None = None
    obd: Address | None = None

    @model_validator(mode="after")
    def _in_order(self) -> "NewLive":
        if self.shortest_s > self.longest_s:
            raise ValueError("the shortest time is longer than the longest")
        return self


class LiveShape(BaseModel):
    """A live recording as it stands; the event `live` carries the same. Times in seconds, strengths
    as a share of the usual, half widths of intervals that hold 19 times in 20."""

    id: str
    visit: str
    vehicle: str
    window: str
    address: str
    condition: str
    state: Literal["setting-up", "waiting", "recording", "judging", "keeping", "done", "failed"]
    started_utc: str
    ended_utc: str | None
    rate_hz: float | None
    notes: list[str]
    seconds: float
    event_s: float | None
    lost_samples: int
    shortest_s: float
    longest_s: float
    wanted: float
    meters: list[dict[str, Any]]
    look: dict[str, Any] | None
    trouble: str | None
    vehicle_speed: dict[str, Any] | None
    ended: str | None
    fault: bool
    verdict: dict[str, Any] | None
    verdict_after_s: float | None
    recording_id: str | None
    job_id: str | None
    error: dict[str, Any] | None


class OutOfSight(BaseModel):
    """How to bring it back."""

    undo: Undo | None = None


def running_files(recorder: Recorder) -> frozenset[Path]:
    """Files that are being recorded into, or are on their way into the store."""
    return frozenset(one.kept_path for one in recorder.all() if not one.over)


@router.get("/instruments", response_model=list[FoundInstrument])
def list_instruments() -> Any:
    """What can be recorded from, and why something cannot."""
    from ringland.instruments.registry import find_instruments
    from ringland.live.kinds import FOLDER, all_kinds

    return [
        FoundInstrument(
            kind=kind.name,
            title=kind.title,
            address=one.address,
            example=kind.example,
            says=_NO_FOLDER if kind.name == FOLDER else one.says,
            usable=one.usable and kind.name != FOLDER,
        )
        for kind, rows in find_instruments(all_kinds())
        for one in rows
    ]


@router.get("/visits/{visit_id}/instrument", response_model=InputsShape)
def inputs_of(
    app: App,
    recorder: RecorderOf,
    visit_id: RowId,
    address: Annotated[str, Query(min_length=1, max_length=500)],
    condition: ConditionName = "idle",
) -> Any:
    """The inputs of an instrument, and what the hook-up plan would put on them."""
    from ringland.instruments.plan import make_plan
    from ringland.live.guided import roles_of
    from ringland.live.kinds import open_for

    _, engine = _visit_and_engine(app, visit_id)
    recorder.free(address)
    chosen = Condition(condition)
    plan = make_plan(engine, chosen)
    instrument = open_for(address, engine, chosen)
    try:
        info = instrument.describe()
    finally:
        instrument.stop()
    named = {name: role.value for role, name in roles_of(info).items()}
    planned = [] if named else [c.role.value for c in plan.channels]
    roles = {i.name: r for i, r in zip(info.inputs, planned, strict=False)} | named
    return inputs_shape(app, info, address, roles, plan.rate_hz)


@router.post("/visits/{visit_id}/live", response_model=LiveShape, status_code=201)
def start(
    app: App, recorder: RecorderOf, visit_id: RowId, given: NewLive, window: Window = ""
) -> Any:
    """Begin to record. 409 with the recording that runs (`current`) when the instrument or the
    visit has one."""
    from ringland.live.guided import Asked

    visit, engine = _visit_and_engine(app, visit_id)
    asked = Asked(
        address=given.address,
        engine=engine,
        condition=Condition(given.condition),
        inputs=given.inputs,
        rate_hz=given.rate_hz,
        wanted=given.precision_percent / 100.0,
        shortest_s=given.shortest_s,
        longest_s=given.longest_s,
        speed_rpm=given.speed_rpm,
        obd=given.obd,
    )
    vehicle = get_vehicle(app.store, visit.vehicle_id)
    place = Place(visit.id, vehicle.name, window)
    keep = _keeper(app, recorder.folder, visit.id)
    return recorder.start(asked, place, keep).told()


@router.get("/live", response_model=list[LiveShape])
def list_live(recorder: RecorderOf, visit_id: RowId | None = None) -> Any:
    """Live recordings since the server started, newest first; of one visit where it is named."""
    return [one.told() for one in recorder.all(visit_id)]


@router.get("/live/{live_id}", response_model=LiveShape)
def get_live(recorder: RecorderOf, live_id: LiveId) -> Any:
    """One live recording."""
    return _known(recorder, live_id).told()


@router.post("/live/{live_id}/stop", response_model=LiveShape)
def stop(recorder: RecorderOf, live_id: LiveId) -> Any:
    """Stop; answers with the verdict, when the recording is in the visit. May be sent twice."""
    one = _known(recorder, live_id)
    one.stop("stopped by hand")
    return one.told()


@router.post("/live/{live_id}/go", response_model=LiveShape)
def go(recorder: RecorderOf, live_id: LiveId) -> Any:
    """Do not wait for the snap or the starter: record from what is there."""
    one = _known(recorder, live_id)
    one.go()
    return one.told()


@router.get("/left-behind", response_model=list[LeftBehind])
def list_left(recorder: RecorderOf, visit_id: RowId | None = None) -> Any:
    """What was recorded when a server died, and is in no visit yet."""
    rows = left_behind(recorder.folder, running_files(recorder))
    return [one for one in rows if visit_id in (None, one.visit_id)]


@router.post("/left-behind/{name}/keep", response_model=KeptRecording, status_code=201)
def keep_left(app: App, recorder: RecorderOf, name: LiveId, window: Window = "") -> Any:
    """Make a recording of it, in the visit it was made for, and judge it."""
    from ringland.instruments.keep import read_kept
    from ringland.live.finish import about_as_json
    from ringland.live.guided import conclude

    one, path = left_file(recorder.folder, name, running_files(recorder))
    _, engine = _visit_and_engine(app, one.visit_id)
    notes = read_kept(path).notes
    done = conclude(path, engine, speed_rpm=one.speed_rpm)
    about = about_as_json(done.kept, engine, done.judged, notes[-1] if notes else "it broke off")
    kept = _keeper(app, recorder.folder, one.visit_id)(path, done, about)
    row = found(SHELVES["recording"], app, kept.recording_id)
    job = app.jobs.get(kept.job_id)
    assert job is not None  # it was submitted a moment ago
    undo = undo_of("recording found again", "DELETE", f"/api/v1/recordings/{row.id}")
    app.changed("recording", row.id, window)
    return {"row": row, "job": JobShape(**vars(job)), "undo": undo}


@router.delete("/left-behind/{name}", response_model=OutOfSight)
def remove_left(recorder: RecorderOf, name: LiveId) -> Any:
    """Do not offer it any more; nothing is deleted."""
    put_out_of_sight(recorder.folder, name, running_files(recorder))
    path = f"/api/v1/left-behind/{name}/restore"
    return OutOfSight(undo=undo_of("recording put out of sight", "POST", path))


@router.post("/left-behind/{name}/restore", response_model=OutOfSight)
def restore_left(recorder: RecorderOf, name: LiveId) -> Any:
    """Offer it again."""
    put_back(recorder.folder, name)
    return OutOfSight()


def _known(recorder: Recorder, live_id: str) -> LiveRecording:
    one = recorder.get(live_id)
    if one is None:
        raise NotFound(
            "There is no such live recording.",
            got=live_id,
            remedy="If the server was started anew, what was recorded is offered on the page of "
            "the visit.",
        )
    return one


def _visit_and_engine(app: Context, visit_id: str) -> tuple[Visit, EngineSpec]:
    visit = found(SHELVES["visit"], app, visit_id)
    assert isinstance(visit, Visit)
    engine = engine_of_visit(app, visit.id)
    if engine is None or not engine.description.strip():
        raise EngineError(
            "The engine of this vehicle is not described.",
            allowed="at least cylinders and firing order",
            remedy="Describe it on the page of the vehicle; without it nothing can be judged.",
        )
    return visit, engine_spec(engine)


def _keeper(app: Context, folder: Path, visit_id: str) -> Callable[[Path, Any, Plain], Kept]:
    """What puts a concluded recording into the visit, as a dropped file would be."""

    def keep(kept_path: Path, done: Any, about: Plain) -> Kept:
        from ringland.live.finish import finish, write_about

        condition = done.recording.condition.value
        out = kept_path.with_suffix(".h5")
        out.unlink(missing_ok=True)  # of a server that died between the two
        finished = finish(kept_path, out, recording=done.recording, drop=False)
        if finished.path != out:
            raise SettingError(
                "What was recorded could not be put into the visit.",
                got=" ".join(finished.said),
                remedy="Make room on the disk; the page of the visit offers it again.",
            )
        began = datetime.fromisoformat(done.kept.head.started_utc).astimezone()
        row = keep_recording(
            app.store,
            visit_id,
            out,
            file_name=f"{condition}-{began.strftime('%Y%m%d-%H%M%S')}.h5",
            condition=condition,
            speed_hint_rpm=done.recording.speed_hint_rpm,
            duration_s=done.recording.duration_s,
        )
        write_about(about, folder / f"{row.id}.json")
        out.unlink(missing_ok=True)
        kept_path.unlink(missing_ok=True)
        app.changed("recording", row.id)
        return Kept(row.id, judge(app, row).id)

    return keep

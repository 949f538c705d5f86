"""A guided recording, from the instrument's address to the verdict: what the command and the app
both run, each with a screen of its own."""

import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeAlias

from ringland.errors import FileFormatError, RinglandError, SettingError
from ringland.instruments.calibration import Calibration, corrections
from ringland.instruments.keep import Keeper, Kept, KeptHead, read_kept
from ringland.instruments.plan import make_plan
from ringland.instruments.protocol import Instrument, InstrumentInfo, SetUp, Wanted, WantedInput
from ringland.live.finish import recording_of
from ringland.live.kinds import open_for
from ringland.live.monitor import HELD_RPM, Look, look
from ringland.live.session import Event, LiveSession, LiveView, SessionState
from ringland.live.vehicle_speed import SpeedSeen, SpeedWatch
from ringland.live.verdict import Judgement, judge
from ringland.model import ChannelRole, Condition, EngineSpec, Recording

__all__ = [
    "Asked",
    "CalibrationsOf",
    "Concluded",
    "GuidedRecording",
    "conclude",
    "roles_of",
    "wanted_inputs",
]

_LOOK_EVERY_S = 1.0
_FIRST_LOOK_S = 1.5
_AFTER_EVENT_S = 7.0


@dataclass(frozen=True)
class Asked:
    """What is to be recorded. `inputs`: role -> input, empty where the instrument's own names say
    it; `wanted` half width of a cylinder's interval; `speed_rpm` by tachometer, or the speed to
    hold; `obd` address of an adapter that the speed is read from meanwhile."""

    address: str
    engine: EngineSpec
    condition: Condition
    inputs: Mapping[str, str] = field(default_factory=dict)
    rate_hz: float | None = None
    wanted: float = 0.05
    shortest_s: float = 10.0
    longest_s: float = 60.0
    speed_rpm: float | None = None
    obd: str | None = None

    @property
    def held_rpm(self) -> float:
        """The speed to coach to."""
        return self.speed_rpm or HELD_RPM

    @property
    def waits(self) -> bool:
        """True for what is recorded around an event."""
        return self.condition in (Condition.SNAP, Condition.CRANKING)


CalibrationsOf: TypeAlias = Callable[[SetUp], tuple[Calibration, ...]]
"""What is known of the instrument as it is set up. May raise RinglandError."""


def _nothing_known(_: SetUp) -> tuple[Calibration, ...]:
    return ()


class GuidedRecording:
    """One recording. Call `start`, then `step` every fifth of a second until it gives a reason,
    then `stop` with it; what was recorded is in `kept_path` at any moment. What `calibrations_of`
    knows at the start goes into it and `corrections` says what that does; when it cannot be asked,
    `set_up.notes` says so.

    Raises SettingError or InstrumentFault when it cannot be set up; nothing is left behind then.
    """

    def __init__(
        self,
        asked: Asked,
        kept_path: Path,
        *,
        about: tuple[tuple[str, str], ...] = (),
        calibrations_of: CalibrationsOf = _nothing_known,
    ) -> None:
        self.asked = asked
        self.kept_path = kept_path
        self.seen: Look | None = None
        self._looked_s = self._started_s = time.monotonic()
        self.vehicle = None if asked.obd is None else SpeedWatch(asked.obd)
        plan = make_plan(asked.engine, asked.condition)
        self._instrument = open_for(asked.address, asked.engine, asked.condition)
        try:
            self.set_up: SetUp = self._instrument.configure(
                Wanted(
                    asked.rate_hz or plan.rate_hz,
                    wanted_inputs(asked.inputs, self._instrument, asked.address),
                )
            )
            now = datetime.now(UTC).isoformat(timespec="seconds")
            self.set_up, known = _with_calibrations(self.set_up, calibrations_of)
            self.corrections = tuple(
                text for one in corrections(self.set_up, known, now) for text in one.says
            )
            keeper = Keeper(kept_path, KeptHead(self.set_up, asked.condition, now, about, known))
        except BaseException:
            self._instrument.stop()
            raise
        event = Event(after_s=_AFTER_EVENT_S) if asked.waits else None
        self._session = LiveSession(self._instrument, self.set_up, keeper, event=event)

    def start(self) -> None:
        """Arm and begin. Raises InstrumentFault; nothing is left behind then."""
        try:
            self._session.start()
        except BaseException:
            self._session.stop("it did not start")
            self.kept_path.unlink(missing_ok=True)  # nothing was recorded
            raise
        self._started_s = time.monotonic()
        if self.vehicle is not None:
            self.vehicle.start()

    def view(self) -> LiveView:
        """What is to be shown now."""
        return self._session.view()

    def step(self) -> str | None:
        """Look at what came, about once a second; the reason to stop, or None."""
        asked, view = self.asked, self._session.view()
        due = view.state is SessionState.RECORDING and view.seconds >= _FIRST_LOOK_S
        if due and time.monotonic() - self._looked_s >= _LOOK_EVERY_S:
            self.seen = look(
                self._session.recent(asked.condition, self._hint_now()),
                asked.engine,
                wanted=asked.wanted,
                shortest_s=asked.shortest_s,
                held_rpm=asked.held_rpm,
            )
            self._looked_s = time.monotonic()
        if view.state is SessionState.ENDED:
            return view.ended.reason if view.ended else "ended"
        if view.seconds >= asked.longest_s:
            return f"{asked.longest_s:g} s are the longest asked for"
        return "enough" if self._is_enough(view.seconds) else None

    def go(self) -> None:
        """Do not wait for the event any longer."""
        self._session.go()

    def stop(self, reason: str) -> LiveView:
        """End it, everything to the disk; may be called twice."""
        view = self._session.stop(reason)
        if self.vehicle is not None:
            self.vehicle.stop()
        return view

    def vehicle_speed(self) -> SpeedSeen | None:
        """What the vehicle said of its speed since the start."""
        return None if self.vehicle is None else self.vehicle.seen(self._started_s)

    def vehicle_told(self) -> dict[str, object] | None:
        """The same as plain data, with the adapter's address and why there is none (any more);
        None when the vehicle was not asked."""
        if self.vehicle is None:
            return None
        seen = self.vehicle_speed()
        told = {} if seen is None else asdict(seen)
        return {"address": self.vehicle.address, **told, "trouble": self.vehicle.trouble}

    def speed_hint_rpm(self) -> float | None:
        """The vehicle's own speed where it was steady, else what a tachometer said."""
        told = None if self.asked.waits else self.vehicle_speed()
        return self.asked.speed_rpm if told is None else told.median_rpm

    def _hint_now(self) -> float | None:
        now = None if self.vehicle is None or self.asked.waits else self.vehicle.latest_rpm()
        if now:
            return now
        return None if self.asked.condition is Condition.HELD else self.asked.speed_rpm

    def _is_enough(self, seconds: float) -> bool:
        """The data say so, after the time that is recorded in any case; a snap or the starter
        decides by itself."""
        precision = None if self.seen is None else self.seen.precision
        if precision is None or seconds < self.asked.shortest_s or self.asked.waits:
            return False
        return precision.enough


def _with_calibrations(
    set_up: SetUp, calibrations_of: CalibrationsOf
) -> tuple[SetUp, tuple[Calibration, ...]]:
    try:
        return set_up, calibrations_of(set_up)
    except RinglandError as error:
        note = (
            "What was measured of this instrument is not known, and nothing is corrected: "
            f"{error.wrong} {error.got or ''}"
        )
        return replace(set_up, notes=(*set_up.notes, note.strip())), ()


@dataclass(frozen=True, eq=False)
class Concluded:
    """A kept file read back, corrected for what was known of its instrument, and judged."""

    kept: Kept
    recording: Recording
    judged: Judgement


def conclude(
    kept_path: Path, engine: EngineSpec, *, wanted: float = 0.05, speed_rpm: float | None = None
) -> Concluded:
    """Fit to judge or not, from what is on the disk.

    Raises FileFormatError when it is no kept file, or nothing was recorded (the empty file goes).
    """
    kept = read_kept(kept_path)
    if not kept.sample_count:
        kept_path.unlink(missing_ok=True)
        raise FileFormatError(
            "Nothing was recorded.",
            got="; ".join(kept.notes) or None,
            remedy="Check cable and sensors and record again.",
        )
    recording = recording_of(kept, speed_hint_rpm=speed_rpm)
    return Concluded(kept, recording, judge(recording, engine, wanted=wanted))


def wanted_inputs(
    inputs: Mapping[str, str], instrument: Instrument, address: str
) -> tuple[WantedInput, ...]:
    """What to record: role -> input as given, else every input that is named after a role.

    Raises SettingError.
    """
    from ringland.readers._roles import parse_role

    if inputs:
        return tuple(WantedInput(name, parse_role(role)) for role, name in inputs.items())
    info = instrument.describe()
    known = roles_of(info)
    if not known:
        raise SettingError(
            "It is not known what is on which input.",
            got=", ".join(i.name for i in info.inputs),
            allowed="--channel ROLE=INPUT, for example --channel exhaust=1",
            remedy=f"See the inputs: ringland instruments {address}",
        )
    return tuple(WantedInput(name, role) for role, name in known.items())


def roles_of(info: InstrumentInfo) -> dict[ChannelRole, str]:
    """Inputs that are named after a role."""
    roles = {r.value: r for r in ChannelRole}
    return {roles[i.name]: i.name for i in info.inputs if i.name in roles}

"""Live recordings in the app: one at a time on each instrument, each in a thread of its own.

What is recorded is on the disk before it is shown. A server that dies leaves the file, and
`left_behind` offers it again.
"""

import contextlib
import os
import threading
import time
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, TypeAlias

from fastapi import Depends, Request

from ringland.errors import RinglandError, SettingError
from ringland.instruments.keep import SUFFIX
from ringland.instruments.registry import split_address
from ringland.live.finish import about_as_json
from ringland.live.guided import Asked, CalibrationsOf, Concluded, GuidedRecording, conclude
from ringland.live.session import SessionState
from ringland.web.errors import Conflict
from ringland.web.told import look_told, meters_told, verdict_told
from ringland.web.worker import Plain, fault

__all__ = [
    "Keep",
    "Kept",
    "LiveRecording",
    "LiveState",
    "Place",
    "Recorder",
    "RecorderOf",
    "recording_folder",
]

_STEP_S = 0.2
_REMEMBERED = 30


class LiveState(StrEnum):
    """Where a live recording is."""

    SETTING_UP = "setting-up"
    WAITING = "waiting"
    RECORDING = "recording"
    JUDGING = "judging"
    KEEPING = "keeping"
    DONE = "done"
    FAILED = "failed"


_OVER = (LiveState.DONE, LiveState.FAILED)


@dataclass(frozen=True)
class Place:
    """What a recording belongs to. `window` the open page that started it."""

    visit_id: str
    vehicle: str
    window: str = ""


@dataclass(frozen=True)
class Kept:
    """Where it landed: the row of the recording and the work of judging it."""

    recording_id: str
    job_id: str


Keep: TypeAlias = Callable[[Path, Concluded, Plain], Kept]
"""Puts a concluded recording (its kept file, what came of it, what stands beside it) into the
store. Raises RinglandError; the kept file goes only when it is in the store."""


class LiveRecording:
    """One recording from set-up to the store. Safe to use from several threads."""

    def __init__(
        self,
        asked: Asked,
        place: Place,
        folder: Path,
        tell: Callable[[str, Plain], None],
        calibrations_of: CalibrationsOf,
    ) -> None:
        self.id = uuid.uuid4().hex
        self.asked = asked
        self.place = place
        self.kept_path = folder / f"{self.id}{SUFFIX}"
        self.state = LiveState.SETTING_UP
        self._tell = tell
        self._calibrations_of = calibrations_of
        self._guided: GuidedRecording | None = None
        self._keep: Keep | None = None
        self._started_utc = datetime.now(UTC).isoformat(timespec="seconds")
        self._ended_utc: str | None = None
        self._ending = threading.Lock()
        self._claimed = False
        self._stop_asked = threading.Event()
        self._over = threading.Event()
        self._found: dict[str, Any] = {}
        self._trouble: str | None = None

    def begin(self, keep: Keep) -> None:
        """Set up, arm and record in a thread of its own. Raises RinglandError; nothing is left
        then."""
        about = (("visit", self.place.visit_id), ("speed_rpm", str(self.asked.speed_rpm or "")))
        self._guided = GuidedRecording(
            self.asked, self.kept_path, about=about, calibrations_of=self._calibrations_of
        )
        self._guided.start()
        self._keep = keep
        self.state = LiveState.WAITING if self.asked.waits else LiveState.RECORDING
        threading.Thread(target=self._follow, name="ringland-live", daemon=True).start()
        self.tell()

    @property
    def over(self) -> bool:
        """True when nothing more will happen."""
        return self.state in _OVER

    def tell(self) -> None:
        """Tell open pages how it stands."""
        self._tell("live", self.told())

    def stop(self, reason: str, *, keep: bool = True) -> None:
        """End it and conclude; returns when it is over. Without `keep` the file is left for
        later."""
        self._end(reason, keep=keep)
        self._over.wait(60.0)

    def go(self) -> None:
        """Do not wait for the event."""
        if self._guided is not None:
            self._guided.go()

    def _follow(self) -> None:
        guided = self._guided
        assert guided is not None
        while not self._stop_asked.wait(_STEP_S):
            try:
                reason = guided.step()
            except Exception as error:  # what is shown may fail; what is recorded goes on
                self._trouble = f"What comes in cannot be looked at: {fault(error)['got']}"
                ended = guided.view().ended
                reason = ended.reason if ended else None
            if reason is not None:
                self._end(reason)
                return
            recording = guided.view().state is SessionState.RECORDING
            if not self._claimed:
                self.state = LiveState.RECORDING if recording else LiveState.WAITING
                self.tell()
            with contextlib.suppress(OSError):
                os.utime(self.kept_path)  # a sign of life: nobody takes it for left behind

    def _end(self, reason: str, *, keep: bool = True) -> None:
        """Whoever comes first ends it: the person, or the data."""
        with self._ending:
            if self._claimed:
                return
            self._claimed = True
        asked_s = time.monotonic()
        self._stop_asked.set()
        try:
            self._conclude(reason, asked_s, keep=keep)
        except RinglandError as error:
            self._failed(error.as_dict())
        except Exception as error:  # pages must hear of it, and the next recording must be possible
            self._failed(fault(error))
        finally:
            self._ended_utc = datetime.now(UTC).isoformat(timespec="seconds")
            self._over.set()
            self.tell()

    def _failed(self, told: Plain) -> None:
        self._found["error"] = told
        self.state = LiveState.FAILED

    def _conclude(self, reason: str, asked_s: float, *, keep: bool) -> None:
        guided, asked = self._guided, self.asked
        assert guided is not None and self._keep is not None
        self.state = LiveState.JUDGING
        hint, vehicle = guided.speed_hint_rpm(), guided.vehicle_told()
        view = guided.stop(reason)
        ended = view.ended.reason if view.ended else reason
        self._found["ended"] = ended
        self._found["fault"] = bool(view.ended and view.ended.fault)
        if not keep:
            self.state = LiveState.DONE
            return
        self.tell()
        done = conclude(self.kept_path, asked.engine, wanted=asked.wanted, speed_rpm=hint)
        about = about_as_json(done.kept, asked.engine, done.judged, ended)
        if vehicle is not None:
            about["vehicle_speed"] = vehicle
        self._found["verdict"] = verdict_told(done.judged, about)
        self._found["verdict_after_s"] = round(time.monotonic() - asked_s, 4)
        self.state = LiveState.KEEPING
        self.tell()
        self._found |= vars(self._keep(self.kept_path, done, about))
        self.state = LiveState.DONE

    def told(self) -> Plain:
        """How it stands, as plain data."""
        asked, guided = self.asked, self._guided
        view = None if guided is None else guided.view()
        seen = None if guided is None else guided.seen
        return {
            "id": self.id,
            "visit": self.place.visit_id,
            "vehicle": self.place.vehicle,
            "window": self.place.window,
            "address": asked.address,
            "condition": asked.condition.value,
            "state": self.state.value,
            "started_utc": self._started_utc,
            "ended_utc": self._ended_utc,
            "rate_hz": None if guided is None else guided.set_up.rate_hz,
            "notes": [] if guided is None else [*guided.set_up.notes, *guided.corrections],
            "seconds": 0.0 if view is None else view.seconds,
            "event_s": None if view is None else view.event_s,
            "lost_samples": 0 if view is None else view.lost_samples,
            "shortest_s": asked.shortest_s,
            "longest_s": asked.longest_s,
            "wanted": asked.wanted,
            "meters": [] if guided is None or view is None else meters_told(view, guided.set_up),
            "look": None if seen is None else look_told(seen),
            "trouble": self._trouble,
            "vehicle_speed": None if guided is None else guided.vehicle_told(),
            "ended": None,
            "fault": False,
            "verdict": None,
            "verdict_after_s": None,
            "recording_id": None,
            "job_id": None,
            "error": None,
            **self._found,
        }


def recording_folder(folder: Path) -> Path:
    """Where blocks are kept while recording, in the app's own folder."""
    return folder / "web-recording"


@dataclass(frozen=True)
class Hold:
    """An instrument that is kept for something else; `release` may be called twice."""

    release: Callable[[], None]


class Recorder:
    """All live recordings of one running app. `folder`: the app's own. `calibrations_of`: what is
    known of an instrument."""

    def __init__(
        self, folder: Path, tell: Callable[[str, Plain], None], calibrations_of: CalibrationsOf
    ) -> None:
        self.folder = recording_folder(folder)
        self._tell = tell
        self._calibrations_of = calibrations_of
        self._lock = threading.Lock()
        self._known: dict[str, LiveRecording] = {}
        self._held: set[tuple[str, str]] = set()

    def start(self, asked: Asked, place: Place, keep: Keep) -> LiveRecording:
        """Begin a recording. Raises Conflict when the instrument or the visit has one running,
        and what setting up raises."""
        self.folder.mkdir(parents=True, exist_ok=True)
        with self._lock:
            self._refuse_second(asked.address, place.visit_id)
            one = LiveRecording(asked, place, self.folder, self._tell, self._calibrations_of)
            self._known[one.id] = one
            for old in [i for i, r in self._known.items() if r.over][:-_REMEMBERED]:
                del self._known[old]
        try:
            one.begin(keep)
        except BaseException:
            with self._lock:
                del self._known[one.id]
            raise
        return one

    def hold(self, address: str) -> "Hold":
        """Keep an instrument for something else; nothing is recorded with it until it is
        released. Raises Conflict when it is recording, SettingError when it is held."""
        with self._lock:
            self._refuse_second(address, None)
            which = _which(address)
            self._held.add(which)
        return Hold(lambda: self._let_go(which))

    def _let_go(self, which: tuple[str, str]) -> None:
        with self._lock:
            self._held.discard(which)

    def free(self, address: str) -> None:
        """Raises Conflict when this instrument is recording."""
        with self._lock:
            self._refuse_second(address, None)

    def _refuse_second(self, address: str, visit_id: str | None) -> None:
        wanted = _which(address)
        if wanted in self._held:
            raise SettingError(
                "A self-check of this instrument is running.",
                got=address,
                remedy="Wait until it is done, or stop it on the page of the instruments.",
            )
        for one in self._known.values():
            if one.over or (_which(one.asked.address) != wanted and one.place.visit_id != visit_id):
                continue
            raise Conflict(
                f"Something is being recorded already, for {one.place.vehicle}.",
                current=one.told(),
                remedy="Watch it, or stop it, on the page of that visit.",
            )

    def get(self, live_id: str) -> LiveRecording | None:
        """One recording, or None."""
        with self._lock:
            return self._known.get(live_id)

    def all(self, visit_id: str | None = None) -> tuple[LiveRecording, ...]:
        """Those still remembered, newest first; of one visit where it is named."""
        with self._lock:
            found = [
                r for r in self._known.values() if visit_id is None or r.place.visit_id == visit_id
            ]
        return tuple(reversed(found))

    def close(self) -> None:
        """End all that run; what they recorded is left on the disk and offered again."""
        for one in self.all():
            if not one.over:
                one.stop("Ringland was closed", keep=False)


def _which(address: str) -> tuple[str, str]:
    """Kind and place of an instrument, without its options."""
    kind, body, _ = split_address(address)
    return kind, body


def _recorder_of(request: Request) -> Recorder:
    found: Recorder = request.app.state.recorder
    return found


RecorderOf = Annotated[Recorder, Depends(_recorder_of)]

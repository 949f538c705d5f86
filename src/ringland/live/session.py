"""One recording from an instrument to the disk, in a thread of its own, with what it sees."""

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from ringland.errors import RinglandError
from ringland.instruments.keep import Keeper
from ringland.instruments.protocol import Block, Ended, Instrument, SetUp
from ringland.live.event import EventWatch
from ringland.live.monitor import Meter, Meters, SlowCopy
from ringland.model import Condition, Recording

__all__ = ["Event", "LiveSession", "LiveView", "SessionState"]

_FETCH_S = 0.1
_STALL_S = 5.0


class SessionState(StrEnum):
    """Where the session is."""

    WAITING = "waiting"
    RECORDING = "recording"
    ENDED = "ended"


@dataclass(frozen=True)
class LiveView:
    """A moment of the session. `safe_samples` are on disk; `lost_samples` never came; `event_s`
    seconds since the event, None where none is waited for or it has not come."""

    state: SessionState
    seconds: float
    safe_samples: int
    lost_samples: int
    meters: tuple[Meter, ...]
    ended: Ended | None
    event_s: float | None = None


@dataclass(frozen=True)
class Event:
    """Record only around an event (see `EventWatch`): `before_s` are kept from before it,
    `after_s` follow."""

    before_s: float = 3.0
    after_s: float = 7.0


class LiveSession:
    """Start, look at, stop. Every block is on disk before it is shown."""

    def __init__(
        self,
        instrument: Instrument,
        set_up: SetUp,
        keeper: Keeper,
        *,
        event: Event | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._instrument = instrument
        self._set_up = set_up
        self._keeper = keeper
        self._event = event
        self._clock = clock
        self._lock = threading.Lock()
        self._meters = Meters(set_up)
        self._slow = SlowCopy(set_up)
        self._waiting: deque[Block] = deque()
        self._watch = EventWatch(set_up)
        self._triggered_at: int | None = None
        self._state = SessionState.WAITING if event else SessionState.RECORDING
        self._first: int | None = None
        self._next: int | None = None
        self._lost = 0
        self._ended: Ended | None = None
        self._asked: str | None = None
        self._thread = threading.Thread(target=self._run, name="ringland-record", daemon=True)

    def start(self) -> None:
        """Arm the instrument and begin. Raises InstrumentFault."""
        self._instrument.arm()
        self._thread.start()

    def stop(self, reason: str) -> LiveView:
        """End it, everything to disk; returns how it ended. May be called twice."""
        self._asked = self._asked or reason
        if self._thread.is_alive():
            self._thread.join(timeout=_STALL_S)
        self._instrument.stop()
        self._keeper.close()
        return self.view()

    def go(self) -> None:
        """Do not wait for the event any longer: record from what is there."""
        with self._lock:
            if self._state is SessionState.WAITING:
                self._begin()

    def view(self) -> LiveView:
        """What is to be shown now."""
        with self._lock:
            count, event_s = self._keeper.safe_samples, None
            if self._event is not None and self._triggered_at is not None and self._next:
                event_s = (self._next - self._triggered_at) / self._set_up.rate_hz
            return LiveView(
                self._state,
                count / self._set_up.rate_hz,
                count,
                self._lost,
                self._meters.show(),
                self._ended,
                event_s,
            )

    def recent(self, condition: Condition, speed_hint_rpm: float | None = None) -> Recording:
        """The last minute, slowed down, to be looked at."""
        with self._lock:
            return self._slow.recording(condition, speed_hint_rpm)

    def _run(self) -> None:
        heard = self._clock()
        while True:
            try:
                got = self._instrument.fetch(_FETCH_S)
            except RinglandError as error:
                got = Ended(error.wrong, fault=True)
            except Exception as error:  # a driver may raise anything; what is recorded stays
                got = Ended(f"the instrument failed: {type(error).__name__}: {error}", fault=True)
            if isinstance(got, Block):
                heard = self._clock()
                got = self._take(got)
            elif got is None and self._clock() - heard > _STALL_S:
                got = Ended(f"nothing has come for {_STALL_S:.0f} s", fault=True)
            if isinstance(got, Ended):
                break
            if self._asked is not None:
                got = Ended(self._asked)
                break
        self._keeper.note(got.reason)
        with self._lock:
            self._ended = got
            self._state = SessionState.ENDED

    def _take(self, block: Block) -> Ended | None:
        """To disk first, then into what is shown."""
        with self._lock:
            self._meters.add(block)
            if self._next is not None and block.first < self._next:
                return Ended("the instrument started anew", fault=True)
            if self._next is not None:
                self._lost += block.first - self._next
            self._next = block.stop
            if self._state is SessionState.WAITING:
                self._hold(block)
                if not self._watch.seen(block):
                    return None
                self._begin()
                return self._full()
            return self._keep(block)

    def _keep(self, block: Block) -> Ended | None:
        if not self._keeper.append(block):
            return self._full()
        self._slow.add(block)
        if self._event is not None and self._triggered_at is not None:
            after = (block.stop - self._triggered_at) / self._set_up.rate_hz
            if after >= self._event.after_s:
                return Ended("the event is recorded")
        return None

    def _full(self) -> Ended | None:
        if self._keeper.failed is None:
            return None
        return Ended(f"the disk does not take any more: {self._keeper.failed}", fault=True)

    def _hold(self, block: Block) -> None:
        """Keep the last seconds before the event in memory."""
        assert self._event is not None
        self._waiting.append(block)
        longest = self._event.before_s * self._set_up.rate_hz
        while self._waiting and block.stop - self._waiting[0].stop > longest:
            self._waiting.popleft()

    def _begin(self) -> None:
        self._state = SessionState.RECORDING
        self._triggered_at = self._next
        while self._waiting:
            if self._keep(self._waiting.popleft()) is not None:
                break

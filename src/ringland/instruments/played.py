"""An instrument that plays samples somebody made, at their own pace: the simulator behind it
behaves like a vehicle, and faults can be put in on the way."""

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ringland.instruments._common import chosen_inputs, live_channel
from ringland.instruments.protocol import (
    Block,
    Ended,
    InstrumentInfo,
    Samples,
    SetUp,
    Wanted,
)
from ringland.model import Recording

__all__ = ["PlayFaults", "Played"]


@dataclass(frozen=True)
class PlayFaults:
    """What goes wrong while playing. `pulled_s`: the cable is pulled. `restart_s`: the instrument
    reboots, its count begins anew. `lost_s`: spans (start, length) that never arrive."""

    pulled_s: float | None = None
    restart_s: float | None = None
    lost_s: tuple[tuple[float, float], ...] = ()


class Played:
    """Plays what `make(wanted)` returns; its channels must share rate and length.

    `pace`: times real time, 0 for as fast as it is fetched. Inputs of `info` are found by name in
    the recording made. Repeats from the start when `endless`.
    """

    def __init__(
        self,
        info: InstrumentInfo,
        make: Callable[[Wanted], Recording],
        *,
        pace: float = 1.0,
        block_s: float = 0.05,
        faults: PlayFaults | None = None,
        endless: bool = False,
    ) -> None:
        self._info = info
        self._make = make
        self._pace = pace
        self._block_s = block_s
        self._faults = faults or PlayFaults()
        self._endless = endless
        self._table: Samples = np.zeros((0, 0), dtype=np.float32)
        self._rate_hz = 1.0
        self._next = 0
        self._start_s = 0.0
        self._restarted_at = 0

    def describe(self) -> InstrumentInfo:
        """The info it was made with."""
        return self._info

    def configure(self, wanted: Wanted) -> SetUp:
        """Make the samples; one channel per wanted input."""
        chosen = chosen_inputs(self._info.inputs, wanted)
        recording = self._make(wanted)
        by_name = {c.name: c for c in recording.channels}
        channels, columns = [], []
        for index, want in zip(chosen, wanted.inputs, strict=True):
            info = self._info.inputs[index]
            made = by_name[info.name]
            columns.append((want.gain * made.samples + want.offset).astype(np.float32))
            channels.append(live_channel(info, want, made.full_scale, made.resolution))
        self._table = np.stack(columns, axis=1)
        self._rate_hz = recording.channels[0].rate_hz
        return SetUp(
            self._info.id,
            self._rate_hz,
            tuple(channels),
            recording.notes,
            self._info.title,
            self._info.which,
        )

    def arm(self) -> None:
        """Start the clock."""
        self._next, self._restarted_at = 0, 0
        self._start_s = time.monotonic()

    def fetch(self, timeout_s: float) -> Block | Ended | None:
        """The next piece, when its time has come."""
        count = max(1, round(self._block_s * self._rate_hz))
        if not self._endless and self._next >= len(self._table):
            return Ended("the engine was switched off")
        now_s = self._next / self._rate_hz
        faults = self._faults
        if faults.pulled_s is not None and now_s >= faults.pulled_s:
            return Ended("the cable was pulled", fault=True)
        if faults.restart_s is not None and not self._restarted_at and now_s >= faults.restart_s:
            self._restarted_at = self._next
        stop = self._next + count
        if not self._endless:
            stop = min(stop, len(self._table))
        if not self._wait_for(stop / self._rate_hz, timeout_s):
            return None
        first, self._next = self._next, stop
        if any(a <= now_s < a + length for a, length in faults.lost_s):
            return None
        rows = np.take(self._table, range(first, stop), axis=0, mode="wrap")
        rows.flags.writeable = False
        return Block(first - self._restarted_at, rows, time.monotonic())

    def stop(self) -> None:
        """Nothing to free."""

    def _wait_for(self, moment_s: float, timeout_s: float) -> bool:
        if self._pace <= 0.0:
            return True
        due = self._start_s + moment_s / self._pace
        wait = due - time.monotonic()
        if wait > 0.0:
            time.sleep(min(wait, timeout_s))
        return time.monotonic() >= due

"""What is shown while recording: levels from every block, and a look at the last stretch."""

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringland.instruments.protocol import Block, Samples, SetUp
from ringland.live.enough import Enough
from ringland.live.hookup import HookUpFinding, HookUpKind
from ringland.live.verdict import Judgement, judge
from ringland.model import (
    Channel,
    ChannelRole,
    Condition,
    CycleSet,
    EngineSpec,
    Estimate,
    Recording,
    SourceInfo,
    Verdict,
    unknown,
)

__all__ = ["EDGE_ROLES", "ChannelLook", "Look", "Meter", "Meters", "SlowCopy", "look"]

FloatArray = NDArray[np.float64]

SLOW_HZ = 5000.0
WINDOW_S = 60.0
HELD_RPM = 1500.0
_HELD_WITHIN = 0.03
_TAIL_S = 1.5
_METER_S = 0.5
EDGE_ROLES = (ChannelRole.IGNITION, ChannelRole.CAM, ChannelRole.CRANK_TOOTH)


@dataclass(frozen=True)
class Meter:
    """One channel's level over the last moment, in its unit. `used` share of the range (None when
    the range is not known); `clipped` samples at the ends of the range since the start."""

    name: str
    low: float
    high: float
    used: float | None
    clipped: int

    @property
    def advice(self) -> str:
        """One or two words on the level."""
        if self.used is None:
            return ""
        if self.used >= 0.999:
            return "CLIPS: larger range"
        if self.used > 0.85:
            return "near the end of the range"
        if self.used < 0.02:
            return "hardly moves"
        return "good" if self.used > 0.1 else "small: smaller range"


@dataclass(frozen=True)
class Look:
    """What the recording so far says. `coaching` for the person at the pedal; `remaining_s` to
    enough, None when it cannot be told yet; `cylinders`: strength of each firing position with its
    interval, as a first estimate, `numbers` which cylinder that is (None when not known);
    `channels`: what each channel looks like."""

    seconds: float
    speed: Estimate
    speed_now_rpm: float | None
    steadiness: float | None
    coaching: str
    findings: tuple[HookUpFinding, ...]
    precision: Enough | None
    remaining_s: float | None
    cylinders: tuple[tuple[float, float | None], ...]
    numbers: tuple[int | None, ...]
    channels: tuple["ChannelLook", ...]


@dataclass(frozen=True)
class ChannelLook:
    """What one channel looks like: its worst check so far, in words."""

    name: str
    verdict: Verdict
    says: str


class Meters:
    """Levels per channel, updated with every block."""

    def __init__(self, set_up: SetUp) -> None:
        self._set_up = set_up
        self._clipped = [0] * len(set_up.channels)
        self._last: deque[tuple[int, Samples, Samples]] = deque()
        self._shown = [Meter(c.name, 0.0, 0.0, None, 0) for c in set_up.channels]

    def add(self, block: Block) -> None:
        """Take a block in."""
        if not len(block.samples):
            return
        self._last.append((block.stop, block.samples.min(axis=0), block.samples.max(axis=0)))
        while self._last[0][0] < block.stop - _METER_S * self._set_up.rate_hz:
            self._last.popleft()
        lows = np.min([low for _, low, _ in self._last], axis=0)
        highs = np.max([high for _, _, high in self._last], axis=0)
        for i, channel in enumerate(self._set_up.channels):
            low, high = float(lows[i]), float(highs[i])
            used = None
            if channel.full_scale is not None:
                bottom, top = channel.full_scale
                middle, half = 0.5 * (top + bottom), max(0.5 * (top - bottom), 1e-30)
                used = max(abs(low - middle), abs(high - middle)) / half
                step = 1.5 * (channel.resolution or 1e-6 * half)
                column = block.samples[:, i]
                if low <= bottom + step or high >= top - step:
                    self._clipped[i] += int(
                        np.count_nonzero((column <= bottom + step) | (column >= top - step))
                    )
                    used = 1.0
            self._shown[i] = Meter(channel.name, low, high, used, self._clipped[i])

    def show(self) -> tuple[Meter, ...]:
        """The levels of the last half second."""
        return tuple(self._shown)


class SlowCopy:
    """The last minute of every channel at about 5 kHz, for looking while recording.

    Groups of samples become their mean; of a trigger the sample farthest from zero, so that a short
    pulse is not lost. Lost samples become NaN.
    """

    def __init__(self, set_up: SetUp) -> None:
        self._set_up = set_up
        self._factor = max(1, int(set_up.rate_hz / SLOW_HZ))
        self.rate_hz = set_up.rate_hz / self._factor
        self._edge = np.array([c.role in EDGE_ROLES for c in set_up.channels])
        self._rest = np.zeros((0, len(set_up.channels)))
        self._pieces: list[FloatArray] = []
        self._kept = 0
        self._next = 0

    def add(self, block: Block) -> None:
        """Take a block in."""
        rows = np.asarray(block.samples, dtype=np.float64)
        if block.first > self._next:
            lost = min(block.first - self._next, int(WINDOW_S * self._set_up.rate_hz))
            rows = np.concatenate([np.full((lost, rows.shape[1]), np.nan), rows])
        self._next = block.stop
        rows = np.concatenate([self._rest, rows])
        groups = len(rows) // self._factor
        self._rest = rows[groups * self._factor :]
        if not groups:
            return
        shaped = rows[: groups * self._factor].reshape(groups, self._factor, -1)
        slow = shaped.mean(axis=1)
        if self._edge.any():
            edges = shaped[:, :, self._edge]
            at = np.argmax(np.where(np.isfinite(edges), np.abs(edges), -1.0), axis=1)
            slow[:, self._edge] = np.take_along_axis(edges, at[:, None, :], axis=1)[:, 0, :]
        self._pieces.append(slow)
        self._kept += len(slow)
        while self._pieces and self._kept - len(self._pieces[0]) > WINDOW_S * self.rate_hz:
            self._kept -= len(self._pieces.pop(0))

    def recording(self, condition: Condition, speed_hint_rpm: float | None) -> Recording:
        """The last minute as a recording."""
        width = len(self._set_up.channels)
        table = np.concatenate(self._pieces) if self._pieces else np.zeros((0, width))
        channels = tuple(
            Channel(c.name, c.role, table[:, i], self.rate_hz, c.unit, 0.0, c.full_scale)
            for i, c in enumerate(self._set_up.channels)
        )
        return Recording(channels, (), SourceInfo("live", "live"), condition, speed_hint_rpm)


def look(
    recording: Recording,
    engine: EngineSpec,
    *,
    wanted: float,
    shortest_s: float,
    held_rpm: float = HELD_RPM,
) -> Look:
    """Look at what has been recorded so far; `shortest_s` is recorded in any case."""
    judged = judge(recording, engine, wanted=wanted)
    cycles = judged.cycles
    speed, now, steadiness = unknown("rpm", str(cycles)), None, None
    if isinstance(cycles, CycleSet):
        speed = cycles.mean_speed_rpm
        tail = cycles.speed_rpm[cycles.time_s > cycles.time_s[-1] - _TAIL_S]
        now = float(np.median(tail))
        low, middle, high = np.quantile(cycles.speed_rpm, [0.05, 0.5, 0.95])
        steadiness = float((high - low) / middle) if middle > 0.0 else None
    return Look(
        seconds=recording.duration_s,
        speed=speed,
        speed_now_rpm=now,
        steadiness=steadiness,
        coaching=_coach(recording.condition, now, steadiness, held_rpm),
        # how long is still to be recorded is told by the countdown
        findings=tuple(f for f in judged.findings if f.kind is not HookUpKind.TOO_SHORT),
        precision=judged.precision,
        remaining_s=_remaining_s(recording.duration_s, judged.precision, shortest_s),
        cylinders=_first_estimate(judged),
        numbers=()
        if judged.cylinders is None
        else tuple(a.cylinder for a in judged.cylinders.assignments),
        channels=tuple(_channel(judged, c) for c in recording.channels),
    )


def _channel(judged: Judgement, channel: Channel) -> ChannelLook:
    """A fault of the hook-up named on it comes first, then its worst check."""
    verdict = judged.quality.verdict(channel.name)
    named = next((f for f in judged.findings if f.channel == channel.name), None)
    if named is not None:
        return ChannelLook(channel.name, verdict, named.message)
    worst = next((f for f in judged.quality.of_channel(channel.name) if f.verdict is verdict), None)
    if worst is not None and verdict in (Verdict.SUSPECT, Verdict.UNUSABLE):
        return ChannelLook(channel.name, verdict, worst.message)
    return ChannelLook(channel.name, verdict, f"looks like {channel.role.value.replace('_', ' ')}")


def _remaining_s(seconds: float, precision: Enough | None, shortest_s: float) -> float | None:
    """Time to enough at the cycle rate so far."""
    if precision is None or precision.cycles_needed is None or not precision.cycles:
        return None
    if precision.enough:
        return max(0.0, shortest_s - seconds)
    wanted_s = seconds * precision.cycles_needed / precision.cycles
    return max(wanted_s, shortest_s) - seconds


def _first_estimate(judged: Judgement) -> tuple[tuple[float, float | None], ...]:
    share = None if judged.cylinders is None else judged.cylinders.share(ChannelRole.EXHAUST)
    if share is None or judged.precision is None:
        return ()
    good = np.isfinite(share.strength)
    total = np.where(good, share.strength, 0.0).sum(axis=0)
    means = total / np.maximum(good.sum(axis=0), 1)
    return tuple(zip(means.tolist(), judged.precision.half_widths, strict=True))


def _coach(
    condition: Condition, now_rpm: float | None, steadiness: float | None, held_rpm: float
) -> str:
    """What the person at the pedal should do, in a few words."""
    if now_rpm is None or condition not in (Condition.IDLE, Condition.HELD):
        return ""
    if condition is Condition.IDLE:
        wanders = steadiness is not None and steadiness > 0.12
        return f"{'The idle wanders: loads off, f' if wanders else 'F'}eet off the pedals."
    off = now_rpm / held_rpm - 1.0
    todo = (
        f"ease off a little, to {held_rpm:.0f}"
        if off > 0.0
        else f"a little more, to {held_rpm:.0f}"
    )
    if abs(off) <= _HELD_WITHIN:
        todo = "good, hold it there"
    return f"{now_rpm:.0f} rpm: {todo}."

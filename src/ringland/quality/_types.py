"""What the checks look at (measured once per channel) and how a check is declared."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ringland.model import (
    Channel,
    ChannelRole,
    CycleSet,
    EngineSpec,
    Estimate,
    QualityFinding,
    Recording,
    Verdict,
)

__all__ = [
    "ChannelFacts",
    "CheckDefinition",
    "FloatArray",
    "Hum",
    "Jumps",
    "Limit",
    "PhaseTrack",
    "RecordingFacts",
    "Repetition",
    "RoughSpeed",
    "Runs",
    "Scan",
    "Scope",
    "Subject",
    "TriggerFacts",
    "count_estimate",
    "counted",
    "exact",
    "not_checked",
    "with_unit",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


class Scope(StrEnum):
    """What a check looks at: one sampled channel, one trigger (sampled or edges), or the whole."""

    CHANNEL = "channel"
    TRIGGER = "trigger"
    RECORDING = "recording"


@dataclass(frozen=True, eq=False)
class Runs:
    """Stretches of samples: `start` and `length` in samples, each shape (r,)."""

    start: IntArray
    length: IntArray

    @property
    def total(self) -> int:
        """Samples in all stretches together."""
        return int(self.length.sum())


@dataclass(frozen=True, eq=False)
class Scan:
    """One pass over the samples at full rate.

    "Bad" samples are not a number, infinite or beyond 1e30; everything else is of the good ones.
    `low_end`, `high_end`: the ends of the recorder's range (infinite when not known), and
    `low_clipped`, `high_clipped` the samples at or beyond them.
    `at_low`, `at_high`: samples equal to the least and the greatest value, and the longest run of
    such samples. `step_*`: absolute difference of neighbours that differ. `bad`, `held`: runs of
    bad samples, and of equal ones that stop with a jump. `slow` (m,): means of blocks of `block`
    samples, missing blocks bridged by straight lines; `slow_bad` the blocks without a sample.
    """

    count: int
    good: int
    low: float
    high: float
    mean: float
    spread: float
    low_end: float
    high_end: float
    low_clipped: int
    high_clipped: int
    at_low: int
    at_high: int
    longest_low: int
    longest_high: int
    step_least: float
    step_mean: float
    run_mean: float
    run_spread: float
    bad: Runs
    held: Runs
    block: int
    slow: FloatArray

    @cached_property
    def centred(self) -> tuple[FloatArray, float]:
        """The slow copy less its mean over the swing, and the sum of its squares."""
        unit: FloatArray = (self.slow - self.slow.mean()) / self.swing
        # Sums, not a BLAS dot product: its threads cost more than they save at this size.
        return unit, float(np.sum(unit * unit))

    @property
    def swing(self) -> float:
        """Greatest minus least value."""
        return self.high - self.low

    @cached_property
    def flat(self) -> bool:
        """True when there is nothing but one value (to rounding)."""
        size = max(abs(self.low), abs(self.high))
        return self.good == 0 or not self.swing > max(1e-30, 4e-15 * size)


@dataclass(frozen=True)
class Repetition:
    """The shortest time after which the signal looks the same again.

    `correlation` is the greatest autocorrelation at a repeat, which is the share of the power that
    repeats; `by_chance` is what noise alone would reach.
    """

    rate_hz: float
    correlation: float
    by_chance: float

    @property
    def found(self) -> bool:
        """True when the signal repeats more than noise would."""
        return self.correlation > self.by_chance


@dataclass(frozen=True, eq=False)
class PhaseTrack:
    """Phase of the strongest line of the repetition through the recording.

    `time_s` (k,) from the first sample; `line_turns` (k,) unwrapped phase of the line, in turns;
    `size` (k,) its amplitude; `line_hz` its mean frequency.
    """

    time_s: FloatArray
    line_turns: FloatArray
    size: FloatArray
    line_hz: float


@dataclass(frozen=True, eq=False)
class Jumps:
    """Jumps of a phase track: `time_s` and `size_turns` (j,) of each, the `largest` difference
    anywhere, and the `limit` from which one counted."""

    time_s: FloatArray
    size_turns: FloatArray
    largest: float
    limit: float


@dataclass(frozen=True)
class Hum:
    """Lines at the mains and its multiples.

    `share`: their RMS over that of the rest; `amplitude` of the first. Of the strongest, beyond the
    limit only: `line_hz`, whether it `wanders`, the repetition of the `rest` of the signal, and
    whether that one's own lines wander.
    """

    mains_hz: float
    share: float
    amplitude: float
    line_hz: float = 0.0
    wanders: bool = False
    rest: Repetition | None = None
    rest_wanders: bool = False


@dataclass(frozen=True, eq=False)
class ChannelFacts:
    """A sampled channel, its scan, and the spectrum of the slow copy.

    `rate_ok` False when the sampling rate is no usable number: then nothing in hertz or seconds
    is known. `frequency_hz`, `line_amplitude` (b,): amplitude spectrum with a Hann window, scaled
    so that a steady line reads its amplitude.
    """

    channel: Channel
    rate_ok: bool
    scan: Scan
    repeated: Runs
    slow_rate_hz: float
    frequency_hz: FloatArray
    line_amplitude: FloatArray
    repetition: Repetition | None
    track: PhaseTrack | None
    jumps: Jumps | None
    hum: Hum | None

    @property
    def duration_s(self) -> float:
        """Length of the recording; 0 when the rate is no usable number."""
        return self.scan.count / self.channel.rate_hz if self.rate_ok else 0.0

    @property
    def start_s(self) -> float:
        """Time of the first sample; 0 when the one given is not a number."""
        return self.channel.start_s if math.isfinite(self.channel.start_s) else 0.0

    @property
    def periodic(self) -> Repetition | None:
        """The repetition, when there is one beyond chance."""
        found = self.repetition
        return found if found is not None and found.found else None

    @property
    def nothing(self) -> str | None:
        """Why there is nothing to analyse on this channel, or None."""
        if not self.rate_ok:
            return "the sampling rate is not a usable number"
        if self.scan.good < 16:
            return "there are fewer than 16 samples"
        if self.scan.flat:
            return "the line is flat"
        return None

    def spans_s(self, runs: Runs) -> tuple[tuple[float, float], ...]:
        """Runs of samples as times; those closer than 2 ms are joined."""
        if not self.rate_ok:
            return ()
        rate, start = self.channel.rate_hz, self.start_s
        joined: list[tuple[float, float]] = []
        for first, length in zip(runs.start.tolist(), runs.length.tolist(), strict=True):
            low, high = start + first / rate, start + (first + length) / rate
            if joined and low - joined[-1][1] < 0.002:
                joined[-1] = (joined[-1][0], high)
            else:
                joined.append((low, high))
        return tuple(joined)


@dataclass(frozen=True, eq=False)
class TriggerFacts:
    """Pulses of a trigger: `time_s` (k,) of their leading edges; known from start to stop."""

    name: str
    role: ChannelRole
    time_s: FloatArray
    start_s: float
    stop_s: float


@dataclass(frozen=True)
class RoughSpeed:
    """Crank speed good to a few per cent, and where it came from."""

    rpm: float
    source: str


@dataclass(frozen=True, eq=False)
class RecordingFacts:
    """Everything the checks look at.

    `settled`: findings of the checks that the speed does not matter to, in the order of all of
    them (None for the others), once they have been made.
    """

    recording: Recording
    engine: EngineSpec | None
    cycles: CycleSet | None
    channels: tuple[ChannelFacts, ...]
    triggers: tuple[TriggerFacts, ...]
    speed: RoughSpeed | None
    settled: tuple[QualityFinding | None, ...] = ()

    @property
    def cycle_rate_hz(self) -> float | None:
        """Working cycles per second, when speed and engine are known."""
        if self.speed is None or self.engine is None:
            return None
        return self.speed.rpm / 60.0 / self.engine.revolutions_per_cycle


@dataclass(frozen=True, eq=False)
class Subject:
    """What one run of a check looks at. `facts` or `trigger` is set when the scope says so."""

    check: str
    name: str
    role: ChannelRole
    recording: RecordingFacts
    facts: ChannelFacts | None = None
    trigger: TriggerFacts | None = None

    def finding(
        self,
        verdict: Verdict,
        message: str,
        *,
        action: str = "",
        measured: Estimate | None = None,
        limit: float | None = None,
        spans_s: tuple[tuple[float, float], ...] = (),
    ) -> QualityFinding:
        """A finding of this check on this channel."""
        return QualityFinding(
            self.check, self.name, verdict, message, action, measured, limit, spans_s
        )


@dataclass(frozen=True)
class Limit:
    """A limit a verdict rests on. `citation`: key of docs/references.bib, or "heuristic"."""

    value: float
    unit: str
    meaning: str
    citation: str = "heuristic"


@dataclass(frozen=True)
class CheckDefinition:
    """Declaration of a check.

    `roles`: channel roles it applies to (empty: all). `needs`: what must be known, in words.
    `asks_speed`: it looks at the speed or the cycles, so it is run again when they are known.
    `drops_cycles`: its spans hold samples that are not what the sensor gave; spans shorter than
    `shortest_drop_s` do too little harm to lose a cycle for.
    """

    id: str
    title: str
    page: str
    scope: Scope
    roles: frozenset[ChannelRole]
    needs: tuple[str, ...]
    limits: tuple[Limit, ...]
    run: Callable[[Subject], QualityFinding]
    asks_speed: bool = False
    drops_cycles: bool = False
    shortest_drop_s: float = 0.0


def exact(value: float, unit: str) -> Estimate:
    """A value without scatter of its own: the interval is the value."""
    return Estimate(float(value), float(value), float(value), unit)


def count_estimate(count: int) -> Estimate:
    """A number counted, not estimated."""
    return exact(count, "1")


def not_checked(subject: Subject, why: str) -> QualityFinding:
    """NOT_CHECKED, because `why`."""
    return subject.finding(Verdict.NOT_CHECKED, f"Not checked: {why}.")


def counted(count: int, noun: str) -> str:
    """ "1 place", "3 places"."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def with_unit(value: float, unit: str, digits: int = 3) -> str:
    """A value with its unit; bare counts and ratios (unit "1") have none."""
    text = f"{value:.{digits}g}"
    return text if unit == "1" else f"{text} {unit}"

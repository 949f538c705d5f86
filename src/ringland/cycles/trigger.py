"""Crank angle from an ignition or other once-per-cycle trigger."""

from dataclasses import dataclass

import numpy as np
from numba import njit

from ringland.cycles._knots import through_pulses
from ringland.cycles._slots import distinct_times, label_slots
from ringland.cycles.edges import edges_of_channel
from ringland.model import (
    ChannelRole,
    Condition,
    CycleSet,
    CycleUse,
    EdgeTrain,
    EngineSpec,
    Estimate,
    PhaseSource,
    Recording,
    Reference,
    unknown,
)
from ringland.model._arrays import FloatArray, IntArray, read_only, read_only_int
from ringland.signals import median

__all__ = [
    "ADVANCE_GUESS_DEG",
    "ADVANCE_GUESS_SE_DEG",
    "TriggerPulses",
    "cycle_set_from_trigger",
    "recorded_trigger_pulses",
    "trigger_angle_deg",
    "trigger_pulses",
]

ADVANCE_GUESS_DEG = 10.0
"""Spark before firing top dead centre when the description does not say (common practice)."""

ADVANCE_GUESS_SE_DEG = 10.0 / 1.645
"""The guess is taken to be right within 10 degrees with 90 % probability."""

_FEWEST_PULSES = 4
_DEAD_SHARE = 0.3
_STOP_LEAP = 0.7
_UNEVEN_LEAP = 0.2
_MOST_WRONG = 0.6
_LONGEST_GAP = 3
_OVERHANG_DEG = 60.0
_SHORTEST_OVERHANG_S = 1e-6
_CLOCK = 1e-4
_ROUNDING = 0.289  # standard deviation of the time of a sudden edge, in samples: one over root 12
_TYPICAL_RPM = {
    Condition.CRANKING: (80.0, 200.0, 450.0),
    Condition.IDLE: (400.0, 750.0, 1300.0),
}
"""Slowest, typical and fastest speed by condition (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class TriggerPulses:
    """A trigger freed of bounce and strays.

    `time_s` (n,) of the pulses seen; `count` (n,) periods since the pulse before (0 for the
    first, more than 1 where pulses are missing). `stray` edges left out, `missing` pulses.
    """

    time_s: FloatArray
    count: IntArray
    stray: int
    missing: int

    def __post_init__(self) -> None:
        object.__setattr__(self, "time_s", read_only(self.time_s))
        object.__setattr__(self, "count", read_only_int(self.count))


@njit(cache=True)
def _without_bounce(
    time_s: FloatArray, share: float, reach: int
) -> FloatArray:  # pragma: no cover - compiled
    """First edge of each burst: edges closer than a share of the local period are bounce.

    The local period is the interval in which half of the time nearby is spent, so that any
    number of short intervals does not move it.
    """
    n = len(time_s)
    apart = np.diff(time_s)
    if apart.min() >= share * apart.max():
        return time_s  # none can be closer than a share of any period
    kept = np.empty(n)
    kept[0] = time_s[0]
    count = 1
    for i in range(1, n):
        low, high = max(0, i - reach), min(n - 1, i + reach)
        near = np.sort(time_s[low + 1 : high + 1] - time_s[low:high])
        half, total, period = 0.5 * near.sum(), 0.0, 0.0
        for j in range(len(near)):
            total += near[j]
            if total >= half:
                period = near[j]
                break
        if time_s[i] - kept[count - 1] >= share * period:
            kept[count] = time_s[i]
            count += 1
    return kept[:count].copy()


def trigger_pulses(edges: EdgeTrain) -> TriggerPulses | str:
    """Pulses of a trigger: bounce and strays left out, missing ones counted.

    The edge direction that comes more evenly is taken. A string says why there are none.
    """
    best: tuple[float, TriggerPulses] | None = None
    for level in (1, 0):
        time_s = distinct_times(edges, level)
        if len(time_s) < _FEWEST_PULSES:
            continue
        clean = _without_bounce(time_s, _DEAD_SHARE, 24)
        if len(clean) < _FEWEST_PULSES:
            continue
        index, slots, price = label_slots(clean)
        if len(index) < _FEWEST_PULSES:
            continue
        leap = np.abs(np.diff(np.log(np.diff(clean[index]) / slots[1:])))
        if median(leap) > _UNEVEN_LEAP:
            continue
        missing = int(np.sum(np.maximum(slots - 1, 0)))
        if missing + len(clean) - len(index) > _MOST_WRONG * len(index):
            continue
        pulses = TriggerPulses(clean[index], slots, len(time_s) - len(index), missing)
        if best is None or price < best[0] - 1e-3:
            best = (price, pulses)
    if best is None:
        return f"fewer than {_FEWEST_PULSES} pulses at a regular interval on {edges.name}"
    return best[1]


def trigger_angle_deg(engine: EngineSpec) -> tuple[float, float, str]:
    """Crank angle of the trigger, its standard error, and how they are known."""
    cylinder = engine.trigger_cylinder
    known = cylinder is not None
    if cylinder is None:
        cylinder = 1 if 1 in engine.firing_order else engine.firing_order[0]
    text = f"trigger on cylinder {cylinder}" + ("" if known else " (assumed, not described)")
    advance, error = engine.trigger_advance_deg, 0.0
    if advance is None:
        advance, error = ADVANCE_GUESS_DEG, ADVANCE_GUESS_SE_DEG
        text += f", taken as {advance:g} +-10 deg before its firing top dead centre (not described)"
    else:
        text += f", {advance:g} deg before its firing top dead centre"
    return engine.firing_angle_deg(cylinder) - advance, error, text


def cycle_set_from_trigger(
    recording: Recording, engine: EngineSpec, *, cycle_hz_hint: float | None = None
) -> CycleSet | str:
    """Cycles from the ignition trigger of a recording, or the reason why there are none.

    `cycle_hz_hint` is an independent estimate of the working cycles per second (from the pulses
    of another channel), used to tell one pulse per cycle from two (wasted spark) or from one
    per cylinder when the engine description does not.
    """
    train = recording.edge_train(ChannelRole.IGNITION)
    timing_sd_s = 0.0
    if train is None:
        channel = recording.channel(ChannelRole.IGNITION)
        if channel is None:
            return "no ignition trigger in the recording"
        train = edges_of_channel(channel)
        timing_sd_s = _ROUNDING / channel.rate_hz if channel.rate_hz > 0.0 else 0.0
    pulses = trigger_pulses(train)
    if isinstance(pulses, str):
        return pulses
    per_cycle, how = _pulses_per_cycle(pulses, engine, recording, cycle_hz_hint)
    known_s = (train.start_s, train.stop_s)
    return _cycle_set(pulses, engine, per_cycle, how, known_s=known_s, timing_sd_s=timing_sd_s)


def recorded_trigger_pulses(recording: Recording) -> FloatArray | None:
    """Times of the clean trigger pulses of a recording, seconds; None when there are none."""
    train = recording.edge_train(ChannelRole.IGNITION)
    channel = recording.channel(ChannelRole.IGNITION)
    if train is None and channel is not None:
        train = edges_of_channel(channel)
    pulses = trigger_pulses(train) if train is not None else "no trigger"
    return None if isinstance(pulses, str) else pulses.time_s


def _pulses_per_cycle(
    pulses: TriggerPulses, engine: EngineSpec, recording: Recording, hint_hz: float | None
) -> tuple[int, str]:
    """Pulses per working cycle and how that was decided."""
    if engine.trigger_pulses_per_cycle is not None:
        return engine.trigger_pulses_per_cycle, "as the engine description says"
    rate = float(pulses.count.sum() / (pulses.time_s[-1] - pulses.time_s[0]))
    options = sorted({1, engine.revolutions_per_cycle, engine.cylinders})
    if hint_hz is None and recording.speed_hint_rpm is not None:
        hint_hz = recording.speed_hint_rpm / 60.0 / engine.revolutions_per_cycle
        source = "the speed given"
    else:
        source = "the pulses of another channel"
    if hint_hz is not None and hint_hz > 0.0:
        best = min(options, key=lambda p: abs(np.log(rate / p / hint_hz)))
        return best, f"from {source}"
    if engine.strokes == 4 and _alternates(pulses):
        return 2, "every second interval differs, as with wasted spark"
    if recording.condition in _TYPICAL_RPM:
        low, typical, high = _TYPICAL_RPM[recording.condition]
        rpm = {p: rate / p * 60.0 * engine.revolutions_per_cycle for p in options}
        able = [p for p in options if low <= rpm[p] <= high]
        if able:
            best = min(able, key=lambda p: abs(np.log(rpm[p] / typical)))
            return best, f"the count that makes the likeliest speed when {recording.condition}"
    return 1, "assumed: nothing in the recording or the description says otherwise"


def _alternates(pulses: TriggerPulses) -> bool:
    """True when odd and even intervals differ by more than chance."""
    step = np.log(np.diff(pulses.time_s) / pulses.count[1:])
    if len(step) < 12 or np.any(pulses.count[1:] > 1):
        return False
    bend = step[1:-1] - 0.5 * (step[:-2] + step[2:])
    sign = np.where(np.arange(len(bend)) % 2 == 0, 1.0, -1.0)
    value = sign * bend
    middle = float(np.median(value))
    spread = 1.4826 * float(np.median(np.abs(value - middle))) + 1e-6
    return abs(middle) > 0.002 and abs(middle) > 5.0 * 1.25 * spread / np.sqrt(len(value) / 2.0)


def _cycle_set(
    pulses: TriggerPulses,
    engine: EngineSpec,
    per_cycle: int,
    how: str,
    *,
    known_s: tuple[float, float],
    timing_sd_s: float,
) -> CycleSet | str:
    cycle = engine.cycle_deg
    zero_deg, zero_se, zero_text = trigger_angle_deg(engine)
    step_deg = cycle / per_cycle
    count = np.cumsum(pulses.count)
    angle = zero_deg % step_deg + step_deg * count.astype(np.float64)
    if per_cycle == 1:
        angle = angle - angle[0] + zero_deg % cycle
    duration = np.diff(pulses.time_s) / pulses.count[1:]
    time_fine, turns = through_pulses(pulses.time_s, pulses.count, timing_sd_s)
    time_fine, angle_fine = _overhang(time_fine, angle[0] + step_deg * turns, known_s)
    bounds = np.arange(np.ceil(angle_fine[0] / cycle - 1e-9), np.floor(angle_fine[-1] / cycle) + 1)
    if len(bounds) < 2:
        return "the trigger does not span one whole cycle"
    times = np.interp(bounds * cycle, angle_fine, time_fine)
    reasons = _drop_reasons(bounds[:-1] * cycle, angle, pulses.count, duration, cycle)
    uses = tuple(
        CycleUse(float(a), float(b), reason)
        for a, b, reason in zip(times[:-1], times[1:], reasons, strict=True)
    )
    speed = np.gradient(angle_fine, time_fine) / 6.0
    jitter_s = _jitter_s(pulses, duration)
    mean_rpm = median(speed)
    reference, reason = _reference(engine, per_cycle, zero_text)
    return CycleSet(
        cycle_deg=cycle,
        phase_source=PhaseSource.TRIGGER,
        reference=reference,
        reference_reason=reason,
        time_s=time_fine,
        angle_deg=angle_fine,
        speed_rpm=speed,
        speed_se_rpm=speed * np.sqrt(2.0) * jitter_s / median(duration),
        angle_se_deg=float(np.hypot(6.0 * mean_rpm * jitter_s, zero_se)),
        mean_speed_rpm=_mean_speed(uses, cycle, jitter_s),
        cycles=uses,
        notes=_notes(pulses, per_cycle, how, engine),
    )


def _reference(engine: EngineSpec, per_cycle: int, zero_text: str) -> tuple[Reference, str]:
    if engine.trigger_cylinder is None:
        return Reference.ARBITRARY, zero_text
    if per_cycle == 1:
        return Reference.CYLINDER, zero_text
    if per_cycle == engine.revolutions_per_cycle:
        return Reference.REVOLUTION, (
            zero_text + "; it fires every revolution, so which of the two is the firing one is open"
        )
    return Reference.ARBITRARY, f"{per_cycle} pulses per cycle do not tell the cylinders apart"


def _notes(pulses: TriggerPulses, per_cycle: int, how: str, engine: EngineSpec) -> tuple[str, ...]:
    notes = [f"trigger: {per_cycle} pulse(s) per cycle ({how})"]
    if engine.trigger_cylinder is None:
        notes.append("the trigger is assumed to be on cylinder 1: describe trigger_cylinder")
    if pulses.missing:
        notes.append(f"{pulses.missing} missing trigger pulse(s) timed from their neighbours")
    if pulses.stray:
        notes.append(f"{pulses.stray} bouncing or stray trigger edge(s) left out")
    return tuple(notes)


def _overhang(
    time_s: FloatArray, angle: FloatArray, known_s: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """The curve carried on straight for a few degrees at both ends, inside the recording."""
    first = (angle[1] - angle[0]) / (time_s[1] - time_s[0])
    last = (angle[-1] - angle[-2]) / (time_s[-1] - time_s[-2])
    before = min(_OVERHANG_DEG / first, max(0.0, time_s[0] - known_s[0]))
    after = min(_OVERHANG_DEG / last, max(0.0, known_s[1] - time_s[-1]))
    if before > _SHORTEST_OVERHANG_S:
        time_s = np.concatenate(([time_s[0] - before], time_s))
        angle = np.concatenate(([angle[0] - before * first], angle))
    if after > _SHORTEST_OVERHANG_S:
        time_s = np.append(time_s, time_s[-1] + after)
        angle = np.append(angle, angle[-1] + after * last)
    return time_s, angle


def _drop_reasons(
    starts: FloatArray, angle: FloatArray, count: IntArray, duration: FloatArray, cycle: float
) -> list[str | None]:
    """Why each cycle is dropped (None: kept); `starts` are the angles at which they begin."""
    leap = np.abs(np.diff(np.log(duration), prepend=np.log(duration[0])))
    bad: list[tuple[float, float, str]] = []
    for i in range(len(duration)):
        if count[i + 1] > _LONGEST_GAP:
            bad.append(
                (angle[i], angle[i + 1], f"trigger missing {count[i + 1] - 1} times in a row")
            )
        elif leap[i] > _STOP_LEAP:
            bad.append((angle[i], angle[i + 1], "the speed jumped or the engine stopped"))
    reasons: list[str | None] = []
    for start in starts:
        hit = [text for a, b, text in bad if a < start + cycle - 1.0 and b > start + 1.0]
        reasons.append(hit[0] if hit else None)
    return reasons


def _jitter_s(pulses: TriggerPulses, duration: FloatArray) -> float:
    """Standard deviation of one pulse's time, from third differences (speed change included)."""
    if len(duration) < 4:
        return float(np.std(duration))
    third = np.diff(pulses.time_s, n=3)
    even = (pulses.count[1:-2] == 1) & (pulses.count[2:-1] == 1) & (pulses.count[3:] == 1)
    if not np.any(even):
        return float(np.std(duration))
    return float(1.4826 * median(np.abs(third[even])) / np.sqrt(20.0))


def _mean_speed(uses: tuple[CycleUse, ...], cycle: float, jitter_s: float) -> Estimate:
    kept = [u for u in uses if u.kept]
    if not kept:
        return unknown("rpm", "no whole cycle was fit to use")
    total_s = sum(u.stop_s - u.start_s for u in kept)
    rpm = len(kept) * cycle / 6.0 / total_s
    return Estimate.from_se(rpm, rpm * (1.41421356 * jitter_s / total_s + _CLOCK), "rpm")

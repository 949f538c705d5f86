"""Engine cycles from the spans that a tooth wheel turned, with top dead centre if a spark tells."""

from dataclasses import dataclass

import numpy as np

from ringland.cycles._tooth_types import ToothResult, ToothSpan
from ringland.cycles.trigger import trigger_angle_deg, trigger_pulses
from ringland.model import (
    CycleSet,
    CycleUse,
    EdgeTrain,
    EngineSpec,
    Estimate,
    PhaseSource,
    Reference,
    unknown,
)
from ringland.model._arrays import FloatArray

__all__ = ["cycle_set_of"]

_CLOCK = 1e-4
"""Relative error granted to the recorder's clock (common practice for a quartz, no source)."""

_STEADY_DEG = 20.0
"""Most scatter of the sparks, standard deviation in crank degrees, that still gives a zero."""


_REST_SHARE = 0.6
_GAINING = 0.93
"""From rest: first teeth below 60 % of the first cycle's speed, which is 7 % below the next."""


@dataclass(frozen=True)
class _Zero:
    """What angle zero is: degrees to add to each span, and which spans share one cycle phase."""

    add_deg: tuple[float, ...]
    phase_known: tuple[bool, ...]
    reference: Reference
    reason: str
    error_deg: float


def cycle_set_of(
    found: ToothResult, engine: EngineSpec, *, ignition: EdgeTrain | None = None
) -> CycleSet | str:
    """Cycles of the spans in time order; a string says why there are none."""
    zero = _spark_zero(found, engine, ignition) or _wheel_zero(found, engine)
    cycle = engine.cycle_deg
    longest = max(found.spans, key=lambda s: s.angle_deg[-1] - s.angle_deg[0])
    in_phase = zero.phase_known[found.spans.index(longest)]
    least = -np.inf
    parts: list[tuple[FloatArray, FloatArray, FloatArray, FloatArray]] = []
    uses: list[CycleUse] = []
    for span, add, known in zip(found.spans, zero.add_deg, zero.phase_known, strict=True):
        first = span.angle_deg[0] + add
        turns = 0.0 if first > least and parts else np.ceil((max(least, 0.0) - first) / cycle)
        shift = add + turns * cycle
        angle = span.angle_deg + shift
        bounds = np.arange(np.ceil(angle[0] / cycle - 1e-9), np.floor(angle[-1] / cycle) + 1)
        times = np.interp(bounds * cycle, angle, span.time_s)
        if uses and len(times) and times[0] > uses[-1].stop_s:
            stop = "the crank stopped or its speed jumped"
            uses.append(CycleUse(uses[-1].stop_s, float(times[0]), stop))
        stray = span is not longest and not (known and in_phase) and cycle > 360.0
        slow = _from_rest(span, times)
        for i in range(len(bounds) - 1):
            reason = _drop_reason(span, float(bounds[i] * cycle - shift), cycle)
            if i < slow:
                reason = "the crank was still gaining speed from rest"
            if stray:
                reason = "after a stop it is not known which of the two revolutions came first"
            uses.append(CycleUse(float(times[i]), float(times[i + 1]), reason))
        parts.append((span.time_s, angle, span.speed_rpm, span.speed_se_rpm))
        least = float(angle[-1]) + 1e-6
    if not uses:
        return "the crank teeth do not span one whole cycle"
    time_s, angle_deg, speed, speed_se = (np.concatenate(p) for p in zip(*parts, strict=True))
    return CycleSet(
        cycle_deg=cycle,
        phase_source=PhaseSource.TOOTH_WHEEL,
        reference=zero.reference,
        reference_reason=zero.reason,
        time_s=time_s,
        angle_deg=angle_deg,
        speed_rpm=speed,
        speed_se_rpm=speed_se,
        angle_se_deg=float(np.hypot(found.angle_se_deg, zero.error_deg)),
        mean_speed_rpm=_mean_speed(uses, cycle, found.edge_jitter_s),
        cycles=tuple(uses),
        wheel=found.wheel,
        notes=found.notes,
    )


def _wheel_zero(found: ToothResult, engine: EngineSpec) -> _Zero:
    """Angle zero at the gap: consistent, but not related to any cylinder."""
    text = "angle zero is the first tooth after the gap"
    if not found.wheel.missing:
        text = "angle zero is one of the teeth"
    known = tuple(span.cycle_known for span in found.spans)
    if engine.revolutions_per_cycle == 2:
        text += (
            ", of the same one of the two revolutions throughout (cam)"
            if all(known)
            else "; which of the two revolutions is which is not known without a cam signal"
        )
    text += "; where top dead centre lies from it is not described"
    return _Zero((0.0,) * len(known), known, Reference.ARBITRARY, text, 0.0)


def _spark_zero(found: ToothResult, engine: EngineSpec, ignition: EdgeTrain | None) -> _Zero | None:
    """Angle zero from an ignition trigger, None when there is none or it is not locked."""
    pulses = None if ignition is None else trigger_pulses(ignition)
    if pulses is None or isinstance(pulses, str):
        return None
    at = [
        np.interp(pulses.time_s, s.time_s, s.angle_deg, left=np.nan, right=np.nan)
        for s in found.spans
    ]
    at = [a[np.isfinite(a)] for a in at]
    steps = np.concatenate([np.diff(a) for a in at])
    if len(steps) < 3:
        return None
    per_cycle = max(1, round(engine.cycle_deg / float(np.median(steps))))
    if per_cycle not in {1, engine.revolutions_per_cycle}:
        return None
    period = engine.cycle_deg / per_cycle
    due, error, text = trigger_angle_deg(engine)
    add: list[float] = []
    known: list[bool] = []
    for span, angles in zip(found.spans, at, strict=True):
        if len(angles) == 0:
            add.append(0.0)
            known.append(False)
            continue
        mean = np.mean(np.exp(2j * np.pi * angles / period))
        length = float(np.clip(abs(mean), 1e-12, 1.0))
        spread = np.sqrt(-2.0 * np.log(length)) * period / (2 * np.pi)
        if spread > _STEADY_DEG:
            return None
        middle = float(np.angle(mean)) * period / (2 * np.pi)
        add.append(float((due - middle + 0.5 * period) % period - 0.5 * period))
        known.append(per_cycle == 1 or span.cycle_known)
    if per_cycle > 1:
        text += "; it fires every revolution, so which of the two is the firing one is open"
    named = engine.trigger_cylinder is not None
    reference = Reference.CYLINDER if per_cycle == 1 else Reference.REVOLUTION
    return _Zero(tuple(add), tuple(known), reference if named else Reference.ARBITRARY, text, error)


def _from_rest(span: ToothSpan, times: FloatArray) -> int:
    """Number of first cycles (at most 2) in which the starter still brings the crank to speed."""
    lasted = np.diff(times)
    if len(lasted) < 3 or np.min(span.speed_rpm[:4]) > _REST_SHARE * float(
        np.median(span.speed_rpm[: 1 + int(np.searchsorted(span.time_s, times[1]))])
    ):
        return 0
    count = 0
    while count < min(2, len(lasted) - 2) and lasted[count + 1] < _GAINING * lasted[count]:
        count += 1
    return count


def _drop_reason(span: ToothSpan, start_deg: float, cycle: float) -> str | None:
    if any(a < start_deg + cycle and b > start_deg for a, b in span.lost):
        return "teeth lost or stray edges: the count did not come out"
    return None


def _mean_speed(uses: list[CycleUse], cycle: float, jitter_s: float) -> Estimate:
    kept = [u for u in uses if u.kept]
    if not kept:
        return unknown("rpm", "no whole cycle was fit to use")
    total_s = sum(u.stop_s - u.start_s for u in kept)
    rpm = len(kept) * cycle / 6.0 / total_s
    jitter = jitter_s if np.isfinite(jitter_s) else 0.0
    return Estimate.from_se(rpm, rpm * (1.41421356 * jitter / total_s + _CLOCK), "rpm")

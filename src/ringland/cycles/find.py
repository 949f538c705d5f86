"""Crank angle from the best source a recording has: teeth, then trigger, then pulses."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ringland.cycles.pulses import (
    PreparedChannels,
    PulseCycle,
    find_pulse_cycle,
    prepare_channels,
)
from ringland.cycles.rotation import pulse_rotation_deg
from ringland.cycles.teeth import cycle_set_from_teeth
from ringland.cycles.trigger import (
    cycle_set_from_trigger,
    recorded_trigger_pulses,
    trigger_angle_deg,
)
from ringland.model import (
    ChannelRole,
    Condition,
    CycleSet,
    CycleUse,
    EngineSpec,
    Estimate,
    PhaseSource,
    Recording,
    Reference,
    cut_cycles,
    unknown,
)
from ringland.signals import column_medians, median, resample_at
from ringland.units import percent

__all__ = ["find_cycles"]

FloatArray = NDArray[np.float64]
Spans = tuple[tuple[float, float], ...]

_ROTATION_POINTS = 240
_OUTLIER_RATIO = 1.25  # a cycle this much longer or shorter than its neighbours is not one cycle
_CLOCK = 1e-4  # relative accuracy of a recorder's clock, common practice


def find_cycles(
    recording: Recording, engine: EngineSpec, *, bad_spans_s: Spans = ()
) -> CycleSet | str:
    """The engine cycles of a recording, or the reason why there are none.

    Cycles that touch one of `bad_spans_s` are dropped with that reason.
    """
    reasons = []
    teeth = cycle_set_from_teeth(recording, engine)
    if isinstance(teeth, CycleSet):
        return _drop_bad(_with_trigger(teeth, recording, engine), bad_spans_s)
    if recording.channel(ChannelRole.CRANK_TOOTH) or recording.edge_train(ChannelRole.CRANK_TOOTH):
        reasons.append(teeth)
    trigger = _from_trigger(recording, engine)
    if isinstance(trigger, CycleSet):
        trigger = replace(trigger, notes=(*reasons, *trigger.notes))
        return _drop_bad(trigger, bad_spans_s)
    if recording.channel(ChannelRole.IGNITION) or recording.edge_train(ChannelRole.IGNITION):
        reasons.append(trigger)
    prepared = prepare_channels(recording, engine)
    pulses = find_pulse_cycle(recording, engine, prepared=prepared)
    if isinstance(prepared, str) or isinstance(pulses, str):
        return "; ".join([*reasons, str(pulses)])
    found = _from_pulses(pulses, prepared, engine)
    if isinstance(found, str):
        return "; ".join([*reasons, found])
    if reasons:
        found = replace(found, notes=(*reasons, *found.notes))
    return _drop_bad(found, bad_spans_s)


def _with_assumed_cylinder(engine: EngineSpec) -> tuple[EngineSpec, str | None]:
    """An engine whose trigger cylinder is stated, and what had to be assumed for it."""
    if engine.trigger_cylinder is not None:
        return engine, None
    cylinder = 1 if 1 in engine.firing_order else engine.firing_order[0]
    return replace(engine, trigger_cylinder=cylinder), (
        f"the trigger is taken to be on cylinder {cylinder} (usual practice; the engine "
        "description does not say: give trigger_cylinder)"
    )


def _from_trigger(recording: Recording, engine: EngineSpec) -> CycleSet | str:
    described, assumed = _with_assumed_cylinder(engine)
    hint = None
    if engine.trigger_pulses_per_cycle is None and recording.condition not in (
        Condition.IDLE,
        Condition.CRANKING,
    ):
        pulses = find_pulse_cycle(recording, engine)
        if isinstance(pulses, PulseCycle):
            hint = pulses.cycle_hz
    found = cycle_set_from_trigger(recording, described, cycle_hz_hint=hint)
    if isinstance(found, CycleSet) and assumed:
        found = replace(
            found, notes=(assumed, *found.notes), reference_reason=f"{found.reference_reason}"
        )
    return found


def _with_trigger(teeth: CycleSet, recording: Recording, engine: EngineSpec) -> CycleSet:
    """Tooth angle re-zeroed on a once-per-cycle trigger, when there is one."""
    if teeth.reference is Reference.CYLINDER:
        return teeth
    pulses = recorded_trigger_pulses(recording)
    if pulses is None:
        return teeth
    described, assumed = _with_assumed_cylinder(engine)
    zero_deg, zero_se, text = trigger_angle_deg(described)
    cycle = teeth.cycle_deg
    at = teeth.angle_at(pulses)
    at = at[np.isfinite(at)]
    if len(at) < 3:
        return teeth
    turn = np.exp(2j * np.pi * at / cycle)
    agreement = abs(turn.mean())
    if agreement < 0.9:
        return teeth  # not once per cycle, or not of this engine
    where = float(np.angle(turn.mean()) * cycle / (2.0 * np.pi))
    shift = (zero_deg - where) % cycle
    angle = teeth.angle_deg + shift
    cycles = cut_cycles(teeth.time_s, angle, cycle, teeth.cycles)
    notes = (*teeth.notes, *((assumed,) if assumed else ()))
    return replace(
        teeth,
        angle_deg=angle,
        cycles=cycles,
        reference=Reference.CYLINDER,
        reference_reason=f"tooth wheel numbered by the trigger: {text}",
        angle_se_deg=float(np.hypot(teeth.angle_se_deg, zero_se)),
        notes=notes,
    )


def _from_pulses(
    found: PulseCycle, prepared: PreparedChannels, engine: EngineSpec
) -> CycleSet | str:
    cycle = engine.cycle_deg
    angle = found.cycle_phase * cycle
    speed = np.gradient(angle, found.time_s) / 6.0
    mean_rpm = float((angle[-1] - angle[0]) / (found.time_s[-1] - found.time_s[0]) / 6.0)
    angle = angle + _rotation(found, prepared, engine, mean_rpm)
    uses = cut_cycles(found.time_s, angle, cycle, ())
    if not uses:
        return "the pulses do not span one whole engine cycle"
    uses = _drop_outliers(uses)
    kept = [u for u in uses if u.kept]
    span_s = float(found.time_s[-1] - found.time_s[0])
    se_rpm = np.sqrt(2.0) * found.angle_se_deg / 6.0 / span_s + mean_rpm * _CLOCK
    knots_per_cycle = len(angle) / max(1.0, (angle[-1] - angle[0]) / cycle)
    step_s = span_s / max(1, len(angle) - 1)
    notes = [
        "crank angle from the pulses of " + ", ".join(found.channels) + ": firing positions count "
        "from an arbitrary start"
    ]
    if found.runner_up_rpm is not None and found.log_odds < 6.0:
        other = float(np.exp(-found.log_odds) / (1.0 + np.exp(-found.log_odds)))
        notes.append(
            f"a speed of {found.runner_up_rpm:.0f} rpm would explain the pulses nearly as well "
            f"({percent(other)} likely): give the condition or the speed"
        )
    return CycleSet(
        cycle_deg=cycle,
        phase_source=PhaseSource.PULSES,
        reference=Reference.ARBITRARY,
        reference_reason="no trigger and no tooth signal: only differences of angle are known",
        time_s=found.time_s,
        angle_deg=angle,
        speed_rpm=speed,
        speed_se_rpm=np.full(len(speed), found.angle_se_deg / 6.0 / step_s / knots_per_cycle * 2.0),
        angle_se_deg=found.angle_se_deg,
        mean_speed_rpm=(
            Estimate.from_se(mean_rpm, float(se_rpm), "rpm")
            if kept
            else unknown("rpm", "no whole cycle was fit to use")
        ),
        cycles=uses,
        notes=tuple(notes),
    )


def _rotation(
    found: PulseCycle, prepared: PreparedChannels, engine: EngineSpec, mean_rpm: float
) -> float:
    count = int(found.cycle_phase[-1] - found.cycle_phase[0])
    if count < 1:
        return 0.0
    phase = found.cycle_phase[0] + np.arange(count * _ROTATION_POINTS) / _ROTATION_POINTS
    time = np.interp(phase, found.cycle_phase, found.time_s) - prepared.start_s
    cutoff = 0.45 * _ROTATION_POINTS * mean_rpm / 60.0 * 360.0 / engine.cycle_deg
    means = []
    for signal in prepared.signals[: prepared.exhaust_count or 1]:
        values = resample_at(signal, prepared.rate_hz, time, min(cutoff, 0.5 * prepared.rate_hz))
        means.append(column_medians(values.reshape(count, -1)))
    averaged = tuple(np.nan_to_num(m - np.nanmean(m)) for m in means)
    heard = tuple(p[0] for p in prepared.patterns[: len(averaged)])
    # the averages start at the first phase knot, which is crank angle cycle_phase[0] * cycle
    start = float(found.cycle_phase[0]) * engine.cycle_deg
    return pulse_rotation_deg(averaged, heard, engine, mean_rpm) - start


def _drop_outliers(uses: tuple[CycleUse, ...]) -> tuple[CycleUse, ...]:
    """Drop cycles whose length leaves that of their neighbours."""
    length = np.array([u.stop_s - u.start_s for u in uses])
    if len(length) < 5:
        return uses
    out = []
    for i, use in enumerate(uses):
        near = median(length[max(0, i - 2) : i + 3])
        ratio = max(length[i] / near, near / length[i])
        reason = use.dropped
        if reason is None and ratio > _OUTLIER_RATIO:
            reason = "the speed jumped or the engine stumbled"
        out.append(replace(use, dropped=reason))
    return tuple(out)


def _drop_bad(found: CycleSet, spans: Spans) -> CycleSet:
    """Drop the cycles that touch a bad span."""
    if not spans:
        return found
    uses = []
    for use in found.cycles:
        hit = any(a < use.stop_s and b > use.start_s for a, b in spans)
        reason = use.dropped or ("the recording is not usable here" if hit else None)
        uses.append(replace(use, dropped=reason))
    return replace(found, cycles=tuple(uses))

"""Which hook-up fault is it: from what the checks and the cycles say to one name and one action.

Kinds and wording: docs/instruments.md. How often the name is right: docs/validation/hook_up.md.
"""

import numpy as np

from ringland.live._by_angle import from_angle
from ringland.live._kinds import HookUpFinding, HookUpKind
from ringland.model import (
    ChannelRole,
    Condition,
    CycleSet,
    CylinderSet,
    EngineSpec,
    PhaseSource,
    QualityFinding,
    QualityReport,
    Recording,
    Verdict,
)

__all__ = ["HookUpFinding", "HookUpKind", "name_faults"]


_BY_CHECK = {
    "channels_swapped": HookUpKind.SWAPPED,
    "silent": HookUpKind.SILENT,
    "clipping": HookUpKind.CLIPPED,
    "lost_highs": HookUpKind.HOSE,
    "trigger_present": HookUpKind.LOOSE_CLAMP,
    "trigger_regular": HookUpKind.LOOSE_CLAMP,
    "trigger_rate": HookUpKind.WASTED_SPARK,
    "sampling_rate": HookUpKind.WRONG_RATE,
    "mains_hum": HookUpKind.HUM,
    "dropouts": HookUpKind.DROP_OUTS,
    "repeated_blocks": HookUpKind.DROP_OUTS,
    "missing_values": HookUpKind.DROP_OUTS,
    "time_gaps": HookUpKind.DROP_OUTS,
    "speed_steady": HookUpKind.SPEED_WANDERS,
    "enough_cycles": HookUpKind.TOO_SHORT,
}
_TROUBLE = (Verdict.SUSPECT, Verdict.UNUSABLE)
_HIDES = {
    # while the first is there, the others are only its echo
    HookUpKind.TOO_SHORT: {HookUpKind.SPEED_WANDERS, HookUpKind.WASTED_SPARK, HookUpKind.HOSE},
    HookUpKind.WASTED_SPARK: {
        HookUpKind.LOOSE_CLAMP, HookUpKind.WRONG_CYLINDER, HookUpKind.WRONG_RATE,
        HookUpKind.HOSE, HookUpKind.SWAPPED, HookUpKind.JITTER,
    },
    HookUpKind.LOOSE_CLAMP: {HookUpKind.WASTED_SPARK, HookUpKind.JITTER},
    HookUpKind.SILENT: {HookUpKind.HOSE, HookUpKind.HUM, HookUpKind.SWAPPED},
    HookUpKind.SWAPPED: {HookUpKind.HOSE},
    HookUpKind.WRONG_RATE: {HookUpKind.HUM, HookUpKind.HOSE, HookUpKind.SWAPPED},
    HookUpKind.SPEED_WANDERS: {HookUpKind.HOSE, HookUpKind.SWAPPED, HookUpKind.HUM},
}  # fmt: skip
_HINT_OFF = 0.08
_IDLE_OFF = 0.45
_JITTER_DEG = 3.0
_JITTER_CYCLES = 10


def name_faults(
    recording: Recording,
    engine: EngineSpec,
    quality: QualityReport,
    cycles: CycleSet | str,
    cylinders: CylinderSet | None = None,
) -> tuple[HookUpFinding, ...]:
    """Faults by name, the surest first; those that are only an echo of another are left out."""
    found = [_from_check(f) for f in quality.findings if f.verdict in _TROUBLE]
    named = [f for f in found if f is not None]
    named += _silent_by_noise(recording, quality, {f.channel for f in named})
    if isinstance(cycles, CycleSet):
        named += _wrong_rate(recording, engine, cycles)
        if recording.condition is not Condition.SNAP:  # there the speed changes within a cycle
            named += _jitter(cycles)
        if cylinders is not None:
            # with the pulses of every cycle laid side by side the rough check is not needed
            judged = any(s.role is ChannelRole.EXHAUST for s in cylinders.signals)
            judged = judged and cycles.phase_source is PhaseSource.TRIGGER
            named = [f for f in named if f.kind is not HookUpKind.WASTED_SPARK or not judged]
            named += from_angle(recording, engine, cycles, cylinders)
    kinds = {f.kind for f in named}
    echoes = {echo for kind in kinds for echo in _HIDES.get(kind, set())}
    shown = [f for f in named if f.kind not in echoes or f.kind in _protected(kinds, f.kind)]
    unique = {(f.kind, f.channel): f for f in reversed(shown)}
    return tuple(sorted(unique.values(), key=lambda f: not f.certain))


def _protected(kinds: set[HookUpKind], kind: HookUpKind) -> set[HookUpKind]:
    """A kind hidden only by one that it hides itself stays: the table has such pairs."""
    hiders = {k for k in kinds if kind in _HIDES.get(k, set())}
    return {kind} if hiders and all(h in _HIDES.get(kind, set()) for h in hiders) else set()


def _from_check(finding: QualityFinding) -> HookUpFinding | None:
    kind = _BY_CHECK.get(finding.check)
    if kind is None:
        return None
    return HookUpFinding(
        kind,
        finding.channel,
        finding.message,
        finding.action,
        certain=finding.verdict is Verdict.UNUSABLE,
    )


def _silent_by_noise(
    recording: Recording, quality: QualityReport, known: set[str]
) -> list[HookUpFinding]:
    """A channel that shows nothing of the engine while another does."""
    out = []
    noisy = {
        f.channel: f
        for f in quality.findings
        if f.check == "signal_to_noise" and f.verdict is Verdict.UNUSABLE
    }
    pulsing = [c.name for c in recording.channels if c.name not in noisy]
    for name, finding in noisy.items():
        if name not in known and pulsing:
            out.append(
                HookUpFinding(
                    HookUpKind.SILENT, name, finding.message,
                    "Check that the sensor is plugged in and its hose is on; tap the hose: the "
                    "line must move.", certain=True,
                )
            )  # fmt: skip
    return out


def _wrong_rate(recording: Recording, engine: EngineSpec, cycles: CycleSet) -> list[HookUpFinding]:
    speed = cycles.mean_speed_rpm.value
    if speed is None:
        return []
    expected, limit, said = recording.speed_hint_rpm, _HINT_OFF, "the tachometer says"
    if expected is None and recording.condition is Condition.IDLE:
        expected, limit, said = engine.idle_speed_rpm, _IDLE_OFF, "this engine idles at"
    if expected is None or abs(speed / expected - 1.0) <= limit:
        return []
    return [
        HookUpFinding(
            HookUpKind.WRONG_RATE,
            "",
            f"The pulses say {speed:.0f} rpm, {said} {expected:.0f}.",
            "Check the sample rate that was set or stated; if it is right, the speed hint or the "
            "idle speed of the engine file is not.",
            certain=abs(speed / expected - 1.0) > 2.0 * limit,
        )
    ]


def _jitter(cycles: CycleSet) -> list[HookUpFinding]:
    """Scatter of the trigger's own moment: what the lengths of neighbouring cycles take from one
    another, which a change of speed does not."""
    if cycles.phase_source is not PhaseSource.TRIGGER or len(cycles.cycles) < _JITTER_CYCLES:
        return []
    starts = np.array([c.start_s for c in cycles.cycles])
    length = np.diff(starts)
    steps = np.diff(length) / np.median(length)
    scatter = 1.4826 * float(np.median(np.abs(steps - np.median(steps))))
    degrees = scatter / np.sqrt(6.0) * cycles.cycle_deg
    if degrees <= _JITTER_DEG:
        return []
    return [
        HookUpFinding(
            HookUpKind.JITTER,
            "ignition",
            f"The trigger's moment scatters by {degrees:.1f} degrees of crank.",
            "Clip the pick-up closer to the lead and away from other leads; raise the rate.",
            certain=False,
        )
    ]

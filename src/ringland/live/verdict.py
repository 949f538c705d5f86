"""Fit to judge, or what to mend, before the sensors come off."""

from dataclasses import dataclass, replace

from ringland.cycles import find_cycles
from ringland.cylinders import measure_cylinders
from ringland.live.enough import Enough, decide
from ringland.live.hookup import HookUpFinding, HookUpKind, name_faults
from ringland.model import (
    ChannelRole,
    Condition,
    CycleSet,
    CylinderSet,
    EngineSpec,
    QualityReport,
    Recording,
    Verdict,
)
from ringland.quality import check_recording, inspect_recording, unusable_spans

__all__ = ["Judgement", "judge", "strengths"]

_ONLY_PHASE = (ChannelRole.IGNITION, ChannelRole.CAM)
_FEWEST_CYCLES = 3
_STOPS = frozenset({HookUpKind.SWAPPED, HookUpKind.WRONG_RATE, HookUpKind.WRONG_OUTLET})
"""Named surely, these make a wrong judgement of a recording that looks well."""


@dataclass(frozen=True, eq=False)
class Judgement:
    """What is known of a recording before it is analysed. `cycles` is a reason when there are
    none. `why` the sentence for the technician."""

    fit: bool
    why: str
    quality: QualityReport
    cycles: CycleSet | str
    cylinders: CylinderSet | None
    findings: tuple[HookUpFinding, ...]
    precision: Enough | None


def judge(recording: Recording, engine: EngineSpec, *, wanted: float = 0.05) -> Judgement:
    """Judge whether a recording can be judged; `wanted` half width of a cylinder's interval."""
    seen = inspect_recording(recording, engine)
    quality = check_recording(recording, engine, inspected=seen)
    bad = {c.name for c in recording.channels if quality.verdict(c.name) is Verdict.UNUSABLE}
    spans = tuple(
        span
        for c in recording.channels
        if c.name not in bad and c.role is not ChannelRole.UNASSIGNED
        for span in unusable_spans(quality, c.name)
    )
    cycles = find_cycles(_without(recording, bad), engine, bad_spans_s=spans)
    cylinders = None
    if isinstance(cycles, CycleSet):
        quality = check_recording(recording, engine, cycles, inspected=seen)
        if len(cycles.kept) >= _FEWEST_CYCLES:
            cylinders = measure_cylinders(recording, engine, cycles, skip=tuple(bad))
    findings = name_faults(recording, engine, quality, cycles, cylinders)
    # a snap is no repetition of one thing: nothing is averaged, and no interval narrows
    repeats = recording.condition is not Condition.SNAP
    precision = strengths(cylinders, wanted) if cylinders is not None and repeats else None
    fit, why = _fit(recording, quality, cycles, findings)
    return Judgement(fit, why, quality, cycles, cylinders, findings, precision)


def strengths(cylinders: CylinderSet, wanted: float) -> Enough | None:
    """Precision reached, from the exhaust pulse of every cycle; None without an exhaust."""
    share = cylinders.share(ChannelRole.EXHAUST)
    return None if share is None else decide(share.strength, wanted)


def _without(recording: Recording, names: set[str]) -> Recording:
    return replace(recording, channels=tuple(c for c in recording.channels if c.name not in names))


def _fit(
    recording: Recording,
    quality: QualityReport,
    cycles: CycleSet | str,
    findings: tuple[HookUpFinding, ...],
) -> tuple[bool, str]:
    telling = [c.name for c in recording.channels if c.role not in _ONLY_PHASE]
    usable = [n for n in telling if quality.verdict(n) is not Verdict.UNUSABLE]
    sure = [f for f in findings if f.certain and f.kind in _STOPS]
    why = None
    if not usable:
        why = "No channel can be used."
    elif quality.verdict("") is Verdict.UNUSABLE:
        why = "The recording as a whole cannot be used."
    elif isinstance(cycles, str):
        why = f"The engine cycle cannot be found: {cycles}."
    elif len(cycles.kept) < _FEWEST_CYCLES:
        why = f"Only {len(cycles.kept)} engine cycles can be used."
    elif sure:
        why = sure[0].message
    if why is not None:
        return False, why
    if findings:
        return True, "But look at this first, while the sensors are on."
    return True, "The sensors can come off."

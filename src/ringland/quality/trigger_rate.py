"""How often the trigger comes in a cycle: once, or at twice the rate (wasted spark)."""

import numpy as np

from ringland.model import PhaseSource, QualityFinding, Verdict
from ringland.quality._facts import SPEED_ROLES
from ringland.quality._repetition import rough_rpm
from ringland.quality._types import Limit, RecordingFacts, Subject, exact, not_checked
from ringland.signals import median

__all__ = ["LIMITS", "check"]

TOLERANCE = Limit(0.12, "1", "pulses per cycle may differ from a whole number by this share")
AGREE = Limit(0.05, "1", "channels must agree on the speed to this share")
LIMITS = (TOLERANCE, AGREE)


def check(subject: Subject) -> QualityFinding:
    """Trigger pulses per engine cycle, the speed taken from the pressure pulses."""
    trigger, recording = subject.trigger, subject.recording
    assert trigger is not None
    engine = recording.engine
    rpm = _speed_without_trigger(recording)
    if engine is None or rpm is None:
        return not_checked(subject, "it takes the engine and its speed from the pulses")
    interval = median(np.diff(trigger.time_s)) if trigger.time_s.size > 2 else 0.0
    if not interval > 0.0:
        return not_checked(subject, "there are too few pulses, or they fall on one another")
    per_cycle = 60.0 * engine.revolutions_per_cycle / rpm / interval
    if per_cycle < 1.0 - TOLERANCE.value:
        return not_checked(subject, "the speed from the pulses is not sure before cycles are found")
    measured = exact(per_cycle, "1")
    expected = engine.trigger_pulses_per_cycle or 1
    if abs(per_cycle - expected) <= TOLERANCE.value * expected:
        return subject.finding(
            Verdict.OK,
            f"The trigger comes {_times(expected)} per engine cycle.",
            measured=measured,
            limit=float(expected),
        )
    if expected == 1 and abs(per_cycle - 2.0) <= 2.0 * TOLERANCE.value:
        return subject.finding(
            Verdict.SUSPECT,
            "The trigger comes twice per engine cycle, as a wasted spark does: which of the two "
            "turns is the firing one cannot be told from it.",
            action="Say so in the engine description (trigger_pulses_per_cycle = 2), or trigger "
            "from an injector.",
            measured=measured,
            limit=1.0,
        )
    return subject.finding(
        Verdict.SUSPECT,
        f"The trigger comes {per_cycle:.2f} times per engine cycle, not {_times(expected)}.",
        action="Check that the pick-up is on one plug lead only, and the cylinder count and "
        "speed given.",
        measured=measured,
        limit=float(expected),
    )


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def _speed_without_trigger(recording: RecordingFacts) -> float | None:
    """Speed from teeth, from a hint, or from the pulses; never from the trigger itself."""
    cycles = recording.cycles
    if cycles is not None and cycles.phase_source is not PhaseSource.TRIGGER:
        return cycles.mean_speed_rpm.value
    engine = recording.engine
    if engine is None:
        return None
    if not engine.even_firing or engine.outlet_count > 1:
        return None  # pulses at uneven intervals do not give a rough speed to rely on
    condition = recording.recording.condition
    found = [
        rough_rpm(f.periodic, engine, f.channel.role, condition)
        for f in recording.channels
        if f.periodic is not None and f.channel.role in SPEED_ROLES
    ]
    known = [rpm for rpm in found if rpm is not None]
    if not known or max(known) > (1.0 + AGREE.value) * min(known):
        return None  # rough speeds err by whole factors; only agreement makes one fit for this
    return known[0]

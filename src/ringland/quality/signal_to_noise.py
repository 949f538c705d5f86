"""Do the pulses stand above the noise."""

import math

from ringland.model import Condition, Estimate, QualityFinding, Verdict
from ringland.quality._locked import locked_ratio
from ringland.quality._repetition import CHANCE_ERRORS
from ringland.quality._types import Limit, Repetition, Subject, not_checked

__all__ = ["LIMITS", "check"]

LEAST_DB = Limit(
    0.0,
    "dB",
    "power that repeats over power that does not, below 300 Hz; averaging n cycles adds 10 log10 n",
)
LOCKED = Limit(
    3.0, "1", "variance of the averaged cycle over what scatter alone leaves, noise gives 1"
)
LIMITS = (LEAST_DB, LOCKED)
_FLOOR, _CEILING = -40.0, 60.0


def check(subject: Subject) -> QualityFinding:
    """Power that repeats over power that does not, from the autocorrelation at a repeat."""
    facts = subject.facts
    assert facts is not None
    found = facts.repetition
    why_not = facts.nothing or _why_not(subject, found)
    if why_not is not None or found is None:
        return not_checked(subject, why_not or "the recording is too short or only drifts")
    half = found.by_chance / CHANCE_ERRORS * 1.645
    r = found.correlation
    measured = Estimate(_db(r), _db(r - half), _db(r + half), "dB")
    if not found.found:
        cycles = subject.recording.cycles
        ratio = None if cycles is None else locked_ratio(facts, cycles)
        if ratio is not None and ratio > LOCKED.value:
            return subject.finding(
                Verdict.OK,
                "The pulses are too uneven for a plain rhythm, but repeat with the engine cycle.",
            )
        if ratio is None and _strong_rhythm_elsewhere(subject):
            return subject.finding(
                Verdict.SUSPECT,
                "No plain rhythm on this channel yet; it is judged once the cycles are found.",
                action="If it stays so, check the sensor's hose and seal.",
                measured=measured,
                limit=LEAST_DB.value,
            )
        return subject.finding(
            Verdict.UNUSABLE,
            "No repeating pulses: this looks like noise.",
            action="Is the engine running and the sensor's hose in place? Move the sensor closer "
            "and seal it, then record again.",
            measured=measured,
            limit=LEAST_DB.value,
        )
    if _db(r) < LEAST_DB.value:
        return subject.finding(
            Verdict.SUSPECT,
            f"The pulses are weaker than the noise ({_db(r):.0f} dB).",
            action="Record for longer, keep wind and extraction fans off the tailpipe, and check "
            "the sensor's seal.",
            measured=measured,
            limit=LEAST_DB.value,
        )
    return subject.finding(
        Verdict.OK,
        f"The pulses stand {_db(r):.0f} dB above the noise.",
        measured=measured,
        limit=LEAST_DB.value,
    )


def _strong_rhythm_elsewhere(subject: Subject) -> bool:
    """True when another channel or a trigger shows that the engine turns."""
    recording = subject.recording
    return bool(recording.triggers) or any(
        facts.periodic is not None for facts in recording.channels if facts is not subject.facts
    )


def _why_not(subject: Subject, found: Repetition | None) -> str | None:
    facts = subject.facts
    if subject.recording.recording.condition is Condition.SNAP:
        return "in a snap the pulses never come at one rate"
    if found is None or facts is None:
        return "the recording is too short or only drifts"
    if found.rate_hz * facts.duration_s < 3.0 or found.by_chance > 0.9:
        return "the recording is too short to tell a repeat from chance"
    return None


def _db(share: float) -> float:
    if share >= 1.0:
        return _CEILING
    if share <= 0.0:
        return _FLOOR
    return min(_CEILING, max(_FLOOR, 10.0 * math.log10(share / (1.0 - share))))

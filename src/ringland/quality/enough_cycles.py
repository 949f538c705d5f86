"""Are there enough cycles for the precision asked."""

import math

from ringland.model import QualityFinding, Verdict
from ringland.quality._types import Limit, Subject, counted, exact, not_checked

__all__ = ["LIMITS", "check"]

ENOUGH = Limit(
    11.0,
    "1",
    "cycles for 5 % at 90 % coverage when a cylinder varies by 10 % from cycle to cycle:"
    " (1.645 x 10 / 5)^2, variance of a mean",
)
FEWEST = Limit(3.0, "1", "cycles below which there is no scatter to speak of")
LIMITS = (ENOUGH, FEWEST)
_CYCLE_SCATTER = 0.10


def check(subject: Subject) -> QualityFinding:
    """Cycles kept, or duration times cycle rate when none were cut yet."""
    recording = subject.recording
    if recording.cycles is not None:
        cycles = float(len(recording.cycles.kept))
    elif recording.cycle_rate_hz is not None:
        longest = max((f.duration_s for f in recording.channels), default=0.0)
        cycles = float(math.floor(longest * recording.cycle_rate_hz))
    else:
        return not_checked(subject, "neither the cycles nor the speed are known yet")
    measured = exact(cycles, "1")
    if cycles >= ENOUGH.value:
        return subject.finding(
            Verdict.OK, f"{cycles:.0f} cycles are enough.", measured=measured, limit=ENOUGH.value
        )
    if cycles < FEWEST.value:
        return subject.finding(
            Verdict.UNUSABLE,
            f"Only {counted(round(cycles), 'engine cycle')}: nothing can be averaged.",
            action="Record for at least ten seconds.",
            measured=measured,
            limit=ENOUGH.value,
        )
    reach = 164.5 * _CYCLE_SCATTER / math.sqrt(cycles)
    return subject.finding(
        Verdict.SUSPECT,
        f"Only {cycles:.0f} engine cycles: a cylinder is then known to about {reach:.0f} %, "
        "no better.",
        action="Record for longer, ten seconds at idle; while cranking keep to the limit of the "
        "starter and record again after it has cooled.",
        measured=measured,
        limit=ENOUGH.value,
    )

"""The trigger gives pulses at all."""

from ringland.model import QualityFinding, Verdict
from ringland.quality._types import Limit, Subject, count_estimate, counted

__all__ = ["LIMITS", "check"]

FEWEST = Limit(3.0, "1", "pulses below which a trigger is of no use")
LIMITS = (FEWEST,)


def check(subject: Subject) -> QualityFinding:
    """Count the pulses."""
    trigger = subject.trigger
    assert trigger is not None
    pulses = int(trigger.time_s.size)
    measured = count_estimate(pulses)
    if pulses >= FEWEST.value:
        return subject.finding(
            Verdict.OK,
            f"{counted(pulses, 'trigger pulse')}.",
            measured=measured,
            limit=FEWEST.value,
        )
    return subject.finding(
        Verdict.UNUSABLE,
        f"The trigger gives {counted(pulses, 'pulse')}: it is missing.",
        action="Clip the pick-up around one plug lead or coil, keep it clear of fan and belt, and "
        "check its plug. The recording can still be judged without it, by position.",
        measured=measured,
        limit=FEWEST.value,
    )

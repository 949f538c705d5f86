"""Moisture in the hose or a blocked tip: the sharp part of the pulses is gone."""

import numpy as np

from ringland.model import QualityFinding, Verdict
from ringland.quality._harmonics import harmonics
from ringland.quality._types import Limit, Subject, count_estimate, not_checked

__all__ = ["LIMITS", "check"]

FEWEST = Limit(3.0, "1", "multiples of the pulse rate that stand above the noise")
ABOVE = Limit(3.0, "1", "amplitude of a multiple over the noise around it to count")
SHARE = Limit(0.02, "1", "amplitude of a multiple over the largest to count (-34 dB)")
LIMITS = (FEWEST, ABOVE, SHARE)


def check(subject: Subject) -> QualityFinding:
    """Count the multiples of the pulse rate above the noise, without a gap of more than one."""
    facts = subject.facts
    assert facts is not None
    if facts.nothing is not None:
        return not_checked(subject, facts.nothing)
    if facts.periodic is None:
        return not_checked(subject, "no pulses were found")
    size, noise = harmonics(facts, facts.periodic.rate_hz)
    if size.size < 5:
        return not_checked(subject, "the sampling rate is too low to show five multiples")
    seen = np.flatnonzero((size > ABOVE.value * noise) & (size > SHARE.value * size.max()))
    count = int(seen.size)
    if count >= FEWEST.value:
        return subject.finding(
            Verdict.OK,
            f"The pulses are crisp: {count} multiples of the pulse rate stand clear.",
            measured=count_estimate(count),
            limit=FEWEST.value,
        )
    return subject.finding(
        Verdict.SUSPECT,
        f"The pulses are rounded off: only {count} multiples of the pulse rate stand clear.",
        action="Blow out and dry the hose, look for water in the sensor and a blocked or kinked "
        "hose, and record again.",
        measured=count_estimate(count),
        limit=FEWEST.value,
    )

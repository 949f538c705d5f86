"""Moisture in the hose or a blocked tip: the sharp part of the pulses is gone."""

import numpy as np

from ringland.model import QualityFinding, Verdict
from ringland.quality._harmonics import harmonics
from ringland.quality._types import Limit, Subject, count_estimate, not_checked

__all__ = ["LIMITS", "check"]

FEWEST = Limit(3.0, "1", "multiples of the pulse rate that stand above the noise")
ABOVE = Limit(3.0, "1", "amplitude of a multiple over the noise around it to count")
SHARE = Limit(0.02, "1", "amplitude of a multiple over the largest to count (-34 dB)")
HIGH_ENOUGH = Limit(100.0, "Hz", "a clear multiple here or above shows that the hose is open")
LIMITS = (FEWEST, ABOVE, SHARE, HIGH_ENOUGH)


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
    top_hz = (float(seen[-1]) + 1.0) * facts.periodic.rate_hz if count else 0.0
    if count >= FEWEST.value or top_hz >= HIGH_ENOUGH.value:
        return subject.finding(
            Verdict.OK,
            f"The pulses are crisp: they stand clear up to {top_hz:.0f} Hz.",
            measured=count_estimate(count),
            limit=FEWEST.value,
        )
    hidden = float(noise[2:5].max()) * ABOVE.value > SHARE.value * float(size.max())
    if hidden:
        return not_checked(subject, "the noise would hide what a damp hose takes away")
    return subject.finding(
        Verdict.SUSPECT,
        f"The pulses are rounded off: nothing stands clear above {top_hz:.0f} Hz.",
        action="Blow out and dry the hose, look for water in the sensor and a blocked or kinked "
        "hose, and record again.",
        measured=count_estimate(count),
        limit=FEWEST.value,
    )

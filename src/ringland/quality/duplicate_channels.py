"""Two channels hold the same signal."""

import math

import numpy as np

from ringland.model import QualityFinding, Verdict
from ringland.quality._types import ChannelFacts, Limit, Subject, exact, not_checked

__all__ = ["LIMITS", "check"]

CORRELATION = Limit(0.9999, "1", "correlation at or above which two channels are one")
LIMITS = (CORRELATION,)


def check(subject: Subject) -> QualityFinding:
    """Greatest correlation of the slow copy with that of any other channel."""
    facts = subject.facts
    assert facts is not None
    if facts.nothing is not None:
        return not_checked(subject, facts.nothing)
    best, twin = 0.0, ""
    for other in subject.recording.channels:
        if other is facts or other.nothing is not None:
            continue
        correlation = _correlation(facts, other)
        if correlation is not None and correlation >= best:
            best, twin = correlation, other.channel.name
    if not twin:
        return not_checked(subject, "there is no other channel to compare with")
    if best < CORRELATION.value:
        return subject.finding(
            Verdict.OK,
            "No other channel is the same.",
            measured=exact(best, "1"),
            limit=CORRELATION.value,
        )
    return subject.finding(
        Verdict.SUSPECT,
        f"This channel is the same as {twin}: one sensor is on both, or the file has it twice.",
        action="Check the plugs at the recorder and the channel names.",
        measured=exact(best, "1"),
        limit=CORRELATION.value,
    )


def _correlation(one: ChannelFacts, two: ChannelFacts) -> float | None:
    count = one.scan.slow.size
    if one.slow_rate_hz != two.slow_rate_hz or count != two.scan.slow.size or count < 16:
        return None
    (a, power_a), (b, power_b) = one.scan.centred, two.scan.centred
    size = math.sqrt(power_a * power_b)
    return min(1.0, abs(float(np.sum(a * b))) / size) if size > 0.0 else None

"""The recorder ran out of range, and the tops of the pulses are cut off."""

import math

from ringland.model import QualityFinding, Verdict
from ringland.quality._scan import count_beyond, runs_beyond
from ringland.quality._types import (
    ChannelFacts,
    Limit,
    Scan,
    Subject,
    count_estimate,
    counted,
    not_checked,
)

__all__ = ["LIMITS", "check"]

SHARE_SUSPECT = Limit(1e-4, "1", "share of clipped samples that is let pass")
SHARE_UNUSABLE = Limit(0.02, "1", "share of clipped samples beyond which pulse sizes mean nothing")
PILE_UP = Limit(
    5.0,
    "1",
    "samples at the very top over the mean of the two counts below it; a sine has at most 2.7",
)
SHORTEST_DROP = Limit(1e-3, "s", "shortest cut-off top for which a cycle is left out")
LIMITS = (SHARE_SUSPECT, SHARE_UNUSABLE, PILE_UP, SHORTEST_DROP)
_TWO_LEVELS = 0.9
_REST = 0.25
LEAST_RUN = 2


def check(subject: Subject) -> QualityFinding:
    """Count samples at full scale; without a full scale, look for flat tops."""
    facts = subject.facts
    assert facts is not None
    scan = facts.scan
    if scan.good < 16 or scan.flat:
        return not_checked(subject, facts.nothing or "there is nothing on the line")
    low, high = _range_ends(scan)
    where = "the end of the recorder's range"
    if math.isinf(low) and math.isinf(high):
        low, high = _flat_tops(facts)
        where = "flat tops below the end of the recorder's range"
    limit = max(2.0, SHARE_SUSPECT.value * scan.count)
    if math.isinf(low) and math.isinf(high):
        return subject.finding(
            Verdict.OK, "No cut-off tops.", measured=count_estimate(0), limit=limit
        )
    runs = runs_beyond(facts.channel.samples, low, high)
    clipped, longest = runs.total, int(runs.length.max(initial=0))
    if clipped <= limit or longest < 2:
        return subject.finding(
            Verdict.OK,
            f"{clipped} samples touch the end of the range, too few to matter.",
            measured=count_estimate(clipped),
            limit=limit,
        )
    severe = clipped > SHARE_UNUSABLE.value * scan.count
    return subject.finding(
        Verdict.UNUSABLE if severe else Verdict.SUSPECT,
        f"{clipped} samples in {counted(runs.length.size, 'place')} are cut off at {where}: "
        "the real pulses were bigger.",
        action="Choose a larger range on the recorder or a less sensitive sensor, record again.",
        measured=count_estimate(clipped),
        limit=limit,
        spans_s=facts.spans_s(runs),
    )


def _range_ends(scan: Scan) -> tuple[float, float]:
    """Ends of the recorder's range that the signal reaches; infinite where it does not."""
    return (
        scan.low_end if scan.low_clipped else -math.inf,
        scan.high_end if scan.high_clipped else math.inf,
    )


def _flat_tops(facts: ChannelFacts) -> tuple[float, float]:
    """Least and greatest value where samples pile up there; infinite where they do not."""
    scan, samples = facts.scan, facts.channel.samples
    if scan.longest_low < LEAST_RUN and scan.longest_high < LEAST_RUN:
        return -math.inf, math.inf
    band = 2.5 * (facts.channel.resolution or scan.step_least)  # the two counts next to the end
    near_low, near_high = count_beyond(samples, scan.low + band, scan.high - band)
    near_low, near_high = near_low - scan.at_low, near_high - scan.at_high
    if scan.at_low + scan.at_high + near_low + near_high > _TWO_LEVELS * scan.good:
        return -math.inf, math.inf  # a switch, not a cut-off wave
    low = _piled(scan, scan.at_low, near_low, scan.longest_low)
    high = _piled(scan, scan.at_high, near_high, scan.longest_high)
    return (scan.low if low else -math.inf), (scan.high if high else math.inf)


def _piled(scan: Scan, at_end: int, near: int, longest: int) -> bool:
    """True when more samples are at the end than a rounded top has, and it is no rest level."""
    return (
        longest >= LEAST_RUN
        and at_end > PILE_UP.value * max(0.5 * near, 0.5)
        and at_end <= _REST * scan.good
    )

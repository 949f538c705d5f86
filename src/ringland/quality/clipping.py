"""The recorder ran out of range, and the tops of the pulses are cut off."""

import math

import numpy as np

from ringland.model import QualityFinding, Verdict
from ringland.quality._scan import runs_beyond
from ringland.quality._types import ChannelFacts, Limit, Subject, count_estimate, not_checked

__all__ = ["LIMITS", "check"]

SHARE_SUSPECT = Limit(1e-4, "1", "share of clipped samples that is let pass")
SHARE_UNUSABLE = Limit(0.02, "1", "share of clipped samples beyond which pulse sizes mean nothing")
PILE_UP = Limit(
    2.0, "1", "samples at the very top against samples in the hundredth of the swing below it"
)
LIMITS = (SHARE_SUSPECT, SHARE_UNUSABLE, PILE_UP)
_TWO_LEVELS = 0.9


def check(subject: Subject) -> QualityFinding:
    """Count samples at full scale; without a full scale, look for flat tops."""
    facts = subject.facts
    assert facts is not None
    scan = facts.scan
    if scan.good < 16 or scan.flat:
        return not_checked(subject, facts.nothing or "there is nothing on the line")
    known = facts.channel.full_scale is not None
    low, high = _ends(facts)
    if not math.isfinite(low) and not math.isfinite(high):
        return subject.finding(
            Verdict.OK,
            "No flat tops." if not known else "Nothing reaches the end of the recorder's range.",
            measured=count_estimate(0),
            limit=max(2.0, SHARE_SUSPECT.value * scan.count),
        )
    runs = runs_beyond(facts.channel.samples, low, high)
    clipped, longest = runs.total, int(runs.length.max(initial=0))
    limit = max(2.0, SHARE_SUSPECT.value * scan.count)
    if clipped <= limit or longest < 2:
        return subject.finding(
            Verdict.OK,
            f"{clipped} samples touch the end of the range, too few to matter.",
            measured=count_estimate(clipped),
            limit=limit,
        )
    severe = clipped > SHARE_UNUSABLE.value * scan.count
    where = "the recorder's range" if known else "flat tops (the recorder's range is not known)"
    return subject.finding(
        Verdict.UNUSABLE if severe else Verdict.SUSPECT,
        f"{clipped} samples in {runs.length.size} places are cut off at {where}: "
        "the real pulses were bigger.",
        action="Choose a larger range on the recorder or a less sensitive sensor, record again.",
        measured=count_estimate(clipped),
        limit=limit,
        spans_s=facts.spans_s(runs),
    )


def _ends(facts: ChannelFacts) -> tuple[float, float]:
    """Thresholds at or beyond which a sample is clipped; infinite where nothing is."""
    scan, full_scale = facts.scan, facts.channel.full_scale
    if full_scale is not None:
        resolution = facts.channel.resolution
        count = resolution if resolution is not None and 0.0 < resolution < math.inf else 0.0
        low = full_scale[0] + 0.5 * count if scan.low_clipped else -math.inf
        return low, full_scale[1] - 1.01 * count if scan.high_clipped else math.inf
    if scan.longest_low < 3 and scan.longest_high < 3:
        return -math.inf, math.inf
    good = facts.channel.samples
    band = max(0.01 * scan.swing, 2.5 * (facts.channel.resolution or scan.step_least))
    near_low = int(np.count_nonzero(good <= scan.low + band)) - scan.at_low
    near_high = int(np.count_nonzero(good >= scan.high - band)) - scan.at_high
    if scan.at_low + scan.at_high + near_low + near_high > _TWO_LEVELS * scan.good:
        return -math.inf, math.inf  # a switch, not a cut-off wave
    piled_low = scan.longest_low >= 3 and scan.at_low > PILE_UP.value * max(near_low, 1)
    piled_high = scan.longest_high >= 3 and scan.at_high > PILE_UP.value * max(near_high, 1)
    if piled_low and scan.at_low > 0.25 * scan.good:
        piled_low = False  # a baseline the signal rests on
    if piled_high and scan.at_high > 0.25 * scan.good:
        piled_high = False
    return (scan.low if piled_low else -math.inf), (scan.high if piled_high else math.inf)

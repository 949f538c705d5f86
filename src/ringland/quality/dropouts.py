"""Drop-outs: the recorder held the last value, or gave zeros, for a while."""

import numpy as np

from ringland.model import QualityFinding, Verdict
from ringland.quality._types import Limit, Subject, count_estimate, counted, not_checked

__all__ = ["LIMITS", "check"]

SHARE = Limit(0.05, "1", "largest share of held samples before the channel is refused")
HELD_SAMPLES = Limit(16.0, "1", "equal samples in a row, ended by a jump, that count as held")
EACH_HELD = Limit(1.9, "1", "mean length of runs of equal samples that means a slower true rate")
LIMITS = (SHARE, HELD_SAMPLES, EACH_HELD)


def check(subject: Subject) -> QualityFinding:
    """Find runs of equal samples that begin or end with a jump, and samples all held alike."""
    facts = subject.facts
    assert facts is not None
    scan = facts.scan
    if facts.nothing is not None:
        return not_checked(subject, facts.nothing)
    if scan.run_mean > EACH_HELD.value and scan.run_spread < 0.1 * scan.run_mean:
        each = round(scan.run_mean)
        return subject.finding(
            Verdict.SUSPECT,
            f"Every value stands {each} times: the true sampling rate is "
            f"{facts.channel.rate_hz / each:.6g} per second, not {facts.channel.rate_hz:.6g}.",
            action="Set the recorder to a rate it can really do, or say the true rate.",
            measured=count_estimate(scan.good - round(scan.good / scan.run_mean)),
            limit=SHARE.value * scan.count,
        )
    held, limit = scan.held.total, SHARE.value * scan.count
    if held == 0:
        return subject.finding(Verdict.OK, "No drop-outs.", measured=count_estimate(0), limit=limit)
    zeros = int(np.count_nonzero(facts.channel.samples[scan.held.start] == 0.0))
    places = scan.held.start.size
    what = "the line drops to zero" if zeros == places else "the value stands still"
    return subject.finding(
        Verdict.UNUSABLE if held > limit else Verdict.SUSPECT,
        f"In {counted(places, 'place')} {what} and then jumps: {held} samples in all.",
        action="Check the plugs and the cable for a loose contact; close other programs on the "
        "recording computer; record again.",
        measured=count_estimate(held),
        limit=limit,
        spans_s=facts.spans_s(scan.held),
    )

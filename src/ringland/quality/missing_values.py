"""Samples that are no number, or a number no instrument gives."""

from ringland.model import QualityFinding, Verdict
from ringland.quality._types import Limit, Subject, count_estimate

__all__ = ["LIMITS", "check"]

SHARE = Limit(0.02, "1", "largest share of samples without a value before the channel is refused")
LIMITS = (SHARE,)


def check(subject: Subject) -> QualityFinding:
    """Count samples that are NaN, infinite or beyond 1e30."""
    facts = subject.facts
    assert facts is not None
    scan = facts.scan
    if scan.count == 0:
        return subject.finding(
            Verdict.UNUSABLE,
            "There is not one sample on this channel.",
            action="Check that the channel was switched on in the recorder, then record again.",
            measured=count_estimate(0),
        )
    missing = scan.count - scan.good
    limit = SHARE.value * scan.count
    if missing == 0:
        return subject.finding(
            Verdict.OK, "Every sample is a number.", measured=count_estimate(0), limit=limit
        )
    verdict = Verdict.UNUSABLE if missing > limit else Verdict.SUSPECT
    return subject.finding(
        verdict,
        f"{missing} of {scan.count} samples are not a usable number.",
        action="Look for a loose plug or a recorder that could not keep up, then record again.",
        measured=count_estimate(missing),
        limit=limit,
        spans_s=facts.spans_s(scan.bad),
    )

"""The sensor is silent: unplugged, broken, or its valve is shut."""

from ringland.model import QualityFinding, Verdict
from ringland.quality._types import Limit, Subject, exact, not_checked, with_unit

__all__ = ["LIMITS", "check"]

SHARE_OF_RANGE = Limit(5e-4, "1", "smallest swing as a share of the recorder's range")
COUNTS = Limit(3.0, "1", "swing in counts of the converter at or below which the line is dead")
LIMITS = (SHARE_OF_RANGE, COUNTS)
_ACTION = (
    "Check that the sensor is plugged in and powered, the hose is on, and the channel is the "
    "right one. Tap the hose: the line must move."
)


def check(subject: Subject) -> QualityFinding:
    """Flat line, or a swing of a few counts or a sliver of the range."""
    facts = subject.facts
    assert facts is not None
    scan, channel = facts.scan, facts.channel
    if scan.good < 2:
        return not_checked(subject, "there are fewer than two samples")
    swing = exact(scan.swing, channel.unit)
    if scan.flat:
        return subject.finding(
            Verdict.UNUSABLE,
            f"Flat line at {with_unit(scan.low, channel.unit, 6)}: the sensor says nothing.",
            action=_ACTION,
            measured=swing,
            limit=0.0,
        )
    if channel.resolution is not None and channel.resolution > 0.0:
        limit = COUNTS.value * channel.resolution
        if scan.swing <= limit * (1.0 + 1e-9):
            return subject.finding(
                Verdict.UNUSABLE,
                f"The line moves by no more than {COUNTS.value:.0f} counts of the recorder.",
                action=_ACTION,
                measured=swing,
                limit=limit,
            )
    if channel.full_scale is not None:
        limit = SHARE_OF_RANGE.value * (channel.full_scale[1] - channel.full_scale[0])
        if scan.swing < limit:
            return subject.finding(
                Verdict.SUSPECT,
                "The line hardly moves: less than a two-thousandth of the recorder's range.",
                action=_ACTION,
                measured=swing,
                limit=limit,
            )
    return subject.finding(Verdict.OK, "The sensor answers.", measured=swing)

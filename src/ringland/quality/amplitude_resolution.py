"""Does the signal use enough of the converter's counts."""

import math

from ringland.model import QualityFinding, Verdict
from ringland.quality._types import Limit, Subject, exact, not_checked

__all__ = ["LIMITS", "check"]

FEW = Limit(
    32.0,
    "1",
    "counts across the swing; the rounding noise is one count over root 12",
    "bennett1948",
)
TOO_FEW = Limit(6.0, "1", "counts across the swing below which pulses are steps")
LIMITS = (FEW, TOO_FEW)


def check(subject: Subject) -> QualityFinding:
    """Swing over one count; the count is the recorder's, else the least step found."""
    facts = subject.facts
    assert facts is not None
    scan = facts.scan
    if scan.good < 16 or scan.flat:
        return not_checked(subject, facts.nothing or "there is nothing on the line")
    given = facts.channel.resolution
    count = given if given is not None and 0.0 < given < math.inf else scan.step_least
    counts = scan.swing / count if count > 0.0 else math.inf
    if not math.isfinite(counts):
        return not_checked(subject, "the size of one count cannot be told")
    measured = exact(counts, "1")
    if counts >= FEW.value:
        return subject.finding(
            Verdict.OK, "The signal uses enough counts.", measured=measured, limit=FEW.value
        )
    verdict = Verdict.UNUSABLE if counts < TOO_FEW.value else Verdict.SUSPECT
    return subject.finding(
        verdict,
        f"The whole signal is only {counts:.0f} counts of the recorder high: "
        f"rounding alone is {100.0 / math.sqrt(12.0) / counts:.1f} % of it.",
        action="Choose a smaller range on the recorder or more gain, and record again.",
        measured=measured,
        limit=FEW.value,
    )

"""A piece of the recording stands in it twice, bit for bit."""

from ringland.model import QualityFinding, Verdict
from ringland.quality._types import Limit, Subject, count_estimate, counted, not_checked

__all__ = ["LIMITS", "check"]

LEAST = Limit(256.0, "1", "samples in a row, bit for bit the same, that count as a repeat")
COMPUTED = Limit(0.25, "1", "share of repeated samples beyond which the signal itself repeats")
LIMITS = (LEAST, COMPUTED)


def check(subject: Subject) -> QualityFinding:
    """Report stretches found earlier in the recording, unless the whole signal is like that."""
    facts = subject.facts
    assert facts is not None
    if facts.nothing is not None:
        return not_checked(subject, facts.nothing)
    repeated = facts.repeated.total
    if repeated == 0:
        return subject.finding(
            Verdict.OK, "No piece stands in it twice.", measured=count_estimate(0), limit=0.0
        )
    if repeated > COMPUTED.value * facts.scan.count:
        return subject.finding(
            Verdict.NOT_CHECKED,
            "Not checked: the signal repeats itself bit for bit all along, as a computed one does, "
            "so a buffer written twice cannot be told.",
            measured=count_estimate(repeated),
        )
    return subject.finding(
        Verdict.SUSPECT,
        f"{counted(facts.repeated.start.size, 'piece')} ({repeated} samples) stand in it twice, "
        "bit for bit: the recorder wrote a buffer twice, and time is wrong from there on.",
        action="Close other programs or record at a lower rate, and record again.",
        measured=count_estimate(repeated),
        limit=0.0,
        spans_s=facts.spans_s(facts.repeated),
    )

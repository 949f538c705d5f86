"""The zero wanders while recording."""

import numpy as np

from ringland.model import QualityFinding, Verdict
from ringland.quality._types import Limit, Subject, exact, not_checked, with_unit

__all__ = ["LIMITS", "check"]

SHARE = Limit(0.5, "1", "wander of the half-second level over the swing of the pulses about it")
LIMITS = (SHARE,)
_PIECE_S = 0.5


def check(subject: Subject) -> QualityFinding:
    """Greatest minus least half-second mean, over the 1-99 % swing about those means."""
    facts = subject.facts
    assert facts is not None
    if facts.nothing is not None:
        return not_checked(subject, facts.nothing)
    piece = max(1, round(_PIECE_S * facts.slow_rate_hz))
    pieces = facts.scan.slow.size // piece
    if pieces < 2 or piece < 4:
        return not_checked(subject, "the recording is shorter than a second")
    blocks = facts.scan.slow[: pieces * piece].reshape(pieces, piece)
    level = blocks.mean(axis=1)
    centres = (np.arange(pieces) + 0.5) * piece - 0.5
    trend = np.interp(np.arange(pieces * piece), centres, level)
    about = blocks.ravel() - trend
    low, high = int(0.01 * (about.size - 1)), int(0.99 * (about.size - 1))
    about.partition((low, high))
    swing = float(about[high] - about[low])
    wander = float(level.max() - level.min())
    if not swing > 1e-12 * max(wander, 1e-290):
        return not_checked(subject, "there are no pulses to hold the wander against")
    measured = exact(wander / swing, "1")
    if wander <= SHARE.value * swing:
        return subject.finding(
            Verdict.OK, "The zero stands still.", measured=measured, limit=SHARE.value
        )
    return subject.finding(
        Verdict.SUSPECT,
        f"The zero wanders by {with_unit(wander, facts.channel.unit)}, "
        f"{wander / swing:.1f} times the swing of the pulses.",
        action="Let the sensor warm up, check that the hose does not fill or slip, record again.",
        measured=measured,
        limit=SHARE.value,
    )

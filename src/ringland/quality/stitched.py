"""The recording was put together from pieces: the pulses jump in time."""

import numpy as np

from ringland.model import Condition, QualityFinding, Verdict
from ringland.quality._jumps import JUMP, RESTLESS, SCATTER
from ringland.quality._types import Limit, Subject, counted, exact, not_checked

__all__ = ["LIMITS", "check"]

MOST_LIMIT = Limit(0.4, "1", "a jump nears half a turn, where it cannot be told from none")
TOGETHER = Limit(0.15, "s", "jumps on two channels this near are one join")
LIMITS = (JUMP, SCATTER, RESTLESS, MOST_LIMIT, TOGETHER)


def check(subject: Subject) -> QualityFinding:
    """Where the phase foreseen from before and from after differ by a jump."""
    facts = subject.facts
    assert facts is not None
    if facts.nothing is not None:
        return not_checked(subject, facts.nothing)
    if subject.recording.recording.condition is Condition.SNAP:
        return not_checked(subject, "in a snap the speed changes too fast to tell")
    jumps = facts.jumps
    if jumps is None or facts.track is None:
        return not_checked(subject, "the recording is too short, or no pulses were found")
    limit = jumps.limit
    if limit > MOST_LIMIT.value:
        return not_checked(subject, "the pulses come too irregularly to tell a jump")
    confirmed = _elsewhere_too(subject, jumps.time_s)
    times, sizes = jumps.time_s[confirmed], jumps.size_turns[confirmed]
    measured = exact(jumps.largest, "1")
    if times.size == 0:
        return subject.finding(
            Verdict.OK,
            "The pulses follow one another without a jump.",
            measured=measured,
            limit=limit,
        )
    start = facts.start_s
    half = 1.0 / facts.track.line_hz
    return subject.finding(
        Verdict.SUSPECT,
        f"The pulses jump in time in {counted(times.size, 'place')} "
        f"(by up to {float(sizes.max()):.2f} of their spacing): "
        "pieces are missing or were put together.",
        action="Use the recorder's own unbroken file; do not cut or join recordings.",
        measured=measured,
        limit=limit,
        spans_s=tuple((start + t - half, start + t + half) for t in times.tolist()),
    )


def _elsewhere_too(subject: Subject, times: np.ndarray) -> np.ndarray:
    """Which jumps another channel shows at the same moment; all when no other can tell.

    A join cuts every channel at once, so a jump on one alone is noise.
    """
    seen = [
        other.jumps.time_s
        for other in subject.recording.channels
        if other is not subject.facts
        and other.jumps is not None
        and other.jumps.limit <= MOST_LIMIT.value
    ]
    if not seen:
        return np.ones(times.size, dtype=bool)
    moments = np.concatenate(seen)
    return np.array([bool(np.any(np.abs(moments - t) < TOGETHER.value)) for t in times], dtype=bool)

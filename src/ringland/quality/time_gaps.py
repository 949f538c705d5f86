"""Gaps in the clock: channels that do not cover the same time, triggers that stop."""

import math

import numpy as np

from ringland.model import QualityFinding, Verdict
from ringland.quality._types import Limit, Subject, exact, not_checked
from ringland.signals import quantile

__all__ = ["LIMITS", "check"]

SHARE = Limit(0.01, "1", "largest part of the recording that a channel may lack")
LIMITS = (SHARE,)


def check(subject: Subject) -> QualityFinding:
    """Compare start and stop of all channels; look for triggers that stop half-way."""
    recording = subject.recording
    spans = {
        f.channel.name: (f.start_s, f.start_s + f.duration_s)
        for f in recording.channels
        if f.rate_ok and f.scan.count > 0
    }
    for trigger in recording.triggers:
        if math.isfinite(trigger.start_s) and math.isfinite(trigger.stop_s):
            spans.setdefault(trigger.name, (trigger.start_s, trigger.stop_s))
    if not spans:
        return not_checked(subject, "no channel has a usable clock")
    first = min(s for s, _ in spans.values())
    last = max(s for _, s in spans.values())
    whole = last - first
    if not (math.isfinite(whole) and whole > 0.0):
        return not_checked(subject, "the recording has no length")
    gaps: list[tuple[float, float]] = []
    names: list[str] = []
    for name, (start, stop) in spans.items():
        missing = [(a, b) for a, b in ((first, start), (stop, last)) if b - a > SHARE.value * whole]
        gaps += missing
        names += [name] * bool(missing)
    for trigger in recording.triggers:
        stops = _pauses(trigger.time_s)
        gaps += stops
        names += [trigger.name] * bool(stops)
    longest = max((b - a for a, b in gaps), default=0.0)
    measured = exact(longest / whole, "1")
    if not gaps:
        return subject.finding(
            Verdict.OK, "All channels cover the same time.", measured=measured, limit=SHARE.value
        )
    return subject.finding(
        Verdict.SUSPECT,
        f"Time is missing on {', '.join(dict.fromkeys(names))}: up to {longest:.3g} s.",
        action="Record all channels together with one recorder and one start; check the cables.",
        measured=measured,
        limit=SHARE.value,
        spans_s=tuple(sorted(gaps)),
    )


def _pauses(time_s: np.ndarray) -> list[tuple[float, float]]:
    """Intervals of a trigger more than 10 times its usual one."""
    if time_s.size < 6:
        return []
    interval = np.diff(time_s)
    pauses = np.flatnonzero(interval > 10.0 * quantile(interval, 0.75))
    return [(float(time_s[i]), float(time_s[i + 1])) for i in pauses.tolist()]

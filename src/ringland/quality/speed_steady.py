"""Is the speed steady enough for the way the engine is said to have been run."""

import numpy as np

from ringland.model import Condition, QualityFinding, Verdict
from ringland.quality._types import FloatArray, Limit, RecordingFacts, Subject, exact, not_checked
from ringland.signals import quantile

__all__ = ["LIMITS", "check"]

IDLE = Limit(0.12, "1", "spread (5 to 95 %) of speed over its mean, at idle")
HELD = Limit(0.06, "1", "the same at a held speed")
CRANKING = Limit(0.25, "1", "the same while cranking")
SNAP = Limit(0.3, "1", "least spread that makes a snap of the throttle")
LIMITS = (IDLE, HELD, CRANKING, SNAP)
_LIMIT = {
    Condition.IDLE: IDLE,
    Condition.HELD: HELD,
    Condition.CRANKING: CRANKING,
    Condition.SNAP: SNAP,
    Condition.UNKNOWN: CRANKING,
}
_SMOOTH = 8


def check(subject: Subject) -> QualityFinding:
    """Spread of the speed from cycle to cycle, or of the pulse rate when there are no cycles."""
    recording = subject.recording
    condition = recording.recording.condition
    speeds = _cycle_speeds(recording)
    if speeds is None:
        speeds = _pulse_rates(recording)
    if speeds is None:
        return not_checked(subject, "the speed cannot be followed yet")
    low, mean, high = (quantile(speeds, share) for share in (0.05, 0.5, 0.95))
    if not mean > 0.0:
        return not_checked(subject, "the speed cannot be followed yet")
    spread = float((high - low) / mean)
    limit = _LIMIT[condition].value
    measured = exact(spread, "1")
    if condition is Condition.SNAP:
        if spread >= limit:
            return subject.finding(
                Verdict.OK,
                "The speed rises as in a snap of the throttle.",
                measured=measured,
                limit=limit,
            )
        return subject.finding(
            Verdict.SUSPECT,
            "Said to be a snap of the throttle, but the speed changes by only "
            f"{100 * spread:.0f} %.",
            action="Snap the throttle during the recording, or say how the engine was run.",
            measured=measured,
            limit=limit,
        )
    if spread <= limit:
        return subject.finding(
            Verdict.OK,
            f"The speed stays within {100 * spread:.1f} %.",
            measured=measured,
            limit=limit,
        )
    return subject.finding(
        Verdict.SUSPECT,
        f"The speed changes by {100 * spread:.0f} % during the recording; "
        f"{100 * limit:.0f} % is the most for this.",
        action="Hold the speed steady, switch off air conditioning and other loads, record again; "
        "or say how the engine was run.",
        measured=measured,
        limit=limit,
    )


def _cycle_speeds(recording: RecordingFacts) -> FloatArray | None:
    cycles = recording.cycles
    if cycles is None or cycles.found < 4:
        return None
    duration = np.array([c.stop_s - c.start_s for c in cycles.cycles])
    duration = duration[duration > 0.0]
    return 1.0 / duration if duration.size >= 4 else None


def _pulse_rates(recording: RecordingFacts) -> FloatArray | None:
    """Rate of the strongest line through the recording, averaged over 8 knots, from the channel
    on which it is steadiest: noise only ever adds to it."""
    best: FloatArray | None = None
    least = np.inf
    for facts in recording.channels:
        track = facts.track
        if track is None or track.time_s.size < 6 * _SMOOTH:
            continue
        turns, time_s = track.line_turns, track.time_s
        rate = (turns[_SMOOTH:] - turns[:-_SMOOTH]) / (time_s[_SMOOTH:] - time_s[:-_SMOOTH])
        rate = np.asarray(rate[2:-2], dtype=np.float64) / track.line_hz
        spread = quantile(rate, 0.95) - quantile(rate, 0.05)
        if spread < least:
            best, least = rate, spread
    return best

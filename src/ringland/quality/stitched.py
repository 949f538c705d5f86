"""The recording was put together from pieces: the pulses jump in time."""

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from ringland.model import Condition, QualityFinding, Verdict
from ringland.quality._types import Limit, PhaseTrack, Subject, counted, exact, not_checked

__all__ = ["LIMITS", "check", "phase_jumps"]

JUMP = Limit(0.15, "1", "jump of the strongest line, in its own turns, that breaks the recording")
SCATTER = Limit(8.0, "1", "jump over the usual scatter of the same quantity")
RESTLESS = Limit(8.0, "1", "jump over the scatter about the straight lines beside it")
MOST_LIMIT = Limit(0.4, "1", "a jump nears half a turn, where it cannot be told from none")
TOGETHER = Limit(0.15, "s", "jumps on two channels this near are one join")
LIMITS = (JUMP, SCATTER, RESTLESS, MOST_LIMIT, TOGETHER)
_SIDE = 10
_GAP = 2


def check(subject: Subject) -> QualityFinding:
    """Where the phase foreseen from before and from after differ by a jump."""
    facts = subject.facts
    assert facts is not None
    if facts.nothing is not None:
        return not_checked(subject, facts.nothing)
    if subject.recording.recording.condition is Condition.SNAP:
        return not_checked(subject, "in a snap the speed changes too fast to tell")
    if facts.track is None or facts.track.time_s.size < 4 * (_SIDE + _GAP):
        return not_checked(subject, "the recording is too short, or no pulses were found")
    times, sizes, largest, limit = phase_jumps(facts.track)
    if limit > MOST_LIMIT.value:
        return not_checked(subject, "the pulses come too irregularly to tell a jump")
    confirmed = _elsewhere_too(subject, times)
    times, sizes = times[confirmed], sizes[confirmed]
    measured = exact(largest, "1")
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
    seen: list[np.ndarray] = []
    for other in subject.recording.channels:
        if other is subject.facts or other.track is None:
            continue
        if other.track.time_s.size < 4 * (_SIDE + _GAP):
            continue
        moments, _, _, limit = phase_jumps(other.track)
        if limit <= MOST_LIMIT.value:
            seen.append(moments)
    if not seen:
        return np.ones(times.size, dtype=bool)
    moments = np.concatenate(seen)
    return np.array([bool(np.any(np.abs(moments - t) < TOGETHER.value)) for t in times], dtype=bool)


def _inverse(x: np.ndarray) -> np.ndarray:
    """Inverse normal matrix of a straight line over points whose mean is zero."""
    return np.diag([1.0 / x.size, 1.0 / float(x @ x)])


def phase_jumps(track: PhaseTrack) -> tuple[np.ndarray, np.ndarray, float, float]:
    """(time_s, size in turns) of each jump, the largest difference anywhere, the limit used.

    At every knot a straight line through the 10 knots before and one through the 10 after (each
    2 knots off, because the filter smears) foresee the phase; their difference, less its running
    median, is the jump.
    """
    x = np.arange(_SIDE) - (_SIDE - 1) / 2
    ahead = _GAP + (_SIDE - 1) / 2
    weights = 1.0 / _SIDE + ahead * x / float(x @ x)  # value of the line at the knot, from before
    windows = sliding_window_view(track.line_turns, _SIDE)
    line = np.vstack([np.ones(_SIDE), x])
    rough = np.sqrt(np.mean(np.square(windows - windows @ line.T @ _inverse(x) @ line), axis=1))
    before, after = windows @ weights, windows @ weights[::-1]
    knots = np.arange(_SIDE + _GAP - 1, track.line_turns.size - _SIDE - _GAP + 1)
    jump = after[knots + _GAP] - before[knots - _SIDE - _GAP + 1]
    jump -= np.median(jump)
    scale = 1.4826 * float(np.median(np.abs(jump)))
    unrest = np.maximum(rough[knots + _GAP], rough[knots - _SIDE - _GAP + 1])
    strong = track.size[knots] > 0.25 * float(np.median(track.size))
    height = np.abs(jump)
    height[height < RESTLESS.value * unrest] = 0.0
    limit = max(JUMP.value, SCATTER.value * scale)
    times, sizes = [], []
    for i in np.flatnonzero(height > limit).tolist():
        near = slice(max(0, i - _SIDE), i + _SIDE + 1)
        if height[i] == height[near].max() and strong[near].mean() > 0.7:
            times.append(float(track.time_s[knots[i]]))
            sizes.append(float(height[i]))
    return np.asarray(times), np.asarray(sizes), float(height.max(initial=0.0)), limit

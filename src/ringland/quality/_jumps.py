"""Jumps of the phase of the pulses' strongest line: where a recording was put together."""

from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from ringland.model._arrays import read_only
from ringland.quality._types import FloatArray, Jumps, Limit, PhaseTrack
from ringland.signals import median

__all__ = ["JUMP", "RESTLESS", "SCATTER", "phase_jumps"]

JUMP = Limit(0.15, "1", "jump of the strongest line, in its own turns, that breaks the recording")
SCATTER = Limit(8.0, "1", "jump over the usual scatter of the same quantity")
RESTLESS = Limit(8.0, "1", "jump over the scatter about the straight lines beside it")
_SIDE = 10
_GAP = 2


@lru_cache(maxsize=1)
def _lines() -> tuple[FloatArray, FloatArray]:
    """What _SIDE knots are multiplied with: (knots,) for the value at the knot foreseen of the
    straight line through them, (knots, knots) for the line itself."""
    x: FloatArray = np.arange(_SIDE, dtype=np.float64) - (_SIDE - 1) / 2
    ahead = _GAP + (_SIDE - 1) / 2
    inverse = np.diag([1.0 / x.size, 1.0 / float(x @ x)])  # of the normal matrix
    line = np.vstack([np.ones(_SIDE), x])
    weights, fitted = 1.0 / _SIDE + ahead * x / float(x @ x), line.T @ inverse @ line
    return read_only(weights), read_only(fitted)


def phase_jumps(track: PhaseTrack) -> Jumps | None:
    """Jumps of a track; None when it is too short to tell.

    At every knot a straight line through the 10 knots before and one through the 10 after (each
    2 knots off, because the filter smears) foresee the phase; their difference, less its running
    median, is the jump.
    """
    if track.time_s.size < 4 * (_SIDE + _GAP):
        return None
    weights, fitted = _lines()
    windows = sliding_window_view(track.line_turns, _SIDE)
    rough = np.sqrt(np.mean(np.square(windows - windows @ fitted), axis=1))
    before, after = windows @ weights, windows @ weights[::-1]
    knots = np.arange(_SIDE + _GAP - 1, track.line_turns.size - _SIDE - _GAP + 1)
    jump = after[knots + _GAP] - before[knots - _SIDE - _GAP + 1]
    jump -= median(jump)
    scale = 1.4826 * median(np.abs(jump))
    unrest = np.maximum(rough[knots + _GAP], rough[knots - _SIDE - _GAP + 1])
    strong = track.size[knots] > 0.25 * median(track.size)
    height = np.abs(jump)
    height[height < RESTLESS.value * unrest] = 0.0
    limit = max(JUMP.value, SCATTER.value * scale)
    times, sizes = [], []
    for i in np.flatnonzero(height > limit).tolist():
        near = slice(max(0, i - _SIDE), i + _SIDE + 1)
        if height[i] == height[near].max() and strong[near].mean() > 0.7:
            times.append(float(track.time_s[knots[i]]))
            sizes.append(float(height[i]))
    return Jumps(np.asarray(times), np.asarray(sizes), float(height.max(initial=0.0)), limit)

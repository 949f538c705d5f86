"""Tooth edges to whole slots: the most even turning that explains the edge times.

Every interval between two teeth spans a whole number of slots. Which number is decided for the
whole train at once (dynamic programming): the slot duration may change only smoothly, so an
interval three times its neighbours is a gap of three slots, and an edge that would need the crank
to leap is not a tooth.
"""

import math

import numpy as np
from numba import njit

from ringland.model import EdgeTrain
from ringland.model._arrays import FloatArray, IntArray

__all__ = ["GAP_COST", "SPURIOUS_COST", "distinct_times", "label_slots"]

GAP_COST = 0.27
"""Price of an interval longer than one slot, in squared log-speed steps (own heuristic)."""

SPURIOUS_COST = 0.55
"""Price of leaving an edge out (own heuristic)."""

_SHORTEST_S = 1e-7
_LEAP_CAP = 1.2
_MAX_SLOTS = 6
_MAX_SKIP = 3


@njit(cache=True)
def _forward(
    time_s: FloatArray, gap_cost: float, spurious_cost: float
) -> tuple[FloatArray, IntArray]:  # pragma: no cover - compiled
    n = len(time_s)
    states = _MAX_SKIP * _MAX_SLOTS
    cost = np.full((n, states), np.inf)
    back = np.full((n, states), -1, dtype=np.int64)
    log_k = np.log(np.arange(1, _MAX_SLOTS + 1))
    log_slot = np.zeros((n, states))
    best_start = np.zeros(n)
    for i in range(n):
        best_start[i] = i * spurious_cost  # edges before the first tooth are left out at a price
    for i in range(1, n):
        for a in range(1, _MAX_SKIP + 1):
            j = i - a
            if j < 0:
                break
            step = time_s[i] - time_s[j]
            log_step = math.log(step) if step > 0.0 else -50.0
            for k in range(_MAX_SLOTS):
                s = (a - 1) * _MAX_SLOTS + k
                now = log_step - log_k[k]
                price = (a - 1) * spurious_cost
                if k > 0:
                    price += gap_cost * (1.0 + 0.05 * (k - 1))
                best = best_start[j] + price
                source = -1
                for q in range(states):
                    if cost[j, q] == np.inf:
                        continue
                    leap = now - log_slot[j, q]
                    total = cost[j, q] + min(leap * leap, _LEAP_CAP) + price
                    if total < best:
                        best = total
                        source = q
                cost[i, s] = best
                back[i, s] = source
                log_slot[i, s] = now
    return cost, back


@njit(cache=True)
def _trace(
    cost: FloatArray, back: IntArray, spurious_cost: float
) -> tuple[IntArray, IntArray, float]:  # pragma: no cover - compiled
    n, states = cost.shape
    best = np.inf
    at, state = 0, 0
    for i in range(n):
        for s in range(states):
            total = cost[i, s] + (n - 1 - i) * spurious_cost
            if total < best:
                best, at, state = total, i, s
    index = np.empty(n, dtype=np.int64)
    slots = np.empty(n, dtype=np.int64)
    count = 0
    while True:
        a = state // _MAX_SLOTS + 1
        index[count] = at
        slots[count] = state % _MAX_SLOTS + 1
        count += 1
        source = back[at, state]
        at -= a
        if source < 0:
            index[count] = at
            slots[count] = 0
            count += 1
            break
        state = source
    return index[:count][::-1].copy(), slots[:count][::-1].copy(), best


def distinct_times(edges: EdgeTrain, level: int) -> FloatArray:
    """Times of the edges to a level, in order; of edges less than 0.1 us apart the first."""
    time_s = edges.time_s[(edges.level_after == level) & np.isfinite(edges.time_s)]
    if np.any(time_s[1:] <= time_s[:-1]):
        time_s = np.unique(time_s)
    tick = np.floor((time_s - time_s[0]) / _SHORTEST_S) if len(time_s) else time_s
    return np.asarray(time_s[np.concatenate(([True], np.diff(tick) > 1))] if len(tick) else time_s)


def label_slots(time_s: FloatArray) -> tuple[IntArray, IntArray, float]:
    """Which edges are teeth and how many slots lie between them.

    `time_s` (n,), strictly increasing, n >= 4. Returns (index, slots, cost): `index` (m,) of the
    edges taken as teeth, `slots` (m,) from the tooth before (0 for the first), and the mean price
    per edge, lower for a train that is better explained.
    """
    cost, back = _forward(np.ascontiguousarray(time_s), GAP_COST, SPURIOUS_COST)
    index, slots, total = _trace(cost, back, SPURIOUS_COST)
    return index, slots, float(total) / len(time_s)

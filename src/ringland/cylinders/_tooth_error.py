"""Single teeth whose edge comes off its place, as next to the gap of a wheel."""

import numpy as np

from ringland.model import CycleSet
from ringland.model._arrays import FloatArray, IntArray

__all__ = ["corrected_angle_deg", "gaps_filled", "tooth_errors_deg"]

_FEWEST_SLOTS = 24
_FEWEST_REVOLUTIONS = 4
_MOST_TEETH = 8
_SMALLEST_SLOTS = 0.03
_WIDEST_GAP_SLOTS = 6


def corrected_angle_deg(cycles: CycleSet) -> FloatArray:
    """Crank angle of the knots (n,), freed of the errors of single teeth."""
    error = tooth_errors_deg(cycles)
    if len(error) == 0 or not np.any(error):
        return cycles.angle_deg
    _, slot = _slots(cycles, len(error))
    return np.asarray(np.maximum.accumulate(cycles.angle_deg + error[slot]))


def gaps_filled(
    time_s: FloatArray, angle_deg: FloatArray, step_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Knots with the teeth added that a wheel lacks, so that the ripple is not flattened there.

    Each is timed by the polynomial of degree 5 through three teeth on either side of the gap.
    `time_s`, `angle_deg` (n,), strictly increasing; `step_deg` one slot.
    """
    slots = np.round(np.diff(angle_deg) / step_deg).astype(np.int64)
    gaps = np.flatnonzero((slots > 1) & (slots <= _WIDEST_GAP_SLOTS))
    gaps = gaps[(gaps >= 2) & (gaps < len(angle_deg) - 3)]
    if len(gaps) == 0:
        return time_s, angle_deg
    around = gaps[:, None] + np.arange(-2, 4)
    nodes, times = angle_deg[around], time_s[around]
    near = nodes[:, -1] - nodes[:, 0] <= (slots[gaps] + 4 + _WIDEST_GAP_SLOTS) * step_deg
    gaps, nodes, times = gaps[near], nodes[near], times[near]
    new_time, new_angle = [time_s], [angle_deg]
    for j in range(1, _WIDEST_GAP_SLOTS):
        able = slots[gaps] > j
        at = (
            angle_deg[gaps[able]]
            + j * (angle_deg[gaps[able] + 1] - angle_deg[gaps[able]]) / (slots[gaps[able]])
        )
        new_angle.append(at)
        new_time.append(_lagrange(nodes[able], times[able], at))
    every_t, every_a = np.concatenate(new_time), np.concatenate(new_angle)
    order = np.argsort(every_a, kind="stable")
    every_t, every_a = every_t[order], every_a[order]
    if np.any(np.diff(every_t) <= 0.0):
        return time_s, angle_deg
    return every_t, every_a


def _lagrange(x: FloatArray, y: FloatArray, at: FloatArray) -> FloatArray:
    """Value at `at` (g,) of the polynomial through the nodes x, y (g, k) of each row."""
    value = np.zeros(len(at))
    for i in range(x.shape[1]):
        weight = np.ones(len(at))
        for j in range(x.shape[1]):
            if j != i:
                weight *= (at - x[:, j]) / (x[:, i] - x[:, j])
        value += weight * y[:, i]
    return value


def tooth_errors_deg(cycles: CycleSet) -> FloatArray:
    """How late the edge of each tooth comes, degrees, (slots,); 0 where nothing stands out.

    Each tooth is predicted by a cubic in time through its two neighbours on either side, and the
    median is taken over revolutions. The worst is corrected first, because it spoils the
    prediction of its neighbours. Only single teeth that stand out are corrected: a smooth error
    of the wheel cannot be told from the ripple of the speed. Empty for a wheel of fewer than 24
    slots, where the ripple itself bends between teeth.
    """
    if cycles.wheel is None or cycles.wheel.slots < _FEWEST_SLOTS or len(cycles.time_s) < 8:
        return np.zeros(0)
    turn = cycles.wheel.slots
    number, slot = _slots(cycles, turn)
    place = slot[2:-2]
    count = np.bincount(place, minlength=turn)
    able = count >= _FEWEST_REVOLUTIONS
    error = np.zeros(turn)
    if not np.any(able):
        return error
    order = np.argsort(place, kind="stable")
    groups = np.split(order, np.cumsum(count)[:-1])
    for _ in range(_MOST_TEETH):
        off = _off_cubic(cycles.time_s, number + error[slot])
        middle = np.array([np.median(off[g]) if len(g) else 0.0 for g in groups])
        middle[~able] = 0.0
        worst = int(np.argmax(np.abs(middle)))
        typical = 1.4826 * float(np.median(np.abs(middle[able])))
        if abs(middle[worst]) < max(_SMALLEST_SLOTS, 4.0 * typical):
            break
        error[worst] += middle[worst]
    return error * 360.0 / turn


def _slots(cycles: CycleSet, turn: int) -> tuple[FloatArray, IntArray]:
    """Running slot number of each knot, and its slot in the revolution from 0.

    Angle zero need not be a tooth: slot 0 is the one that begins within half a slot of it.
    """
    number = cycles.angle_deg * turn / 360.0
    part = np.angle(np.mean(np.exp(2j * np.pi * number))) / (2.0 * np.pi)
    number = number - part
    return number, np.round(number).astype(np.int64) % turn


def _off_cubic(time_s: FloatArray, number: FloatArray) -> FloatArray:
    """(t - cubic through two neighbours either side) over the slot duration there."""
    n = len(number)
    x = [number[k : n - 4 + k] for k in range(5)]
    t = [time_s[k : n - 4 + k] for k in range(5)]
    nodes = (0, 1, 3, 4)
    predicted = np.zeros(n - 4)
    for i in nodes:
        weight = np.ones(n - 4)
        for j in nodes:
            if j != i:
                weight *= (x[2] - x[j]) / (x[i] - x[j])
        predicted += weight * t[i]
    return np.asarray((t[2] - predicted) * (x[3] - x[1]) / (t[3] - t[1]))

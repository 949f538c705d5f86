"""Count the cycles in which a cylinder did not fire.

See docs/theory/misfire.md. A misfire changes a cylinder's part of the exhaust signal in a way that
depends on the path to the sensor, so no shape is assumed: the windows of one position over the
cycles are asked whether they come in two kinds. Healthy differences between cylinders do not
matter, since every position is compared with itself. Rate with a Wilson interval (Wilson, J. Am.
Stat. Assoc. 22 (1927) 209); the split is the threshold with the largest variance between classes
(Otsu, IEEE Trans. SMC 9 (1979) 62).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numba
import numpy as np
from numpy.typing import NDArray

from ringland.cylinders.missing_pulse import (
    FEWEST_OF_A_KIND,
    MissingPulse,
    is_elsewhere,
    missing_pulse,
    slows_by,
)
from ringland.model import AngleSignal, CylinderShare, Estimate, MisfireCount, unknown
from ringland.signals import column_medians

__all__ = [
    "FoundKinds",
    "count_misfires",
    "find_kinds",
    "none_beside_only_if_sure",
    "others_together",
    "two_kinds",
    "wilson_interval",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_Z95 = 1.959963984540054
_FEWEST_CYCLES = 8
# Separation, in standard deviations of one kind; the curve lies above what chance exceeds once in
# 2,000 positions (validation/two_kinds_by_chance.py).
_SEPARATION_FLOOR, _SEPARATION_SLOPE = 3.0, 82.0
# Beyond this, which chance exceeds once in 100, "none is missing" is not said either: a pulse that
# is out in half of the cycles may scatter as much as it differs.
_DOUBT_FLOOR, _DOUBT_SLOPE = 2.88, 43.0
_SURE = 0.995  # of whose pulse is heard where, to say that the one beside it misses none
_LEAST_CHANGE = 0.25  # the kinds must differ by this share of the usual window's own size
_COMPONENTS = 4
_PULSES_BEFORE = 3
_TINY = 1e-12
_BEGINNING = 20  # bins of a window, 60 degrees: to the pulse's height, and before the next begins
_ALIKE = 0.6
_NEARLY_ALL, _SOUND = 0.9, 0.8  # a pulse missing more often than this is weaker than that
_ONE_RUN = 0.6  # of the missing cycles in one run: scattered firings would break it up
_ALWAYS = 0.35  # strength below which a cylinder of one kind is taken never to fire
_SLOWER = 5.0  # standard errors by which the crank must slow or gain to say which kind is missing
_RISES = 0.5  # of the difference: its first lobe, to say the same
_WINDOW_BEFORE_DEG = 50.0
_WINDOW_DEG = 200.0
_LEAST_WINDOW_DEG = 80.0
_STEP_DEG = 3.0


def wilson_interval(count: int, total: int, z: float = _Z95) -> tuple[float, float]:
    """Wilson score interval of a proportion."""
    if total <= 0:
        return 0.0, 1.0
    p = count / total
    centre = (p + z * z / (2.0 * total)) / (1.0 + z * z / total)
    half = z * np.sqrt(p * (1.0 - p) / total + z * z / (4.0 * total**2)) / (1.0 + z * z / total)
    low, high = max(0.0, float(centre - half)), min(1.0, float(centre + half))
    return min(low, float(p)), max(high, float(p))  # rounding may not put the rate outside


@dataclass(frozen=True, eq=False)
class FoundKinds:
    """Positions of one channel whose pulses come in two kinds.

    `separation` (positions,); `missing` (cycles, positions): which firings lack their pulse;
    `cycle_index` (cycles,): index into CycleSet.cycles; `pulses`: by column, the pulse that is
    missing; `same_as`: columns whose missing cycles are those of another, clearer one; `elsewhere`:
    columns whose two kinds differ more where other pulses are heard; `doubtful`: columns of one
    kind as far as can be told, whose cycles are further apart than chance likes.
    """

    separation: FloatArray
    missing: BoolArray
    cycle_index: NDArray[np.int64]
    pulses: dict[int, MissingPulse]
    same_as: dict[int, int]
    elsewhere: frozenset[int]
    doubtful: frozenset[int]

    @property
    def clearest(self) -> int | None:
        """Column of the missing pulse that is told best; None where none is missing."""
        columns = [c for c in self.pulses if c not in self.same_as and c not in self.elsewhere]
        return max(columns, key=lambda c: float(self.separation[c]), default=None)


def find_kinds(
    signal: AngleSignal, arrival_deg: float, heard_deg: FloatArray, cycle_s: FloatArray | None
) -> FoundKinds | None:
    """Which pulses are missing in which cycles; None with too few cycles.

    `heard_deg` (positions,): firing angles; `arrival_deg`: how long after them pulses are heard.
    `cycle_s` (all cycles,): their durations where a trigger or a wheel tells them, else None.
    """
    pairs, index = _pairs(signal)
    if len(pairs) < _FEWEST_CYCLES:
        return None
    cycle_deg = _cycle_deg(signal)
    separation, missing = two_kinds(_windows(pairs, arrival_deg, heard_deg, cycle_deg))
    pulses: dict[int, MissingPulse] = {}
    for column in np.flatnonzero(missing.any(axis=0)).tolist():
        at = float(heard_deg[column])
        pulse = missing_pulse(
            pairs, missing[:, column], at_deg=at, arrival_deg=arrival_deg, cycle_deg=cycle_deg
        )
        if pulse is None:
            continue
        if _wrong_way_round(pulse, missing[:, column], index, cycle_s):
            missing[:, column] = ~missing[:, column]
            pulse = replace(pulse, rise=-pulse.rise)
        pulses[column] = pulse
    same_as = _heard_twice(separation, missing, index, heard_deg, cycle_deg)
    elsewhere = frozenset(c for c, pulse in pulses.items() if is_elsewhere(pulse))
    apart = separation > _DOUBT_FLOOR + _DOUBT_SLOPE / len(missing)
    doubtful = frozenset(np.flatnonzero(apart & ~missing.any(axis=0)).tolist())
    return FoundKinds(separation, missing, index, pulses, same_as, elsewhere, doubtful)


def _wrong_way_round(
    pulse: MissingPulse,
    missing: BoolArray,
    index: NDArray[np.int64],
    cycle_s: FloatArray | None,
) -> bool:
    """True where the cycles said to lack the pulse are those that have it."""
    if cycle_s is not None:
        around = np.clip(index[:, None] + np.array([-1, 0, 1]), 0, len(cycle_s) - 1)
        slower = slows_by(cycle_s[around], missing)
        if abs(slower) > _SLOWER:
            return slower < 0.0
    return pulse.rise < -_RISES


def count_misfires(
    signal: AngleSignal, share: CylinderShare, kinds: FoundKinds | None
) -> tuple[MisfireCount, ...]:
    """Missing firings per position of one channel."""
    if kinds is None:
        cycles = len(_pairs(signal)[0])
        return tuple(
            _unknown(share, p, cycles, f"{cycles} cycles, {_FEWEST_CYCLES} are needed")
            for p in share.positions
        )
    missing, index, same_as = kinds.missing, kinds.cycle_index, kinds.same_as
    cycles = len(missing)
    usual = column_medians(share.strength)
    out = []
    for column, position in enumerate(share.positions):
        missed = missing[:, column]
        if column in same_as:
            other = share.positions[same_as[column]]
            reason = f"its pulse changes in the same cycles as that of position {other}"
            out.append(_unknown(share, position, cycles, reason))
            continue
        if column in kinds.elsewhere:
            reason = "the cycles in which it changes differ more where other pulses are heard"
            out.append(_unknown(share, position, cycles, reason))
            continue
        if column in kinds.doubtful:
            reason = "its pulses may come in two kinds, too close together to be counted"
            out.append(_unknown(share, position, cycles, reason))
            continue
        if usual[column] >= _SOUND and others_together(missed):
            # the engine changed for a moment; a pulse nearly always missing is a weak one
            reason = "nearly all cycles are of one kind, and the few others lie together in time"
            out.append(_unknown(share, position, cycles, reason))
            continue
        if not missed.any() and usual[column] < _ALWAYS:
            # one kind only, and a weak one: it may be out altogether or burn badly
            reason = "weak in every cycle alike: firing badly and not at all look the same"
            out.append(_unknown(share, position, cycles, reason))
            continue
        low, high = wilson_interval(int(missed.sum()), cycles)
        out.append(
            MisfireCount(
                share.channel,
                position,
                int(missed.sum()),
                cycles,
                Estimate(float(missed.mean()), low, high, "1", coverage=0.95),
                _longest_run(missed),
                _repeat_ratio(missed),
                tuple(int(i) for i in index[missed]),
            )
        )
    return tuple(out)


def none_beside_only_if_sure(
    counts: Sequence[MisfireCount], sure: Mapping[int, float], order: Sequence[int]
) -> tuple[MisfireCount, ...]:
    """The counts of one channel; "none missing" beside a pulse that is missing is said only where
    it is sure whose pulse that is.

    `sure`: by firing position, probability that its pulse is its own; `order`: the positions as
    they are heard one after another. Where the way to the sensor is not known well the missing
    pulse may be the neighbour's.
    """
    beside: dict[int, int] = {}
    for place, position in enumerate(order):
        for other in (order[place - 1], order[(place + 1) % len(order)]):
            beside[other] = position if _missing(counts, position) else beside.get(other, 0)
    return tuple(_not_sure(count, beside.get(count.firing_position, 0), sure) for count in counts)


def _missing(counts: Sequence[MisfireCount], position: int) -> bool:
    return any(c.firing_position == position and c.missed > 0 for c in counts)


def _not_sure(count: MisfireCount, beside: int, sure: Mapping[int, float]) -> MisfireCount:
    if count.missed or count.rate.value is None or not beside or sure.get(beside, 1.0) >= _SURE:
        return count
    reason = (
        f"the pulse missing at position {beside} may be its own: where pulses are heard is not sure"
    )
    return replace(count, rate=unknown("1", reason))


def _heard_twice(
    separation: FloatArray,
    missing: BoolArray,
    index: NDArray[np.int64],
    heard_deg: FloatArray,
    cycle_deg: float,
) -> dict[int, int]:
    """Columns whose missing cycles are those of a neighbour that tells them better, and that one.

    Neighbours are heard within the length of a window; around the end of the cycle the one's pulse
    belongs to the cycle before. Coils that two cylinders share miss together as well, but those
    fire a whole turn apart.
    """
    found: dict[int, int] = {}
    clearest_first = np.argsort(-separation, kind="stable").tolist()
    for rank, column in enumerate(clearest_first):
        for clearer in clearest_first[:rank]:
            apart = float(heard_deg[column] - heard_deg[clearer])
            turns = round(apart / cycle_deg)  # -1, 0 or 1: cycles between the two pulses
            if abs(apart - turns * cycle_deg) > _WINDOW_DEG or clearer in found:
                continue
            one, other = _in_step(missing[:, column], missing[:, clearer], index, turns)
            if _alike(one, other):
                found[column] = clearer
                break
    return found


def _in_step(
    one: BoolArray, other: BoolArray, index: NDArray[np.int64], later: int
) -> tuple[BoolArray, BoolArray]:
    """The cycles of `one` for which `other` has the cycle `later` than it, and those."""
    at = np.searchsorted(index, index + later)
    there = (at < len(index)) & (index[np.minimum(at, len(index) - 1)] == index + later)
    return one[there], other[at[there]]


def _alike(one: BoolArray, other: BoolArray) -> bool:
    """True where two sets of cycles are nearly one (correlation of the two, phi)."""
    if not one.any() or not other.any() or one.all() or other.all():
        return False
    return bool(np.corrcoef(one, other)[0, 1] > _ALIKE)


def _unknown(share: CylinderShare, position: int, cycles: int, reason: str) -> MisfireCount:
    return MisfireCount(
        share.channel,
        position,
        0,
        cycles,
        unknown("1", reason),
        0,
        unknown("1", "no cycles were counted as missing"),
        (),
    )


def _cycle_deg(signal: AngleSignal) -> float:
    return float((signal.angle_deg[1] - signal.angle_deg[0]) * signal.values.shape[1])


def _pairs(signal: AngleSignal) -> tuple[FloatArray, NDArray[np.int64]]:
    """(cycles, 2 x angles) each cycle with the one after it, and the index of each cycle.

    Cycles whose successor is not there are left out: their late pulses are not heard.
    """
    index = np.asarray(signal.cycle_index)
    follows = np.flatnonzero(np.diff(index) == 1)
    pairs = np.concatenate([signal.values[follows], signal.values[follows + 1]], axis=1)
    return pairs, index[follows]


def _windows(
    pairs: FloatArray, arrival_deg: float, heard_deg: FloatArray, cycle_deg: float
) -> FloatArray:
    """(cycles, positions, angles) windows, means removed."""
    points = pairs.shape[1] // 2
    # of unevenly spaced pulses, the next one must not lie in this one's window
    gaps = np.diff(np.sort(heard_deg), append=heard_deg.min() + cycle_deg)
    closest = max(float(gaps.min()), _LEAST_WINDOW_DEG)
    reach = np.arange(0.0, min(_WINDOW_DEG, closest), _STEP_DEG)
    at = heard_deg[:, None] + arrival_deg - _WINDOW_BEFORE_DEG + reach[None, :]
    column = np.round(at / cycle_deg * points).astype(np.int64)
    joined = np.concatenate([pairs, pairs[:, points:]], axis=1)
    windows = joined[:, np.clip(column, 0, joined.shape[1] - 1)]
    return np.asarray(windows - windows.mean(axis=2, keepdims=True))


def two_kinds(windows: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Positions whose pulses come in two kinds from cycle to cycle.

    `windows` (cycles, positions, angles), each window's mean removed. Returns the separation
    (positions,) in standard deviations of one kind, and which firings are missing (cycles,
    positions); none where the separation is too small.

    Deviations from the position's own median; first principal components of all together; what
    the beginnings of the pulses before predict (ringing, change of speed) is taken out; best
    threshold along the position's own main directions. The missing kind is the one less like the
    other positions. The beginnings only: the end of a window may hold the start of the next pulse,
    which would explain itself away.
    """
    cycles, positions, width = windows.shape
    middle = column_medians(windows.reshape(cycles, -1)).reshape(positions, width)
    deviation = (windows - middle).reshape(cycles * positions, width)
    z = _main_components(deviation)
    begun = _main_components(deviation[:, :_BEGINNING])
    before = [
        np.vstack([np.zeros((k, begun.shape[1])), begun[:-k]]) for k in range(1, _PULSES_BEFORE + 1)
    ]
    known = np.hstack([*before, np.ones((len(z), 1))])
    own = (z - _predicted(z, known)).reshape(cycles, positions, -1)
    # what the regression used up counts as lost cycles
    effective = cycles * (1.0 - known.shape[1] / len(z))
    least = _SEPARATION_FLOOR + _SEPARATION_SLOPE / max(effective, 1.0)
    size_of_usual = float(np.sqrt((np.median(middle, axis=0) ** 2).mean()))
    separation = np.zeros(positions)
    missing = np.zeros((cycles, positions), dtype=np.bool_)
    by_position = (own - own.mean(axis=0)).swapaxes(0, 1)
    directions = np.linalg.svd(by_position, full_matrices=False)[2][:, :2]
    for b in range(positions):
        for direction in directions[b]:
            y = by_position[b] @ direction
            threshold, size = _split(y)
            if size > separation[b]:
                separation[b], missing[:, b] = size, y > threshold
        if separation[b] < least:
            missing[:, b] = False
            continue
        apart_rms = windows[missing[:, b], b].mean(axis=0) - windows[~missing[:, b], b].mean(axis=0)
        change = float(np.sqrt((apart_rms**2).mean())) / (size_of_usual + 1e-300)
        if change < _LEAST_CHANGE:
            missing[:, b] = False
            continue
        others = np.median(np.delete(middle, b, axis=0), axis=0) if positions > 1 else middle[b]
        away_high = float(((windows[missing[:, b], b].mean(axis=0) - others) ** 2).sum())
        away_low = float(((windows[~missing[:, b], b].mean(axis=0) - others) ** 2).sum())
        if away_low > away_high:
            missing[:, b] = ~missing[:, b]
    return separation, missing


def _predicted(z: FloatArray, known: FloatArray) -> FloatArray:
    """What `known` (rows, regressors), the last of them 1, predicts of `z` (rows, components).

    Ridge regression with coefficients of about 1 expected: a pulse leaves no more of itself in the
    next than it was. Without that, scatter of nearly no size explains away what comes and goes.
    """
    gram, cross = known.T @ known, known.T @ z
    shrink = np.ones(known.shape[1])
    shrink[-1] = 0.0
    ridge = z.var(axis=0)[:, None, None] * np.diag(shrink)
    fitted = np.linalg.solve(
        gram + ridge + _TINY * np.trace(gram) * np.diag(shrink), cross.T[..., None]
    )
    return np.asarray(known @ fitted[..., 0].T)


def _main_components(rows: FloatArray) -> FloatArray:
    """(rows, _COMPONENTS) first principal components."""
    _, vectors = np.linalg.eigh(np.cov(rows, rowvar=False))
    return np.asarray(rows @ vectors[:, ::-1][:, :_COMPONENTS])


@numba.njit(cache=True, error_model="numpy")
def _split(values: FloatArray) -> tuple[float, float]:  # pragma: no cover - compiled
    """Threshold with the largest variance between two classes, and how far apart their means then
    are, in standard deviations of one class (NaN when all values are one)."""
    s = np.sort(values)
    n = len(s)
    c = np.cumsum(s)
    best, j = -1.0, 0
    for i in range(max(FEWEST_OF_A_KIND, 1), n - max(FEWEST_OF_A_KIND, 1) + 1):
        between = i * (n - i) * (c[i - 1] / i - (c[n - 1] - c[i - 1]) / (n - i)) ** 2
        if between > best:
            best, j = between, i - 1
    threshold = 0.5 * (s[j] + s[j + 1])
    low, high = s[s <= threshold], s[s > threshold]
    scatter = np.sqrt(0.5 * (high.var() + low.var()))
    return threshold, (high.mean() - low.mean()) / (scatter + 1e-300)


def others_together(missing: BoolArray) -> bool:
    """True where nearly all cycles are missing and most of them in one run, (cycles,)."""
    return bool(
        missing.mean() > _NEARLY_ALL and _longest_run(missing) > _ONE_RUN * int(missing.sum())
    )


def _longest_run(missing: BoolArray) -> int:
    longest = run = 0
    for value in missing:
        run = run + 1 if value else 0
        longest = max(longest, run)
    return longest


def _repeat_ratio(missing: BoolArray) -> Estimate:
    """Rate after a missing cycle over the rate after a good one (log-normal interval)."""
    after_bad = missing[1:][missing[:-1]]
    after_good = missing[1:][~missing[:-1]]
    a, b = int(after_bad.sum()), int(after_good.sum())
    if len(after_bad) < 3 or len(after_good) < 3 or a == 0 or b == 0:
        return unknown("1", "too few missing cycles to say whether they come in runs")
    ratio = (a / len(after_bad)) / (b / len(after_good))
    se = np.sqrt(1 / a - 1 / len(after_bad) + 1 / b - 1 / len(after_good))
    return Estimate(
        float(ratio), float(ratio * np.exp(-1.645 * se)), float(ratio * np.exp(1.645 * se)), "1"
    )

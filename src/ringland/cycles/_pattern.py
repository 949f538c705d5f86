"""The pattern of a tooth wheel: what recurs every so many slots."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ringland.cycles._slots import label_slots
from ringland.model._arrays import FloatArray, IntArray

__all__ = [
    "EXTRA",
    "Pattern",
    "SlotTrain",
    "find_pattern",
    "pattern_marks",
    "recurrence",
    "slot_trains",
    "snapped",
]

EXTRA = -1
"""Kind of an event that is an edge between two slots (a wheel with an added tooth)."""

_POOR_FIT = 0.10
_LEAP = 0.7
_LONGEST_PATTERN = 400
_AS_GOOD = 0.78
_RECURS = 0.5
_COVERED = 0.7


@dataclass(frozen=True, eq=False)
class SlotTrain:
    """Edges of one polarity counted in slots while the crank turned without a break.

    `time_s`, `slot` (n,): teeth and their running slot number. `event_slot`, `event_kind` (m,):
    gaps (kind = slots spanned, at the tooth before it) and added edges (kind EXTRA, at their
    fractional slot). `uneven` when no whole number of slots explains the spacing, and the edges
    are merely counted.
    """

    time_s: FloatArray
    slot: IntArray
    event_slot: FloatArray
    event_kind: IntArray
    uneven: bool = False


@dataclass(frozen=True)
class Pattern:
    """What recurs every `slots` slots; slot 0 is the first tooth after the anchor event.

    `gaps` are (tooth before the gap, slots to the next tooth), the anchor last; `extras` the
    fractional slots of added teeth.
    """

    slots: int
    gaps: tuple[tuple[int, int], ...]
    extras: tuple[float, ...]


def slot_trains(time_s: FloatArray) -> tuple[tuple[SlotTrain, ...], float]:
    """Split edges of one polarity into spans without a stop, each counted in slots.

    Returns (trains with at least 8 teeth, longest first not guaranteed, mean price per edge).
    """
    index, slots, price = label_slots(time_s)
    if price > _POOR_FIT:
        index = np.arange(len(time_s))
        slots = np.ones(len(time_s), dtype=np.int64)
        slots[0] = 0
    teeth = time_s[index]
    duration = np.diff(teeth) / slots[1:]
    leap = 2.0 if price > _POOR_FIT else _LEAP
    breaks = np.flatnonzero(np.abs(np.diff(np.log(duration))) > leap) + 1
    edges = np.concatenate(([0], breaks, [len(teeth) - 1]))
    trains = []
    for first, last in pairwise(edges):
        if last - first < 8:
            continue
        own = slice(first, last + 1)
        number = np.cumsum(np.concatenate(([0], slots[first + 1 : last + 1])))
        trains.append(
            _with_events(time_s, teeth[own], number.astype(np.int64), uneven=price > _POOR_FIT)
        )
    return tuple(trains), price


def _with_events(
    edges_s: FloatArray, teeth_s: FloatArray, slot: IntArray, *, uneven: bool
) -> SlotTrain:
    wide = np.flatnonzero(np.diff(slot) > 1)
    inside = edges_s[(edges_s > teeth_s[0]) & (edges_s < teeth_s[-1])]
    added = inside[~np.isin(inside, teeth_s)]
    at = np.interp(added, teeth_s, slot.astype(np.float64))
    where = np.concatenate((slot[wide].astype(np.float64), at))
    kind = np.concatenate((np.diff(slot)[wide], np.full(len(added), EXTRA))).astype(np.int64)
    order = np.argsort(where, kind="stable")
    return SlotTrain(teeth_s, slot, where[order], kind[order], uneven)


def recurrence(where: FloatArray, kind: IntArray, period: float, tolerance: float) -> float:
    """Share of events that have one of the same kind a period later (NaN with fewer than 2)."""
    if len(where) < 2:
        return float("nan")
    due = where + period
    able = due <= where[-1] + tolerance
    if np.count_nonzero(able) < 1:
        return float("nan")
    hit = np.zeros(len(where), dtype=bool)
    for k in np.unique(kind):
        own = where[kind == k]
        mine = np.flatnonzero((kind == k) & able)
        near = np.searchsorted(own, due[mine])
        low = np.abs(own[np.clip(near - 1, 0, len(own) - 1)] - due[mine])
        high = np.abs(own[np.clip(near, 0, len(own) - 1)] - due[mine])
        hit[mine] = np.minimum(low, high) <= tolerance
    return float(np.count_nonzero(hit[able]) / np.count_nonzero(able))


def _candidate_periods(trains: tuple[SlotTrain, ...]) -> IntArray:
    found: list[FloatArray] = []
    for train in trains:
        for ahead in range(1, 9):
            for k in np.unique(train.event_kind):
                own = train.event_slot[train.event_kind == k]
                if len(own) > ahead:
                    found.append(own[ahead:] - own[:-ahead])
    if not found:
        return np.zeros(0, dtype=np.int64)
    step = np.round(np.concatenate(found)).astype(np.int64)
    step = step[(step >= 2) & (step <= _LONGEST_PATTERN)]
    values, counts = np.unique(step, return_counts=True)
    return np.asarray(values[counts >= max(2, 0.1 * counts.max(initial=0))], dtype=np.int64)


def find_pattern(trains: tuple[SlotTrain, ...]) -> Pattern | None:
    """The shortest arrangement of gaps and added teeth that recurs, or None for a plain wheel.

    Looked for one kind of event at a time, so that lost and stray edges, which make events of
    their own, do not hide it.
    """
    tried = [(_score(trains, int(period)), int(period)) for period in _candidate_periods(trains)]
    proven = [(score, period) for score, period in tried if score is not None]
    if not proven:
        return None
    best = max(score.proof for score, _ in proven)
    score, period = next(t for t in proven if t[0].proof >= _AS_GOOD * best)
    return _fold(max(trains, key=lambda train: len(train.time_s)), period, score.kind)


@dataclass(frozen=True)
class _Score:
    """How well events of one kind recur: share that do, the same discounted for few events."""

    share: float
    proof: float
    kind: int


def _score(trains: tuple[SlotTrain, ...], period: int) -> _Score | None:
    """The best recurring kind of event, None when no kind recurs.

    A kind recurs when half of its events come again a period later, or when, lost teeth apart,
    nearly every period has one at the same place.
    """
    best: _Score | None = None
    for kind in np.unique(np.concatenate([train.event_kind for train in trains])):
        hits, able, turns, covered = 0.0, 0, 0.0, 0.0
        for train in trains:
            where = train.event_slot[train.event_kind == kind]
            own_turns = max(0.0, (train.slot[-1] - train.slot[0]) / period)
            turns += max(0.0, own_turns - 1.0)
            place = np.round(where).astype(np.int64) % period
            covered += float(np.bincount(place, minlength=1).max(initial=0)) - own_turns / period
            share = recurrence(where, np.zeros(len(where), dtype=np.int64), period, 0.25)
            if np.isfinite(share):
                count = int(np.count_nonzero(where + period <= where[-1] + 0.25))
                hits += share * count
                able += count
        if able < max(2, 0.5 * turns):
            continue
        share = hits / able
        if share < _RECURS and (turns < 4 or covered < _COVERED * turns):
            continue
        wider = best is not None and share > best.share - 0.02 and kind > best.kind
        if best is None or share > best.share + 0.02 or wider:
            best = _Score(share, hits / (able + 2.0), int(kind))
    return best


def _zero_after(where: float, kind: int) -> float:
    """The first tooth after an event."""
    return where + kind if kind > 0 else float(np.ceil(where - 1e-9))


def _zeros(train: SlotTrain, kind: int) -> IntArray:
    """First tooth after each event of a kind."""
    where = train.event_slot[train.event_kind == kind]
    return np.array(sorted({int(_zero_after(w, kind)) for w in where}), dtype=np.int64)


def _fold(train: SlotTrain, period: int, kind: int) -> Pattern | None:
    """The pattern by vote over its repeats: what is there in half of them belongs to it."""
    zeros = _zeros(train, kind)
    chain = np.array(
        [sum(np.isin(z + period * np.arange(-4, 5), zeros, assume_unique=True)) for z in zeros]
    )
    first = int(zeros[int(np.argmax(chain))])
    known = zeros
    ahead = _walk(known, first, period, int(train.slot[-1]))
    back = _walk(known, first, -period, int(train.slot[0]))
    marks = np.array([m for m, _ in reversed(back)] + [first] + [m for m, _ in ahead])
    pairs = [(a, b) for a, b in pairwise(marks) if b - a == period]
    if not pairs:
        return None
    votes: dict[tuple[int, int], list[float]] = {}
    for a, b in pairs:
        inside = (train.event_slot >= a - 1e-9) & (train.event_slot < b - 1e-9)
        for where, k in zip(train.event_slot[inside], train.event_kind[inside], strict=True):
            key = (round(float(where) - a) if k > 0 else int(where - a), int(k))
            votes.setdefault(key, []).append(float(where) - a)
    events = [
        (float(np.median(places)), k)
        for (_, k), places in sorted(votes.items())
        if len(places) >= 0.5 * len(pairs)
    ]
    return _canonical(period, events) if events else None


def _canonical(period: int, events: list[tuple[float, int]]) -> Pattern:
    """The same pattern counted from the tooth after its widest gap, the longest run first."""
    turns = []
    for where, kind in events:
        zero = _zero_after(where, kind)
        turned = sorted(((w - zero) % period, k) for w, k in events)
        turns.append((kind, tuple((round(w, 2), k) for w, k in turned)))
    _, best = max(turns)
    gaps = tuple((round(w), k) for w, k in best if k > 0)
    extras = tuple(w for w, k in best if k == EXTRA)
    return Pattern(period, gaps, extras)


def _agreement(train: SlotTrain, pattern: Pattern, zero: float) -> int:
    wanted = [(float(g), k) for g, k in pattern.gaps] + [(e, EXTRA) for e in pattern.extras]
    count = 0
    for turn in (-pattern.slots, 0):
        for at, k in wanted:
            near = np.abs(train.event_slot - (zero + at + turn)) <= 0.3
            count += bool(np.any(near & (train.event_kind == k)))
    return count


def _anchor(pattern: Pattern) -> int:
    return pattern.gaps[-1][1] if pattern.gaps else EXTRA


def _clearest(train: SlotTrain, pattern: Pattern, zeros: IntArray) -> int:
    """The mark around which most of the pattern is seen."""
    return int(zeros[int(np.argmax([_agreement(train, pattern, z) for z in zeros[:60]]))])


def snapped(train: SlotTrain, pattern: Pattern) -> SlotTrain:
    """The train with gaps that were taken one slot too wide or too narrow set right.

    The edges on either side of a gap come off their place by up to half a slot on some sensors,
    so one gap alone can be read wrongly; where the pattern has a gap its width is known.
    """
    zeros = _zeros(train, _anchor(pattern))
    if len(zeros) == 0 or not pattern.gaps:
        return train
    first = _clearest(train, pattern, zeros)
    change = np.zeros(len(train.slot), dtype=np.int64)  # slots to add from this tooth on
    starts = dict(pattern.gaps)
    ends = {(g + k) % pattern.slots: k for g, k in pattern.gaps}
    wide = np.flatnonzero(np.diff(train.slot) > 1)
    ahead, behind = wide[train.slot[wide] >= first], wide[train.slot[wide] < first][::-1]
    # forward a gap is known by where it starts, backward by where it ends; the next gaps decide
    for order, known, edge, sign in ((ahead, starts, 0, 1), (behind, ends, 1, -1)):
        place = train.slot[order + edge] - first
        moved = 0
        for n, i in enumerate(order):
            due = known.get(int(place[n] + moved) % pattern.slots)
            off = 0 if due is None else sign * (due - int(train.slot[i + 1] - train.slot[i]))
            if abs(off) == 1 and _better(place[n + 1 : n + 4] + moved, off, known, pattern.slots):
                change[i + 1] += sign * off
                moved += off
    if not np.any(change):
        return train
    slot = train.slot + np.cumsum(change)
    extra = train.event_kind == EXTRA
    at = np.interp(train.event_slot[extra], train.slot, slot)
    after = np.flatnonzero(np.diff(slot) > 1)
    where = np.concatenate((slot[after].astype(np.float64), at))
    kind = np.concatenate((np.diff(slot)[after], train.event_kind[extra]))
    order = np.argsort(where, kind="stable")
    return SlotTrain(train.time_s, slot, where[order], kind[order], train.uneven)


def _better(places: IntArray, off: int, known: dict[int, int], period: int) -> bool:
    """True when the gaps that follow fall into place only if moved by `off` slots."""
    with_it = sum(int(p + off) % period in known for p in places)
    without = sum(int(p) % period in known for p in places)
    return with_it > without


def pattern_marks(train: SlotTrain, pattern: Pattern) -> tuple[IntArray, IntArray]:
    """Slots at which the pattern begins, walked from its clearest place both ways.

    Returns (slot of each mark, slots it was off the place where it was due: 0 when teeth were
    neither lost nor gained on the way).
    """
    zeros = _zeros(train, _anchor(pattern))
    if len(zeros) == 0:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    first = _clearest(train, pattern, zeros)
    back = _walk(zeros, first, -pattern.slots, int(train.slot[0]))
    ahead = _walk(zeros, first, pattern.slots, int(train.slot[-1]))
    marks = [m for m, _ in reversed(back)] + [first] + [m for m, _ in ahead]
    # a slip found while walking back belongs to the mark after it
    slips = [0] + [s for _, s in reversed(back)] + [s for _, s in ahead]
    return np.array(marks, dtype=np.int64), np.array(slips, dtype=np.int64)


def _walk(known: IntArray, start: int, step: int, limit: int) -> list[tuple[int, int]]:
    """(mark, slip) from `start` in steps; a mark not seen is taken to be where it was due."""
    found: list[tuple[int, int]] = []
    at, seen = start, 0
    while (at + step - limit) * np.sign(step) <= 0:
        due = at + step
        near = known[np.abs(known - due) <= 2]
        slip = 0 if len(near) == 0 else int(near[np.argmin(np.abs(near - due))] - due)
        if slip and not np.any(known == due + slip + step):
            slip = 0  # only a slip that the next repeat confirms
        at = due + slip
        found.append((at, abs(slip)))
        if slip:  # it may have happened anywhere since the last mark seen
            found[seen:] = [(mark, abs(slip)) for mark, _ in found[seen:]]
        if np.any(known == at):
            seen = len(found)
    return found

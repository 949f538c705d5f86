"""Crank angle from a tooth wheel whose pattern is found, not configured."""

from dataclasses import dataclass
from math import log

import numpy as np

from ringland.cycles._pattern import (
    EXTRA,
    Pattern,
    SlotTrain,
    find_pattern,
    pattern_marks,
    recurrence,
    slot_trains,
    snapped,
)
from ringland.cycles._ripple import firing_period_slots
from ringland.cycles._slots import distinct_times
from ringland.cycles._tooth_cycles import cycle_set_of
from ringland.cycles._tooth_types import ToothResult, ToothSpan
from ringland.cycles.edges import edges_of_channel
from ringland.cycles.trigger import trigger_pulses
from ringland.model import (
    ChannelRole,
    CycleSet,
    EdgeTrain,
    EngineSpec,
    Recording,
    ToothWheel,
)
from ringland.model._arrays import FloatArray, IntArray

__all__ = ["ToothResult", "ToothSpan", "cycle_set_from_teeth", "find_teeth"]

_FEWEST_EDGES = 12
_MOST_UNEVEN_TEETH = 12
_MOST_REPEATS = 6
_EXTRA_SLOTS = 0.3
_HINT_LOG = 0.3
_RIPPLE_ERROR = 0.04
_STEADY_CYCLES = 0.15
_SLOWEST_RPM = 30.0
_FASTEST_RPM = 12000.0
_LONGEST_CAM_SLOTS = 400
_MOST_SLOTS = 120
"""No wheel with gaps has more (common practice, no source)."""
_FEWEST_TRIGGERS = 4
_UNSTEADY_TRIGGER = 0.05
_FEWEST_PLAIN = 16
"""A plain wheel of fewer slots is not told by a trigger of which nobody said how often it comes."""
_WHOLE_SLOTS = 0.3
"""Slots per revolution must come out whole within this, by the trigger."""


@dataclass(frozen=True)
class _Slots:
    """Slots per revolution, and how that was decided."""

    per_revolution: int
    reason: str
    cam_tells: bool


def find_teeth(
    edges: EdgeTrain,
    engine: EngineSpec,
    *,
    cam: EdgeTrain | None = None,
    ignition: EdgeTrain | None = None,
    speed_hint_rpm: float | None = None,
) -> ToothResult | str:
    """Find the wheel in an edge train; a string says why there is none to be found.

    The better of the two edge polarities is taken. `cam` is any train that repeats once per
    cycle, `ignition` a trigger that comes once or twice. Never raises on noise.
    """
    read = _better_polarity(edges)
    if isinstance(read, str):
        return read
    trains, rising = read
    uneven = trains[0].uneven
    pattern = None if uneven else find_pattern(trains)
    if pattern is not None:
        trains = tuple(snapped(train, pattern) for train in trains)
    slots = _slots_per_revolution(
        trains, pattern, engine, cam=cam, ignition=ignition, hint_rpm=speed_hint_rpm
    )
    if isinstance(slots, str):
        return slots
    wheel = _wheel(pattern, slots.per_revolution, uneven=uneven)
    jitter_s = _edge_jitter_s(trains)
    spans = _spans(trains, pattern, slots, cam, jitter_s)
    if not spans:
        return "the crank never turned long enough for one revolution"
    notes = [f"{wheel.name} crank wheel found ({slots.reason})"]
    if uneven:
        notes.append(
            "the spacing of the few teeth cannot be told from the ripple of the speed: "
            "only whole revolutions are used"
        )
    speed = float(np.median(np.concatenate([s.speed_rpm for s in spans])))
    angle_se = jitter_s * speed * 6.0
    return ToothResult(wheel, rising, spans, jitter_s, angle_se, not uneven, tuple(notes))


def _better_polarity(edges: EdgeTrain) -> tuple[tuple[SlotTrain, ...], bool] | str:
    best: tuple[float, tuple[SlotTrain, ...], bool] | None = None
    for level in (1, 0):
        time_s = distinct_times(edges, level)
        if len(time_s) < _FEWEST_EDGES:
            continue
        trains, price = slot_trains(time_s)
        if trains and (best is None or price < best[0]):
            best = (price, trains, level == 1)
    if best is None:
        return f"too few edges on {edges.name} for a tooth wheel"
    return best[1], best[2]


def _at_cam(train: SlotTrain, cam: EdgeTrain) -> tuple[FloatArray, IntArray]:
    inside = (cam.time_s >= train.time_s[0]) & (cam.time_s <= train.time_s[-1])
    where = np.interp(cam.time_s[inside], train.time_s, train.slot.astype(np.float64))
    return where, cam.level_after[inside]


def _cam_period(trains: tuple[SlotTrain, ...], step: int, cam: EdgeTrain) -> int | None:
    """Slots after which the cam repeats, a multiple of `step`; None when it does not."""
    train = max(trains, key=lambda t: len(t.time_s))
    where, level = _at_cam(train, cam)
    # a lone variable-reluctance cam pulse wanders with speed, a fine cam code must not be blurred
    room = 0.3 * min((_close_spacing(where[level == v]) for v in (0, 1)), default=0.0)
    fine = 0.15 if train.uneven else 0.4
    for count in range(1, 1 + _LONGEST_CAM_SLOTS // step):
        period = count * step
        if period < 2 or len(where) < 3 or where[-1] - where[0] < period:
            continue
        tolerance = float(np.clip(room, fine, max(fine, 0.05 * period)))
        if recurrence(where, level, period, tolerance) >= 0.8:
            return round(_mean_period(where[level == 1], period, tolerance) / step) * step
    return None


def _close_spacing(where: FloatArray) -> float:
    return float(np.quantile(np.diff(where), 0.1)) if len(where) > 1 else np.inf


def _mean_period(where: FloatArray, period: float, tolerance: float) -> float:
    gaps = where[None, :] - where[:, None]
    near = gaps[np.abs(gaps - period) <= tolerance]
    return float(np.median(near)) if len(near) else period


def _slots_per_revolution(
    trains: tuple[SlotTrain, ...],
    pattern: Pattern | None,
    engine: EngineSpec,
    *,
    cam: EdgeTrain | None,
    ignition: EdgeTrain | None,
    hint_rpm: float | None,
) -> _Slots | str:
    step = pattern.slots if pattern else 1
    train = max(trains, key=lambda t: len(t.time_s))
    slot_rate = float((train.slot[-1] - train.slot[0]) / (train.time_s[-1] - train.time_s[0]))
    found = None if cam is None else _from_cam(trains, step, cam, engine)
    if found is None and ignition is not None:
        found = _from_trigger(train, pattern, ignition, engine, hint_rpm)
    if found is None and hint_rpm is not None and pattern is None:
        turn = max(1, round(slot_rate * 60.0 / hint_rpm))
        found = _Slots(turn, "slots per revolution from the speed given", False)
    if found is None or not _plausible(slot_rate, found.per_revolution, hint_rpm):
        found = _from_ripple(train, pattern, engine)
    if found is None or not _plausible(slot_rate, found.per_revolution, hint_rpm):
        return _from_gaps(slot_rate, pattern, hint_rpm)
    turns = engine.revolutions_per_cycle
    if train.uneven and not _recurs_unevenly(train, found.per_revolution * turns):
        return "the edges come at no regular interval"
    return found


def _from_cam(
    trains: tuple[SlotTrain, ...], step: int, cam: EdgeTrain, engine: EngineSpec
) -> _Slots | None:
    turns = engine.revolutions_per_cycle
    period = _cam_period(trains, step, cam)
    if period is None or period % turns or (period // turns) % step:
        return None
    return _Slots(period // turns, f"the cam repeats every {period} slots", turns == 2)


def _from_trigger(
    train: SlotTrain,
    pattern: Pattern | None,
    ignition: EdgeTrain,
    engine: EngineSpec,
    hint_rpm: float | None,
) -> _Slots | None:
    """From the slots between one pulse of the trigger and the next.

    Where nobody said whether it comes once or twice a cycle and both are possible, a wheel with
    gaps has one pattern per revolution; of a plain one the speed given decides, or the ripple: of
    the firing strokes, or once a cycle where one cylinder is weak. None where nothing does.
    """
    if train.uneven:
        return None
    pulses = trigger_pulses(ignition)
    if isinstance(pulses, str):
        return None
    inside = (pulses.time_s >= train.time_s[0]) & (pulses.time_s <= train.time_s[-1])
    where = np.interp(pulses.time_s[inside], train.time_s, train.slot.astype(np.float64))
    periods = np.diff(where) / np.maximum(pulses.count[inside][1:], 1)
    period = float(np.median(periods)) if len(periods) >= _FEWEST_TRIGGERS - 1 else 0.0
    if period <= 0.0 or np.median(np.abs(periods - period)) > _UNSTEADY_TRIGGER * period:
        return None
    step, turns = (pattern.slots if pattern else 1), engine.revolutions_per_cycle
    told = engine.trigger_pulses_per_cycle
    able = []
    for per_cycle in (1, turns) if told is None else (told,):
        due = period * per_cycle / turns
        turn = round(due / step) * step
        if turn and abs(due - turn) <= _WHOLE_SLOTS:
            able.append(turn)
    if pattern is None and told is None:
        able = _decided(able, train, engine, hint_rpm)
    if not able:
        return None
    return _Slots(able[0], "from the teeth between two pulses of the trigger", False)


def _decided(
    able: list[int], train: SlotTrain, engine: EngineSpec, hint_rpm: float | None
) -> list[int]:
    """Which of these numbers of slots a plain wheel has: by the speed given, or by the ripple, that
    of the firing strokes or, where one cylinder is weak, once a cycle."""
    able = [turn for turn in able if turn >= _FEWEST_PLAIN]
    if len(able) < 2:
        return able
    if hint_rpm is not None:
        rate = float((train.slot[-1] - train.slot[0]) / (train.time_s[-1] - train.time_s[0]))
        return [turn for turn in able if _plausible(rate, turn, hint_rpm)]
    ripple = _from_ripple(train, None, engine)
    if ripple is None:
        return []
    return [
        turn
        for turn in able
        for often in (1, engine.cylinders)
        if abs(ripple.per_revolution / (often * turn) - 1.0) < _RIPPLE_ERROR
    ]


def _from_ripple(train: SlotTrain, pattern: Pattern | None, engine: EngineSpec) -> _Slots | None:
    """From the firing frequency of an even-firing engine; None unless it says more than gaps do."""
    if train.uneven or not engine.even_firing:
        return None
    step = pattern.slots if pattern else 1
    firing = firing_period_slots(train.time_s, train.slot)
    if firing is None:
        return None
    due = firing * engine.cylinders / engine.revolutions_per_cycle
    turn = round(due / step) * step
    if turn == 0 or abs(due / turn - 1.0) > _RIPPLE_ERROR or (pattern and turn == step):
        return None
    if pattern and turn > _MOST_SLOTS:
        return None  # a weak cylinder swings the speed once a cycle, more than the firing strokes
    return _Slots(turn, "from the ripple of the firing strokes", False)


def _from_gaps(slot_rate: float, pattern: Pattern | None, hint_rpm: float | None) -> _Slots | str:
    if pattern is None:
        return (
            "the teeth are all alike, so how many make one revolution is not known: "
            "give the speed, or record a cam signal"
        )
    for repeats in range(1, _MOST_REPEATS + 1):
        if _plausible(slot_rate, pattern.slots * repeats, hint_rpm):
            why = "from its gaps" if repeats == 1 else "from its gaps and the speed given"
            return _Slots(pattern.slots * repeats, why, False)
    rpm = 60.0 * slot_rate / pattern.slots
    against = "is not possible" if hint_rpm is None else "does not agree with the speed given"
    return f"the wheel would turn at {rpm:.0f} rpm, which {against}"


def _recurs_unevenly(train: SlotTrain, period: int) -> bool:
    """True when an uneven spacing of few teeth comes again every `period` edges."""
    step = np.log(np.diff(train.time_s))
    if period > 2 * _MOST_UNEVEN_TEETH or len(step) < 3 * period:
        return False
    whole = train.time_s[::period]
    if float(np.median(np.abs(np.diff(np.log(np.diff(whole)))))) > _STEADY_CYCLES:
        return False
    level = np.convolve(step, np.ones(period) / period, mode="valid")
    own = step[period // 2 : period // 2 + len(level)] - level
    return float(np.corrcoef(own[:-period], own[period:])[0, 1]) > 0.5


def _plausible(slot_rate: float, turn: int, hint_rpm: float | None) -> bool:
    rpm = 60.0 * slot_rate / turn
    if hint_rpm is not None:
        return abs(log(rpm / hint_rpm)) < _HINT_LOG
    return _SLOWEST_RPM <= rpm <= _FASTEST_RPM


def _wheel(pattern: Pattern | None, turn: int, *, uneven: bool) -> ToothWheel:
    if pattern is None:
        return ToothWheel(f"{turn} teeth, uneven" if uneven else f"{turn}", turn, ())
    repeats = turn // pattern.slots
    missing = [
        start + j + turn_start
        for turn_start in range(0, turn, pattern.slots)
        for start, kind in pattern.gaps
        for j in range(1, kind)
    ]
    runs = sorted((kind - 1 for _, kind in pattern.gaps for _ in range(repeats)), reverse=True)
    name = f"{turn}" + "".join(f"-{run}" for run in runs)
    if pattern.extras:
        name += f"+{len(pattern.extras) * repeats}"
    return ToothWheel(name, turn, tuple(sorted(m % turn for m in missing)))


def _edge_jitter_s(trains: tuple[SlotTrain, ...]) -> float:
    """Standard deviation of one edge's time, from fourth differences inside runs of teeth."""
    values = []
    for train in trains:
        fourth = np.diff(train.time_s, n=4)
        whole = train.slot[4:] - train.slot[:-4] == 4
        values.append(fourth[whole])
    every = np.concatenate(values)
    if len(every) < 4:
        return float("nan") if len(every) == 0 else float(np.std(every) / np.sqrt(70.0))
    return float(1.4826 * np.median(np.abs(every)) / np.sqrt(70.0))


def _spans(
    trains: tuple[SlotTrain, ...],
    pattern: Pattern | None,
    slots: _Slots,
    cam: EdgeTrain | None,
    jitter_s: float,
) -> tuple[ToothSpan, ...]:
    turn = slots.per_revolution
    numbered = []
    for train in trains:
        if pattern is None:
            marks = np.arange(train.slot[0], train.slot[-1] + 1, turn)
            number = train.slot.astype(np.float64) - train.slot[0]
            lost: list[tuple[float, float]] = []
        else:
            marks, slips = pattern_marks(train, pattern)
            if len(marks) < 2:
                continue
            number, lost = _renumber(train, marks, slips, pattern)
        numbered.append((train, number, lost))
    if slots.cam_tells and cam is not None:
        shifts = _cycle_shift([(t, n) for t, n, _ in numbered], turn, cam)
    else:
        shifts = [None] * len(numbered)
    spans = []
    for (train, number, lost), shift in zip(numbered, shifts, strict=True):
        moved = _Numbered(train, number + (shift or 0.0), tuple(lost), shift is not None)
        span = _span(moved, turn, jitter_s)
        if span is not None:
            spans.append(span)
    return tuple(spans)


@dataclass(frozen=True, eq=False)
class _Numbered:
    """Teeth with slot numbers that count on through lost teeth."""

    train: SlotTrain
    number: FloatArray
    lost: tuple[tuple[float, float], ...]
    cycle_known: bool


def _renumber(
    train: SlotTrain, marks: IntArray, slips: IntArray, pattern: Pattern
) -> tuple[FloatArray, list[tuple[float, float]]]:
    """Slot numbers with the marks at multiples of the pattern; where teeth slipped, evened out.

    A repeat is lost when its count slipped, or when a tooth stands where the wheel has none.
    """
    step = pattern.slots
    due = np.arange(len(marks)) * float(step)
    slot = train.slot.astype(np.float64)
    number = np.interp(slot, marks, due)
    before, after = slot < marks[0], slot > marks[-1]
    number[before] = slot[before] - marks[0]
    number[after] = due[-1] + slot[after] - marks[-1]
    empty = [start + j for start, kind in pattern.gaps for j in range(1, kind)]
    whole = np.round(number).astype(np.int64)
    wrong = whole[np.isin(whole % step, empty)] // step
    repeats = set(wrong.tolist()) | {int(i) - 1 for i in np.flatnonzero(slips) if i > 0}
    added = np.interp(train.event_slot[train.event_kind == EXTRA], marks, due)
    for place in pattern.extras:  # an added tooth not seen was taken for one of the others
        seen = np.unique(
            np.round((added - place) / step)[
                np.abs((added - place + 0.5 * step) % step - 0.5 * step) <= _EXTRA_SLOTS
            ]
        )
        repeats |= set(range(len(marks) - 1)) - set(seen.astype(np.int64).tolist())
    return number, [(i * float(step), (i + 1) * float(step)) for i in sorted(repeats)]


def _cycle_shift(
    numbered: list[tuple[SlotTrain, FloatArray]], turn: int, cam: EdgeTrain
) -> list[float | None]:
    """Slots to add to each train so that its cycles start on the same revolution of the two."""
    places = []
    for train, number in numbered:
        inside = (cam.time_s >= train.time_s[0]) & (cam.time_s <= train.time_s[-1])
        where = np.interp(cam.time_s[inside], train.time_s, number)
        places.append((where, cam.level_after[inside]))
    lead = int(np.argmax([len(where) for where, _ in places]))
    where, level = places[lead]
    bins = 2 * turn
    lead_shape = _cam_shape(where, level, bins)
    rolled = np.roll(lead_shape, turn, axis=1)
    unlike = np.sum(np.abs(lead_shape - rolled)) >= 0.5 * np.sum(lead_shape + rolled)
    uneven = np.abs(lead_shape[:, :turn].sum(axis=1) - lead_shape[:, turn:].sum(axis=1))
    if not unlike and np.max(uneven) < 0.7:  # edges per cycle more in one revolution
        return [None] * len(numbered)
    # convention: the first revolution is the one with more cam rises, then falls, then earlier
    halves = [lead_shape[:, :turn], lead_shape[:, turn:]]
    ranks = [
        (float(np.round(h[1].sum())), float(np.round(h[0].sum())), -float(np.argmax(h[1])))
        for h in halves
    ]
    first = 0 if ranks[0] >= ranks[1] else turn
    shape = np.roll(lead_shape, -first, axis=1)
    shifts: list[float | None] = []
    for where, level in places:
        if len(where) == 0:
            shifts.append(None)
            continue
        own = _cam_shape(where, level, bins)
        same = float(np.sum(own * shape))
        other = float(np.sum(own * np.roll(shape, turn, axis=1)))
        shifts.append(0.0 if same >= other else float(turn))
    return shifts


def _cam_shape(where: FloatArray, level: IntArray, bins: int) -> FloatArray:
    """Cam edges per cycle on a soft grid of slots, (2 polarities, bins)."""
    shape = np.zeros((2, bins))
    cycles = max(1.0, (where[-1] - where[0]) / bins) if len(where) else 1.0
    for place, lev in zip(where, level, strict=True):
        low = int(np.floor(place))
        share = place - low
        shape[lev, low % bins] += (1.0 - share) / cycles
        shape[lev, (low + 1) % bins] += share / cycles
    return shape


def _span(numbered: _Numbered, turn: int, jitter_s: float) -> ToothSpan | None:
    train, number = numbered.train, numbered.number
    degrees = 360.0 / turn
    first = np.ceil(number[0] / turn)
    last = np.floor(number[-1] / turn)
    if last - first < 1:
        return None
    marks = np.arange(first, last + 1) * turn
    mark_s = np.interp(marks, number, train.time_s)
    bounds = np.searchsorted(number, marks - 1e-6)
    if train.uneven:
        time_s, angle = mark_s, marks * degrees
    else:
        time_s, angle = train.time_s, number * degrees
    if len(time_s) < 3:
        return None
    wide = np.concatenate(
        ([time_s[1] - time_s[0]], time_s[2:] - time_s[:-2], [time_s[-1] - time_s[-2]])
    )
    swept = np.concatenate(([angle[1] - angle[0]], angle[2:] - angle[:-2], [angle[-1] - angle[-2]]))
    speed = swept / wide / 6.0
    return ToothSpan(
        time_s=time_s,
        angle_deg=angle,
        speed_rpm=speed,
        speed_se_rpm=speed * np.sqrt(2.0) * (jitter_s if np.isfinite(jitter_s) else 0.0) / wide,
        mark_s=mark_s,
        teeth_per_revolution=np.diff(bounds),
        lost=tuple((a * degrees, b * degrees) for a, b in numbered.lost),
        cycle_known=numbered.cycle_known,
    )


def cycle_set_from_teeth(recording: Recording, engine: EngineSpec) -> CycleSet | str:
    """Cycles from the crank tooth train of a recording, or the reason why there are none.

    An ignition trigger in the same recording, if there is one, says where top dead centre is.
    """
    train = _train(recording, ChannelRole.CRANK_TOOTH)
    if train is None:
        return "no crank tooth signal in the recording"
    ignition = _train(recording, ChannelRole.IGNITION)
    found = find_teeth(
        train,
        engine,
        cam=_train(recording, ChannelRole.CAM),
        ignition=ignition,
        speed_hint_rpm=recording.speed_hint_rpm,
    )
    if isinstance(found, str):
        return found
    return cycle_set_of(found, engine, ignition=ignition)


def _train(recording: Recording, role: ChannelRole) -> EdgeTrain | None:
    train = recording.edge_train(role)
    channel = recording.channel(role)
    return train if train is not None or channel is None else edges_of_channel(channel)

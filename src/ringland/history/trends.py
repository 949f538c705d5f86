"""Trend of one metric of one cylinder over odometer or hours: slope, change points, time to limit.

Never a date without an interval, and "no trend" with the reason (ISO 13381-1). Pure functions over
plain frozen rows; see docs/theory/trends.md.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import stdtr, stdtrit

from ringland.history.charts import ewma
from ringland.model import Estimate, Sense, unknown
from ringland.report.numbers import decimals_for_width, write_number
from ringland.units import grouped

__all__ = [
    "ChangePoint",
    "Event",
    "EventKind",
    "Point",
    "Trend",
    "Wording",
    "against_others",
    "fan",
    "theil_sen",
    "told_range",
    "trend",
    "welch",
]

FEWEST_POINTS = 5
"""Below this no interval of a rank-based slope reaches 95 %: with four points the chance that all
of them rise by chance alone is 1 in 24."""

FURTHEST = 2.0
"""A projection is not told beyond this many times the span that was seen."""

_COVERAGE = 0.95  # of slope and of level; both together hold at least 90 % (Bonferroni)
_SHIFT_P = 0.05
_PASSED = "the limit is already passed"
EventKind = str  # "repair" or "engine_swap"


@dataclass(frozen=True)
class Point:
    """One visit: `x` odometer (km) or hours, the value and its standard error (unit of the
    metric); `standard_error` 0 when not known."""

    x: float
    value: float
    standard_error: float = 0.0
    label: str = ""


@dataclass(frozen=True)
class Event:
    """Something done at `x`. An `engine_swap` always starts anew, a `repair` when it shows."""

    x: float
    kind: EventKind
    words: str


@dataclass(frozen=True)
class ChangePoint:
    """What an event did to the level: after minus before, with a 90 % interval."""

    event: Event
    change: Estimate
    p_value: float | None
    shows: bool
    sentence: str


@dataclass(frozen=True)
class Wording:
    """How the sentence says it: the values times `factor` in `unit` (None: that of the metric), and
    what the limit is called."""

    limit: str = "limit"
    factor: float = 1.0
    unit: str | None = None


@dataclass(frozen=True)
class Trend:
    """`slope` per `per` of x and `level` at the newest visit, with intervals; `to_limit` how much
    further x may go until the limit is reached, unknown with the reason when there is no trend;
    `limit_passed` when the level is beyond it already. `smooth` are (x, EWMA) pairs. `used_from`: x
    from which visits count, after the last event that starts anew."""

    unit: str
    x_unit: str
    per: float
    slope: Estimate
    level: Estimate
    to_limit: Estimate
    limit: float | None
    has_trend: bool
    points: int
    used_from: float
    change_points: tuple[ChangePoint, ...]
    smooth: tuple[tuple[float, float], ...]
    sentence: str
    limit_passed: bool = False


def theil_sen(x: Sequence[float], y: Sequence[float]) -> tuple[float, float, float, float]:
    """Slope, its 95 % low and high, and the median intercept (Sen, J. Am. Stat. Assoc. 63 (1968)
    1379), by scipy. Needs two different x."""
    from scipy.stats import theilslopes

    found = theilslopes(y, x, alpha=_COVERAGE)
    return float(found[0]), float(found[2]), float(found[3]), float(found[1])


def welch(one: Sequence[float], two: Sequence[float]) -> tuple[float, float, float, float]:
    """Difference of means (two minus one), its standard error, degrees of freedom and two-sided
    p-value, variances unequal (Welch, Biometrika 34 (1947) 28)."""
    a, b = np.asarray(one, dtype=np.float64), np.asarray(two, dtype=np.float64)
    va, vb = float(np.var(a, ddof=1)) / len(a), float(np.var(b, ddof=1)) / len(b)
    difference, error = float(b.mean() - a.mean()), math.sqrt(va + vb)
    if error == 0.0:
        return difference, 0.0, 1.0, 1.0 if difference == 0.0 else 0.0
    degrees = (va + vb) ** 2 / (va**2 / (len(a) - 1) + vb**2 / (len(b) - 1))
    return difference, error, degrees, float(2.0 * stdtr(degrees, -abs(difference) / error))


def trend(
    points: Sequence[Point],
    *,
    unit: str,
    x_unit: str,
    sense: Sense,
    limit: float | None = None,
    events: Sequence[Event] = (),
    per: float = 10_000.0,
    wording: Wording | None = None,
) -> Trend:
    """The trend since the last event that started anew. Nothing is raised for few visits.

    `limit`: on the side of trouble; for a metric that is trouble on both sides its size.
    """
    wording = wording or Wording()
    ordered = sorted((p for p in points if math.isfinite(p.value)), key=lambda p: p.x)
    changes = tuple(
        _at_event(e, events, ordered, unit, wording) for e in sorted(events, key=lambda e: e.x)
    )
    anew = [c.event.x for c in changes if c.shows or c.event.kind == "engine_swap"]
    start = max(anew, default=-math.inf)
    used = [p for p in ordered if p.x >= start]
    smooth = _smooth(used)
    reason = _too_few(used, changes if anew else ())
    if reason:
        nothing = unknown(unit, reason)
        level = _only_level(used, unit)
        return Trend(
            unit, x_unit, per, nothing, level, unknown(x_unit, reason), limit, False, len(used),
            start, changes, smooth, f"No trend is told: {reason}.",
        )  # fmt: skip
    x, y = [p.x for p in used], [p.value for p in used]
    slope, low, high, _ = theil_sen(x, y)
    level = _level(used, slope, unit)
    if limit is not None and sense is Sense.BOTH:
        limit = math.copysign(limit, slope)
    to_limit, has = _time_to_limit(
        level, (slope, low, high), x, limit=limit, sense=sense, x_unit=x_unit
    )
    scaled = Estimate(slope * per, low * per, high * per, unit, coverage=_COVERAGE)
    found = Trend(
        unit,
        x_unit,
        per,
        scaled,
        level,
        to_limit,
        limit,
        has,
        len(used),
        start,
        changes,
        smooth,
        "",
    )
    passed = has and to_limit.reason == _PASSED
    return replace(found, sentence=_worded(found, wording), limit_passed=passed)


def _smooth(used: Sequence[Point]) -> tuple[tuple[float, float], ...]:
    if not used:
        return ()
    values = np.array([p.value for p in used])
    smoothed = ewma(values, start=float(values[0]))[1:]
    return tuple((p.x, float(v)) for p, v in zip(used, smoothed, strict=True))


def _too_few(used: Sequence[Point], changes: Sequence[ChangePoint]) -> str:
    since = f" since {changes[-1].event.words}" if changes else ""
    if len(used) < FEWEST_POINTS:
        visits = "visit" if len(used) == 1 else "visits"
        return f"{len(used)} {visits}{since}, {FEWEST_POINTS} are needed"
    if len({p.x for p in used}) < FEWEST_POINTS:
        return f"the visits{since} stand at too few different readings"
    return ""


def _only_level(used: Sequence[Point], unit: str) -> Estimate:
    if not used:
        return unknown(unit, "no visit has a value")
    last = used[-1]
    if last.standard_error <= 0.0:
        return unknown(unit, "one value without an interval says nothing of the level")
    return Estimate.from_se(last.value, last.standard_error, unit)


def _level(used: Sequence[Point], slope: float, unit: str) -> Estimate:
    """Level at the newest visit: median of the residuals about the slope, with the standard error
    of a median, not below what the visits' own intervals say."""
    newest = used[-1].x
    moved = np.array([p.value + slope * (newest - p.x) for p in used])
    middle = float(np.median(moved))
    scatter = max(
        1.4826 * float(np.median(np.abs(moved - middle))), 0.5 * float(np.std(moved, ddof=1))
    )
    own = float(np.median([p.standard_error for p in used]))
    error = 1.2533 * max(scatter, own) / math.sqrt(len(used))
    # the newest visit lies at the end of the line, where the slope's own error counts as well:
    # at the end of n equal steps a straight line's level has four times the variance of its middle
    half = float(stdtrit(len(used) - 2, 0.5 + 0.5 * _COVERAGE)) * 2.0 * error
    return Estimate(middle, middle - half, middle + half, unit, coverage=_COVERAGE)


def _time_to_limit(
    level: Estimate,
    slope: tuple[float, float, float],
    x: Sequence[float],
    *,
    limit: float | None,
    sense: Sense,
    x_unit: str,
) -> tuple[Estimate, bool]:
    """How far to the limit, and whether there is a trend towards it."""
    middle, low, high = slope
    rising = low > 0.0
    falling = high < 0.0
    if not rising and not falling:
        return unknown(x_unit, "the slope may be nothing: its interval holds zero"), False
    if limit is None:
        return unknown(x_unit, "no limit is set"), True
    assert level.value is not None and level.low is not None and level.high is not None
    away = {Sense.LOW: falling, Sense.HIGH: rising}.get(sense, (limit > level.value) == rising)
    if not away:
        return unknown(x_unit, "it moves away from the limit"), True
    sign = 1.0 if rising else -1.0
    gap = sign * (limit - level.value)
    nearest, furthest = sign * (limit - level.high), sign * (limit - level.low)
    if sign < 0.0:
        nearest, furthest = furthest, nearest
    slow, fast = sorted((abs(low), abs(high)))
    if furthest <= 0.0:
        return unknown(x_unit, _PASSED), True
    first, value, last = (
        max(0.0, nearest) / fast,
        max(0.0, gap) / abs(middle),
        max(furthest, 0.0) / slow,
    )
    span = max(x) - min(x)
    if first > FURTHEST * span:
        reason = (
            f"the limit is more than {_rough(first)} {x_unit} away, further than can be told from "
            f"{_rough(span)} {x_unit} of visits"
        )
        return unknown(x_unit, reason), True
    return Estimate(value, min(first, value), max(last, value), x_unit, coverage=0.90), True


def _at_event(
    event: Event, events: Sequence[Event], points: Sequence[Point], unit: str, wording: Wording
) -> ChangePoint:
    """Level after the event less the level before it, visits between neighbouring events only."""
    earlier = max((e.x for e in events if e.x < event.x), default=-math.inf)
    later = min((e.x for e in events if e.x > event.x), default=math.inf)
    before = [p for p in points if earlier <= p.x < event.x]
    after = [p for p in points if event.x <= p.x < later]
    if len(before) < 2 or len(after) < 2:
        known = [p.standard_error for p in (*before[-1:], *after[:1])]
        if len(before) >= 1 and len(after) >= 1 and min(known) > 0.0:
            return _by_intervals(event, before[-1], after[0], unit, wording)
        reason = f"{len(before)} visits before and {len(after)} after it, two each are needed"
        sentence = f"What {event.words} did cannot be told: {reason}."
        return ChangePoint(event, unknown(unit, reason), None, False, sentence)
    difference, error, degrees, p = welch([p.value for p in before], [p.value for p in after])
    half = float(stdtrit(degrees, 0.95)) * error
    change = Estimate(difference, difference - half, difference + half, unit)
    return _shown(event, change, p, wording)


def _by_intervals(
    event: Event, before: Point, after: Point, unit: str, wording: Wording
) -> ChangePoint:
    """One visit on either side: their own standard errors must carry it."""
    error = math.hypot(before.standard_error, after.standard_error)
    difference = after.value - before.value
    z = abs(difference) / error
    p = math.erfc(z / math.sqrt(2.0))
    return _shown(event, Estimate.from_se(difference, error, unit), p, wording)


def _shown(event: Event, change: Estimate, p: float, wording: Wording) -> ChangePoint:
    shows = p < _SHIFT_P
    value = change.value or 0.0
    way = "rose" if value > 0.0 else "fell"
    unit = change.unit if wording.unit is None else wording.unit
    size = f"{abs(wording.factor * value):.2g}" + ("" if unit == "1" else f" {unit}")
    said = f"At {event.words} the level {way} by {size}."
    if not shows:
        said = f"At {event.words} no change of the level is shown."
    return ChangePoint(event, change, p, shows, said)


def _worded(found: Trend, wording: Wording) -> str:
    """The trend in one sentence: slope with its interval, then how far to the limit, or why not."""
    slope, to = found.slope, found.to_limit
    assert slope.value is not None and slope.low is not None and slope.high is not None
    value, low, high = (wording.factor * v for v in (slope.value, slope.low, slope.high))
    unit = found.unit if wording.unit is None else wording.unit
    named = "" if unit == "1" else f" {unit}"
    places = _places(low, high)
    size = (
        f"{_signed(value, places)} ({_signed(low, places)} to {_signed(high, places)}){named} in "
        f"{grouped(found.per)} {found.x_unit}"
    )
    if not found.has_trend:
        return f"No trend: {size}, which may be nothing."
    if to.value is None or to.low is None or to.high is None:
        return f"It moves by {size}; {to.reason}.".replace("the limit", f"the {wording.limit}")
    assert found.limit is not None
    limit = wording.factor * found.limit
    at = f"{limit:+.3g}".replace("-", "\N{MINUS SIGN}") + named
    return (
        f"It moves by {size} and reaches the {wording.limit} of {at} in "
        f"{told_range(to.low, to.high)} {found.x_unit} if it goes on like this."
    )


def _signed(value: float, places: int) -> str:
    text = write_number(value, places)
    return text if text.startswith("\N{MINUS SIGN}") or float(text) == 0.0 else f"+{text}"


def _places(low: float, high: float) -> int:
    """Decimals for two figures of the width, and never more than three of the larger end."""
    most = max(abs(low), abs(high))
    if most <= 0.0:
        return 0
    return min(decimals_for_width(high - low), 2 - math.floor(math.log10(most)))


def told_range(low: float, high: float) -> str:
    """Two ends of an interval above 0, to two figures of its width: "90 000 to 320 000"."""
    places = _places(low, high)
    ends = [grouped(round(v, places), max(places, 0)) for v in (low, high)]
    if round(low, places) == 0.0:
        ends[0] = "0"
    return ends[0] if ends[0] == ends[1] else " to ".join(ends)


def _rough(value: float) -> str:
    """Two figures."""
    return grouped(float(f"{value:.2g}"))


def fan(
    found: Trend, newest_x: float, steps: int = 12
) -> tuple[tuple[float, float, float, float], ...]:
    """(x, low, middle, high) of the projection, widening; empty when there is no trend."""
    if not found.has_trend or found.slope.value is None or found.level.value is None:
        return ()
    assert found.slope.low is not None and found.slope.high is not None
    assert found.level.low is not None and found.level.high is not None
    seen = newest_x - (found.smooth[0][0] if found.smooth else newest_x)
    reach = found.to_limit.high if found.to_limit.high is not None else seen
    reach = min(reach, FURTHEST * seen)
    out = []
    for i in range(steps + 1):
        ahead = reach * i / steps
        turns = ahead / found.per
        out.append(
            (
                newest_x + ahead,
                found.level.low + found.slope.low * turns,
                found.level.value + found.slope.value * turns,
                found.level.high + found.slope.high * turns,
            )
        )
    return tuple(out)


def against_others(
    visits: Sequence[Sequence[tuple[int, Point]]], metric: str = ""
) -> dict[int, tuple[Point, ...]]:
    """Deviation from the median of the cylinders, visit by visit, by firing position.

    `visits`: for each visit its (firing position, point) pairs of one metric on one channel. Gain,
    hose and the day drop out, as in the comparison of before and after. With the id of a `metric`
    the standard error holds the spread from one hook-up to the next as well. Visits with fewer
    than three cylinders are left out.
    """
    from ringland.verify.spread import load_spreads

    spread = load_spreads().get(metric)
    found: dict[int, list[Point]] = {}
    for pairs in visits:
        if len(pairs) < 3:
            continue
        values = np.array([p.value for _, p in pairs])
        middle = float(np.median(values))
        common = 1.57 * float(np.median([p.standard_error for _, p in pairs])) ** 2 / len(pairs)
        level = float(np.sqrt(np.mean((values - middle) ** 2)))
        hook_up = spread.of_cylinder(level).sd if spread is not None else 0.0
        for position, p in pairs:
            error = math.sqrt(p.standard_error**2 + common + hook_up**2)
            found.setdefault(position, []).append(Point(p.x, p.value - middle, error, p.label))
    return {position: tuple(points) for position, points in found.items()}

"""Back to normal: an equivalence test, so that "nothing found" is never taken for "sound".

Two one-sided tests (Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657) in every metric that can
raise an alarm; all must hold (intersection-union, Berger, Technometrics 24 (1982) 295), so that the
error rate of the claim is that of one test. See docs/theory/verify.md, equation (14).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from scipy.special import stdtr

from ringland.model import MetricDefinition, Sense
from ringland.units import percent
from ringland.verify.before_after import Change, ChangeState, Comparison, Direction, compare
from ringland.verify.cells import (
    FOLLOWERS,
    LIMIT_METRICS,
    Deviation,
    Table,
    definition_of,
    half_width,
    level_of,
    table_of,
    total_error,
)
from ringland.verify.readings import Measured
from ringland.verify.repeatability import Repeatability, posterior_spread
from ringland.verify.spread import HookUpSpread, load_spreads

__all__ = ["CLAIM_RATE", "NormalState", "PlaceNormal", "back_to_normal", "equivalence_p", "margin"]

CLAIM_RATE = 0.05
"""Probability that a cylinder at the edge of the margin is called back to normal."""


class NormalState(StrEnum):
    """What can be said of one cylinder after the work."""

    SHOWN = "back_to_normal"
    NOT_SHOWN = "not_shown"
    NOT_NORMAL = "not_normal"


@dataclass(frozen=True)
class PlaceNormal:
    """One cylinder: the verdict, against what it was held, and what stands against it."""

    firing_position: int
    cylinder: int | None
    state: NormalState
    compared_with: str
    reasons: tuple[str, ...]
    sentence: str


def equivalence_p(difference: float, error: float, degrees: float, margin: float) -> float:
    """Larger p-value of the two one-sided tests "at least `margin` below" and "above"."""
    return float(
        max(
            stdtr(degrees, (difference - margin) / error),
            stdtr(degrees, -(difference + margin) / error),
        )
    )


def margin(definition: MetricDefinition) -> float:
    """How far from normal still counts as normal: the alert deviation; for rates, which are held
    against a limit of their own, the alarm limit (20 s cannot show less)."""
    if definition.id in LIMIT_METRICS:
        return definition.alarm_deviation
    return definition.alert_deviation


@dataclass(frozen=True)
class _Asked:
    """What every place is held against."""

    after: Measured
    baseline: Measured | None
    against: Comparison | None
    repeatability: Repeatability | None
    spreads: Mapping[str, HookUpSpread]
    keys: tuple[tuple[str, str], ...]


def back_to_normal(
    after: Measured,
    *,
    baseline: Measured | None = None,
    repeatability: Repeatability | None = None,
    spreads: Mapping[str, HookUpSpread] | None = None,
) -> tuple[PlaceNormal, ...]:
    """Every firing position of `after`, held against the engine's own sound `baseline` where that
    can be compared, else against the other cylinders of the same recording."""
    if after.not_judged is not None or not after.readings:
        return ()
    spreads = load_spreads() if spreads is None else spreads
    against = None
    if baseline is not None:
        against = compare(baseline, after, repeatability=repeatability, spreads=spreads)
        if against.refused:
            baseline, against = None, None
    keys = tuple(
        key
        for key in dict.fromkeys((r.metric, r.role) for r in after.readings)
        if key[0] not in FOLLOWERS and definition_of(key[0]) is not None and key[0] in spreads
    )
    asked = _Asked(after, baseline, against, repeatability, spreads, keys)
    places = {
        r.firing_position: r.cylinder for r in after.readings if r.firing_position is not None
    }
    return tuple(_place(position, places[position], asked) for position in sorted(places))


def _place(position: int, cylinder: int | None, asked: _Asked) -> PlaceNormal:
    reasons: list[str] = []
    beyond, checked = False, 0
    for metric, role in asked.keys:
        table = table_of(asked.after, metric, role)
        cell = table.cell(position)
        if cell is None:
            missing = [m for m in table.missing if m.firing_position == position]
            reasons.extend(f"{metric.replace('_', ' ')}: {m.reason}" for m in missing)
            continue
        checked += 1
        outside, why = _cell(table, cell, asked)
        beyond = beyond or outside
        reasons.extend(why)
    if not checked and not reasons:
        reasons.append("nothing was measured that could show it")
    state = NormalState.SHOWN
    if reasons:
        state = NormalState.NOT_NORMAL if beyond else NormalState.NOT_SHOWN
    return PlaceNormal(
        position,
        cylinder,
        state,
        "own cylinders" if asked.against is None else "own history",
        tuple(reasons),
        _words(position, cylinder, state, reasons),
    )


def _cell(table: Table, cell: Deviation, asked: _Asked) -> tuple[bool, list[str]]:
    """One metric of one place: whether it lies outside for certain, and what is against a claim."""
    definition = definition_of(table.metric)
    assert definition is not None  # keys hold declared metrics only
    position = cell.reading.firing_position
    change = _change_of(asked.against, table.metric, table.role, position)
    before = None
    compared = change is not None and change.state is not ChangeState.NOT_COMPARED
    if asked.baseline is not None and compared:
        before = table_of(asked.baseline, table.metric, table.role)
    old = before.cell(position) if before is not None else None
    own = None
    if asked.repeatability is not None:
        own = asked.repeatability.of_metric(table.metric, table.role)
    tables = [table] if before is None or old is None else [table, before]
    spread = posterior_spread(asked.spreads[table.metric], own, level_of(tables))
    errors = [cell.error] if old is None else [cell.error, old.error]
    difference = cell.value - (old.value if old is not None else 0.0)
    error = total_error(spread, *errors, recordings=len(tables))
    outside, why = _held(definition, difference, error, spread.degrees)
    reasons = [why] if why else []
    if (
        change is not None
        and change.state is ChangeState.CHANGED
        and change.direction is Direction.WORSE
    ):
        # beyond doubt worse than when it was sound, however little
        reasons.append(f"{definition.title.lower()} is worse than in the baseline")
    return outside, reasons


def _change_of(
    against: Comparison | None, metric: str, role: str, position: int | None
) -> Change | None:
    if against is None:
        return None
    return next(
        (
            c
            for c in against.changes
            if (c.metric, c.role, c.firing_position) == (metric, role, position)
        ),
        None,
    )


def _held(
    definition: MetricDefinition, difference: float, error: float, degrees: float
) -> tuple[bool, str]:
    """Whether the deviation lies beyond the margin for certain, and the reason against a claim."""
    limit, title = margin(definition), definition.title.lower()
    half = half_width(error, degrees)
    if definition.id in LIMIT_METRICS:
        # a rate cannot be too low
        if difference - half > limit:
            return True, f"{title} is beyond {percent(limit)} for certain"
        p = float(stdtr(degrees, (difference - limit) / error))
    else:
        wrong = {Sense.LOW: -difference, Sense.HIGH: difference}.get(
            definition.sense, abs(difference)
        )
        if wrong - half > limit:
            return True, f"{title} is further from normal than {percent(limit)} for certain"
        p = equivalence_p(difference, error, degrees, limit)
    if p < CLAIM_RATE:
        return False, ""
    return False, (
        f"{title} may still be off by more than {percent(limit)} "
        f"({percent(difference - half, sign=True)} to {percent(difference + half, sign=True)})"
    )


def _words(position: int, cylinder: int | None, state: NormalState, reasons: list[str]) -> str:
    place = f"Cylinder {cylinder}" if cylinder is not None else f"Position {position}"
    if state is NormalState.SHOWN:
        return f"{place} is back to normal: every metric lies within its limit, interval and all."
    first = reasons[0] if reasons else "no reason was recorded"
    if state is NormalState.NOT_NORMAL:
        return f"{place} is not back to normal: {first}."
    return f"{place} is not shown to be back to normal: {first}."

"""Before and after: did it change by more than the method can wobble?

Each metric of each cylinder, as its deviation from the others, after minus before, with an
interval; "changed" is held to an error rate over the whole table. See docs/theory/verify.md.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from scipy.special import stdtrit

from ringland.model import Estimate, MetricDefinition, natural_frequency, unknown
from ringland.units import percent
from ringland.verify.alike import Objection, Weight, moved_channels, objections
from ringland.verify.cells import (
    FOLLOWERS,
    LIMIT_METRICS,
    Table,
    as_estimate,
    definition_of,
    level_of,
    quieter_level,
    table_of,
    total_error,
    towards_trouble,
    two_sided_p,
)
from ringland.verify.readings import Measured
from ringland.verify.repeatability import Repeatability, posterior_spread
from ringland.verify.spread import HookUpSpread, Spread, load_spreads

__all__ = ["ERROR_RATE", "Change", "ChangeState", "Comparison", "Direction", "compare"]

ERROR_RATE = 0.05
"""Probability that any cell of a table is called changed when nothing changed."""


class ChangeState(StrEnum):
    """What can be said of one metric of one cylinder."""

    CHANGED = "changed"
    NOT_SHOWN = "no_change_shown"
    NOT_COMPARED = "not_compared"


class Direction(StrEnum):
    """Which way a change goes."""

    BETTER = "better"
    WORSE = "worse"
    NEITHER = "neither"


@dataclass(frozen=True)
class Change:
    """One cell. `before`, `after`: deviation from the other cylinders (`firing_position` None: the
    median of all cylinders; rates: the rate), `change` their difference, 90 % intervals that hold
    scatter within the recordings and from one hook-up to the next. `smallest_change`: what the
    change must exceed to count in a table of this size."""

    metric: str
    title: str
    role: str
    firing_position: int | None
    cylinder: int | None
    before: Estimate
    after: Estimate
    change: Estimate
    smallest_change: float | None
    p_value: float | None
    adjusted_p: float | None
    state: ChangeState
    direction: Direction
    sentence: str

    @property
    def leads(self) -> bool:
        """True when a change in this cell may name a cylinder."""
        return self.firing_position is not None and self.metric not in FOLLOWERS


@dataclass(frozen=True)
class Comparison:
    """The whole table. `refused` when it may not be compared at all; then `changes` is empty.

    `most_improved`: the cell whose cylinder improved most, when anything in the table changed;
    `certain` says whether that cell counts by itself.
    """

    before: str
    after: str
    engine: str
    cylinders: int
    objections: tuple[Objection, ...]
    changes: tuple[Change, ...] = ()
    error_rate: float = ERROR_RATE
    most_improved: Change | None = None
    certain: bool = False
    notes: tuple[str, ...] = ()

    @property
    def refused(self) -> bool:
        """True when the recordings may not be compared."""
        return any(o.weight is Weight.REFUSED for o in self.objections)

    @property
    def changed(self) -> tuple[Change, ...]:
        """The cells that changed, clearest first."""
        found = [c for c in self.changes if c.state is ChangeState.CHANGED]
        return tuple(sorted(found, key=lambda c: c.p_value or 0.0))

    @property
    def compared(self) -> int:
        """Number of cells compared."""
        return sum(c.state is not ChangeState.NOT_COMPARED for c in self.changes)


def compare(
    before: Measured,
    after: Measured,
    *,
    repeatability: Repeatability | None = None,
    spreads: Mapping[str, HookUpSpread] | None = None,
) -> Comparison:
    """Every cell that both recordings have. Nothing is raised for unlike recordings: the reasons
    stand in `objections`."""
    against = objections(before, after)
    empty = Comparison(before.name, after.name, before.engine, before.cylinders, against)
    if empty.refused:
        return empty
    spreads = load_spreads() if spreads is None else spreads
    left_out = {role for role, _ in moved_channels(before, after)}
    cells: list[Change] = []
    for metric, role in dict.fromkeys((r.metric, r.role) for r in before.readings):
        definition = definition_of(metric)
        if definition is None or metric not in spreads:
            continue
        one, two = table_of(before, metric, role), table_of(after, metric, role)
        if role in left_out:
            cells.extend(_not_compared(definition, one, "the pulses are heard elsewhere"))
            continue
        own = repeatability.of_metric(metric, role) if repeatability else None
        levels = (level_of((one,)), level_of((two,)), quieter_level((one, two)))
        each = tuple(posterior_spread(spreads[metric], own, level) for level in levels)
        cells.extend(_cells(definition, one, two, _Spreads(*each)))
        of_all = [spreads[metric].of_all(level) for level in levels]
        cells.extend(_all_cylinders(definition, one, two, of_all))
    judged = _judged(tuple(cells))
    return _with_most_improved(replace(empty, changes=judged, notes=_notes(repeatability)))


@dataclass(frozen=True)
class _Spreads:
    """Spread of the recording before, of that after, and of either had nothing changed."""

    before: Spread
    after: Spread
    unchanged: Spread


def _cells(definition: MetricDefinition, one: Table, two: Table, spread: _Spreads) -> list[Change]:
    found = []
    for cell in one.cells:
        position = cell.reading.firing_position
        other = two.cell(position)
        if other is None or (one.middle is None) != (two.middle is None):
            why = next((m.reason for m in two.missing if m.firing_position == position), "")
            found.append(_empty(definition, one, position, cell.reading.cylinder, why))
            continue
        change = _change(
            definition,
            one.role,
            (cell.value, cell.error),
            (other.value, other.error),
            spread,
        )
        found.append(replace(change, firing_position=position, cylinder=cell.reading.cylinder))
    found.extend(
        _empty(definition, one, m.firing_position, m.cylinder, m.reason) for m in one.missing
    )
    return found


def _all_cylinders(
    definition: MetricDefinition, one: Table, two: Table, spreads: list[Spread | None]
) -> list[Change]:
    """The median of the cylinders, where it means something."""
    known = [s for s in spreads if s is not None]
    if one.middle is None or two.middle is None or len(known) < len(spreads):
        return []
    return [_change(definition, one.role, one.middle, two.middle, _Spreads(*known))]


def _change(
    definition: MetricDefinition,
    role: str,
    one: tuple[float, float],
    two: tuple[float, float],
    spread: _Spreads,
) -> Change:
    unit, difference = definition.unit, two[0] - one[0]
    degrees = spread.unchanged.degrees
    unchanged = total_error(spread.unchanged, one[1], two[1])
    error = math.hypot(
        total_error(spread.before, one[1], recordings=1),
        total_error(spread.after, two[1], recordings=1),
    )
    towards = towards_trouble(definition.sense, one[0], two[0])
    return Change(
        metric=definition.id,
        title=definition.title,
        role=role,
        firing_position=None,
        cylinder=None,
        before=_of_one(definition, one, spread.before),
        after=_of_one(definition, two, spread.after),
        change=as_estimate(difference, error, degrees, unit),
        # for now the standard error and degrees; the table's size is not known yet
        smallest_change=unchanged,
        p_value=two_sided_p(difference, unchanged, degrees),
        adjusted_p=degrees,
        state=ChangeState.NOT_SHOWN,
        direction=Direction.BETTER if towards < 0.0 else Direction.WORSE,
        sentence="",
    )


def _of_one(definition: MetricDefinition, cell: tuple[float, float], spread: Spread) -> Estimate:
    error = total_error(spread, cell[1], recordings=1)
    found = as_estimate(cell[0], error, spread.degrees, definition.unit)
    if definition.id in LIMIT_METRICS and found.low is not None:
        return replace(found, low=max(0.0, found.low))  # a rate cannot be below nothing
    return found


def _not_compared(definition: MetricDefinition, table: Table, why: str) -> list[Change]:
    return [
        _empty(definition, table, c.reading.firing_position, c.reading.cylinder, why)
        for c in table.cells
    ]


def _empty(
    definition: MetricDefinition, table: Table, position: int | None, cylinder: int | None, why: str
) -> Change:
    reason = why or "it was not measured in both recordings"
    nothing = unknown(definition.unit, reason)
    return Change(
        definition.id, definition.title, table.role, position, cylinder, nothing, nothing, nothing,
        None, None, None, ChangeState.NOT_COMPARED, Direction.NEITHER,
        f"{_place(position, cylinder)}: {definition.title.lower()} not compared, because {reason}.",
    )  # fmt: skip


def _judged(cells: tuple[Change, ...]) -> tuple[Change, ...]:
    """States held to the error rate over all cells (Bonferroni: valid however they depend, and
    each cell keeps a smallest change of its own that can be shown)."""
    count = sum(c.state is not ChangeState.NOT_COMPARED for c in cells)
    judged = []
    for cell in cells:
        if cell.p_value is None or cell.smallest_change is None or cell.adjusted_p is None:
            judged.append(cell)
            continue
        error, degrees = cell.smallest_change, cell.adjusted_p
        adjusted = min(1.0, count * cell.p_value)
        changed = adjusted < ERROR_RATE
        one = replace(
            cell,
            smallest_change=float(stdtrit(degrees, 1.0 - 0.5 * ERROR_RATE / count)) * error,
            adjusted_p=adjusted,
            state=ChangeState.CHANGED if changed else ChangeState.NOT_SHOWN,
            direction=cell.direction if changed else Direction.NEITHER,
        )
        judged.append(replace(one, sentence=_sentence(one)))
    return tuple(judged)


def _with_most_improved(table: Comparison) -> Comparison:
    """Which cylinder improved: the clearest improvement among the metrics that may name one."""
    if not table.changed:
        return table
    better = [
        c
        for c in table.changes
        if c.leads and c.p_value is not None and _towards_sound(c) and c.state is not None
    ]
    if not better:
        return table
    first = min(better, key=lambda c: c.p_value if c.p_value is not None else 1.0)
    return replace(table, most_improved=first, certain=first.state is ChangeState.CHANGED)


def _towards_sound(change: Change) -> bool:
    definition = definition_of(change.metric)
    if definition is None or change.before.value is None or change.after.value is None:
        return False
    return towards_trouble(definition.sense, change.before.value, change.after.value) < 0.0


def _place(position: int | None, cylinder: int | None) -> str:
    if position is None:
        return "All cylinders"
    return f"Cylinder {cylinder}" if cylinder is not None else f"Position {position}"


def _size(value: float, unit: str) -> str:
    return percent(abs(value)) if unit == "1" else f"{abs(value):.1f} {unit}"


def _sentence(cell: Change) -> str:
    place, title = _place(cell.firing_position, cell.cylinder), cell.title.lower()
    value, unit, least = cell.change.value or 0.0, cell.change.unit, cell.smallest_change or 0.0
    way = "up" if value > 0.0 else "down"
    if cell.state is ChangeState.CHANGED:
        verdict = "which is better" if cell.direction is Direction.BETTER else "which is worse"
        return (
            f"{place}: {title} is {way} by {_size(value, unit)}, {verdict}; {_size(least, unit)} "
            "would have counted."
        )
    return (
        f"{place}: no change of {title} is shown ({way} by {_size(value, unit)}; less than "
        f"{_size(least, unit)} cannot be told from a new hook-up)."
    )


def _notes(repeatability: Repeatability | None) -> tuple[str, ...]:
    rate = natural_frequency(ERROR_RATE)
    first = (
        f"If nothing had changed, any change at all would be claimed in {rate} comparisons at most."
    )
    if repeatability is None:
        return (
            first,
            "The spread from one hook-up to the next is that of simulated engines, not of this "
            "one. Repeats of your own make the comparison sharper: ringland repeatability.",
        )
    return (
        first,
        f"The spread from one hook-up to the next rests on {len(repeatability.recordings)} "
        "repeats of your own and on what is usual.",
    )

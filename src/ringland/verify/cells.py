"""One metric of one cylinder against the others, with all that makes it uncertain.

See docs/theory/verify.md, equations (9) to (13).
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr, stdtrit

from ringland.metrics import DEFINITIONS
from ringland.model import Estimate, MetricDefinition, Sense
from ringland.verify.readings import Measured, Reading
from ringland.verify.spread import Spread

__all__ = [
    "FOLLOWERS",
    "LIMIT_METRICS",
    "Deviation",
    "Table",
    "as_estimate",
    "definition_of",
    "half_width",
    "level_of",
    "quieter_level",
    "table_of",
    "total_error",
    "towards_trouble",
    "two_sided_p",
]

FOLLOWERS = frozenset({"exhaust_suction", "exhaust_cycle_scatter", "crankcase_pull"})
"""They follow other metrics; a change in them names no cylinder."""

LIMIT_METRICS = frozenset({"exhaust_misfire_rate"})
"""Rates with a meaning of their own: never held against the other cylinders."""

_FEWEST = 3
_MEDIAN = 1.57  # pi / 2: variance of a median over that of a mean
_BY_ID = {d.id: d for d in DEFINITIONS}


@dataclass(frozen=True)
class Deviation:
    """Value of one cylinder less the median of all on its channel (for rates: the value itself),
    and its standard error within the recording, both in the unit of the metric."""

    reading: Reading
    value: float
    error: float


@dataclass(frozen=True)
class Table:
    """One metric on one channel of one recording. `middle` (value, error) is the median of the
    cylinders, None where it is not taken off; `squares` the mean square deviation from it."""

    metric: str
    role: str
    cells: tuple[Deviation, ...]
    missing: tuple[Reading, ...]
    middle: tuple[float, float] | None
    squares: float

    def cell(self, position: int | None) -> Deviation | None:
        """The deviation at a firing position, or None."""
        return next((c for c in self.cells if c.reading.firing_position == position), None)


def definition_of(metric: str) -> MetricDefinition | None:
    """The declaration of a metric, None when this version has no such metric."""
    return _BY_ID.get(metric)


def table_of(measured: Measured, metric: str, role: str) -> Table:
    """Deviations of every position that has a value."""
    here = [r for r in measured.readings if r.metric == metric and r.role == role]
    known = [r for r in here if r.value is not None]
    missing = tuple(r for r in here if r.value is None)
    x = np.array([r.value for r in known], dtype=np.float64)
    errors = np.array([r.error for r in known])
    if metric in LIMIT_METRICS or len(known) < _FEWEST:
        cells = tuple(
            Deviation(r, float(v), float(e)) for r, v, e in zip(known, x, errors, strict=True)
        )
        return Table(metric, role, cells, missing, None, float(np.mean(x**2)) if len(x) else 0.0)
    middle = float(np.median(x))
    of_middle = float(np.sqrt(_MEDIAN / len(x)) * np.median(errors))
    return Table(
        metric,
        role,
        tuple(
            Deviation(r, float(v - middle), float(np.hypot(e, of_middle)))
            for r, v, e in zip(known, x, errors, strict=True)
        ),
        missing,
        (middle, of_middle),
        float(np.mean((x - middle) ** 2)),
    )


def level_of(tables: Iterable[Table]) -> float:
    """Root mean square deviation of the cylinders over these recordings, unit of the metric."""
    return float(np.sqrt(np.mean([t.squares for t in tables])))


def quieter_level(tables: Iterable[Table]) -> float:
    """The smaller level of these recordings: how far cells would move had nothing changed. The
    deviation that a fault makes in one of them must not hide its own cure."""
    return min(level_of((t,)) for t in tables)


def two_sided_p(difference: float, error: float, degrees: float) -> float:
    """Probability of so large a difference either way when there is none (Student's t)."""
    return float(2.0 * stdtr(degrees, -abs(difference) / error))


def half_width(error: float, degrees: float, coverage: float = 0.90) -> float:
    """Half of an interval with this coverage."""
    return float(stdtrit(degrees, 0.5 + 0.5 * coverage)) * error


def as_estimate(value: float, error: float, degrees: float, unit: str) -> Estimate:
    """Value with its 90 % interval."""
    half = half_width(error, degrees)
    return Estimate(value, value - half, value + half, unit)


def towards_trouble(sense: Sense, before: float, after: float) -> float:
    """How far a change goes towards trouble; negative is towards sound."""
    if sense is Sense.LOW:
        return before - after
    if sense is Sense.HIGH:
        return after - before
    return abs(after) - abs(before)


def total_error(spread: Spread, *errors: float, recordings: int = 2) -> float:
    """Standard error of a difference of `recordings` recordings (1: of one)."""
    return float(np.sqrt(recordings * spread.sd**2 + sum(e * e for e in errors)))

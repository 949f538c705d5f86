"""Repeatability of one engine's metrics from recordings with the sensors taken off and put back.

The ISO 5725-2 analysis of precision.py on each metric: a firing position is what is measured, the
recordings are its repeats. What is found replaces the spread that comes with the package as far as
the repeats carry (docs/theory/verify.md, equation (11)).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import cast

import numpy as np

from ringland.errors import BadInput, FileFormatError
from ringland.verify.alike import Weight, objections
from ringland.verify.cells import definition_of, level_of, table_of
from ringland.verify.precision import (
    cochran_critical,
    grubbs,
    grubbs_critical,
    mandel_k_critical,
    precision,
)
from ringland.verify.readings import Measured
from ringland.verify.spread import HookUpSpread, Spread

__all__ = [
    "MetricRepeatability",
    "Repeatability",
    "posterior_spread",
    "repeatability",
    "repeatability_as_json",
    "repeatability_from_json",
]

SCHEMA = "ringland.repeatability/1"
_FEWEST_FOR_GRUBBS = 3
_LEAST_POSITIONS = 2


@dataclass(frozen=True)
class MetricRepeatability:
    """One metric on one channel. `sd` is the repeatability standard deviation of a deviation from
    the other cylinders, `within_sd` the part that cycle-to-cycle scatter explains, `limit` the
    repeatability limit r, `level` how much the cylinders differ, all in `unit`. `remarks` point
    at what Cochran's, Mandel's or Grubbs' statistic finds odd; nothing is left out for it."""

    metric: str
    role: str
    unit: str
    positions: int
    sd: float
    within_sd: float
    limit: float
    level: float
    degrees: int
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True)
class Repeatability:
    """What was found, of which recordings."""

    engine: str
    condition: str
    recordings: tuple[str, ...]
    metrics: tuple[MetricRepeatability, ...]
    notes: tuple[str, ...] = ()

    def of_metric(self, metric: str, role: str) -> MetricRepeatability | None:
        """The entry for a metric on a channel, or None."""
        return next((m for m in self.metrics if (m.metric, m.role) == (metric, role)), None)


def repeatability(repeats: Sequence[Measured]) -> Repeatability:
    """From at least two recordings of one engine that nothing was done to in between.

    Raises BadInput when they are fewer, or may not be compared with one another.
    """
    if len(repeats) < 2:
        raise BadInput(
            "Repeatability needs repeats.",
            got=f"{len(repeats)} recording",
            allowed="at least 2, better 5",
            remedy="Take the sensors off, put them back and record again.",
        )
    for other in repeats[1:]:
        refused = [o for o in objections(repeats[0], other) if o.weight is Weight.REFUSED]
        if refused:
            raise BadInput(
                f"{repeats[0].name} and {other.name} cannot be compared. {refused[0].sentence}",
                remedy=refused[0].remedy,
            )
    keys = dict.fromkeys((r.metric, r.role) for r in repeats[0].readings)
    found = [_one(repeats, metric, role) for metric, role in keys]
    warned = dict.fromkeys(
        o.sentence
        for other in repeats[1:]
        for o in objections(repeats[0], other)
        if o.weight is not Weight.REFUSED
    )
    return Repeatability(
        engine=repeats[0].engine,
        condition=repeats[0].condition,
        recordings=tuple(r.name for r in repeats),
        metrics=tuple(m for m in found if m is not None),
        notes=tuple(warned),
    )


def _one(repeats: Sequence[Measured], metric: str, role: str) -> MetricRepeatability | None:
    definition = definition_of(metric)
    tables = [table_of(r, metric, role) for r in repeats]
    places = [
        c.reading.firing_position
        for c in tables[0].cells
        if all(t.cell(c.reading.firing_position) is not None for t in tables)
    ]
    if definition is None or len(places) < _LEAST_POSITIONS:
        return None
    rows = [[t.cell(p) for t in tables] for p in places]
    cells = [[c.value for c in row if c is not None] for row in rows]
    errors = [c.error for row in rows for c in row if c is not None]
    found = precision(cells)
    centred = tables[0].middle is not None
    return MetricRepeatability(
        metric=metric,
        role=role,
        unit=definition.unit,
        positions=len(places),
        sd=found.repeatability_sd,
        within_sd=float(np.sqrt(np.mean(np.square(errors)))),
        limit=found.repeatability_limit,
        level=level_of(tables),
        # deviations from a common median are not all free
        degrees=max(1, found.degrees - (len(repeats) - 1 if centred else 0)),
        remarks=_remarks(cells, places, [r.name for r in repeats]),
    )


def _remarks(
    cells: list[list[float]], places: list[int | None], names: list[str]
) -> tuple[str, ...]:
    found, repeats = precision(cells), len(names)
    remarks = []
    worst = int(np.argmax(found.variances))
    for level, word in ((0.01, "an outlier at 1 %"), (0.05, "a straggler at 5 %")):
        if found.cochran > cochran_critical(len(cells), repeats, level):
            remarks.append(
                f"position {places[worst]} repeats worse than the others (Cochran "
                f"{found.cochran:.2f}, {word}; k {found.k[worst]:.1f}, 1 % limit "
                f"{mandel_k_critical(len(cells), repeats):.1f})"
            )
            break
    if repeats >= _FEWEST_FOR_GRUBBS:
        # a recording hooked up badly is off in every position: its mean square is looked at
        off = np.sqrt(np.mean((np.array(cells) - np.median(cells, axis=1)[:, None]) ** 2, axis=0))
        index, size = grubbs(off.tolist())
        if size > grubbs_critical(repeats, 0.05) and off[index] == off.max():
            remarks.append(
                f"{names[index]} differs from the other recordings (Grubbs {size:.2f}, 5 % limit "
                f"{grubbs_critical(repeats, 0.05):.2f}): look at how it was hooked up"
            )
    return tuple(remarks)


def posterior_spread(usual: HookUpSpread, own: MetricRepeatability | None, level: float) -> Spread:
    """The spread from one hook-up to the next: what is usual, and the repeats of this engine.

    The usual variance has `degrees` of freedom, the repeats bring theirs (scaled inverse
    chi-square). Repeats made at a lower level are scaled up to this one, never down.
    """
    spread = usual.of_cylinder(level)
    if own is None:
        return spread
    shown = max(0.0, own.sd**2 - own.within_sd**2)
    shown *= max(1.0, level / own.level) ** 2 if own.level > 0.0 else 1.0
    degrees = spread.degrees + own.degrees
    variance = (spread.degrees * spread.sd**2 + own.degrees * shown) / degrees
    return Spread(math.sqrt(variance), degrees)


def repeatability_as_json(found: Repeatability) -> dict[str, object]:
    """Plain data with a schema name; `repeatability_from_json` reads it back."""
    return {"schema": SCHEMA, **asdict(found)}


def repeatability_from_json(document: object) -> Repeatability:
    """Raises FileFormatError when it is not what `repeatability_as_json` makes."""
    if not isinstance(document, Mapping) or document.get("schema") != SCHEMA:
        raise FileFormatError(
            "The file holds no repeatability.",
            allowed=f"JSON with schema {SCHEMA}",
            remedy="Make one: ringland repeatability RECORDING RECORDING ... --json FILE.json",
        )
    try:
        entries = cast(list[Mapping[str, object]], document["metrics"])
        return Repeatability(
            engine=str(document["engine"]),
            condition=str(document["condition"]),
            recordings=tuple(str(n) for n in cast(list[object], document["recordings"])),
            metrics=tuple(_entry(e) for e in entries),
            notes=tuple(str(n) for n in cast(list[object], document.get("notes", []))),
        )
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise FileFormatError(
            "The repeatability file is damaged.",
            got=f"{type(error).__name__}: {error}",
            remedy="Make it again with ringland repeatability.",
        ) from error


def _entry(entry: Mapping[str, object]) -> MetricRepeatability:
    sd, within, limit, level = (
        float(cast(float, entry[k])) for k in ("sd", "within_sd", "limit", "level")
    )
    degrees = int(cast(int, entry["degrees"]))
    if degrees < 1 or not all(math.isfinite(n) and n >= 0.0 for n in (sd, within, limit, level)):
        raise ValueError("a standard deviation must be a number from 0 and degrees from 1")
    return MetricRepeatability(
        metric=str(entry["metric"]),
        role=str(entry["role"]),
        unit=str(entry["unit"]),
        positions=int(cast(int, entry["positions"])),
        sd=sd,
        within_sd=within,
        limit=limit,
        level=level,
        degrees=degrees,
        remarks=tuple(str(r) for r in cast(list[object], entry.get("remarks", []))),
    )

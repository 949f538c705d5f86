"""Misfire timeline: one row per cylinder, a tick for every cycle in which its pulse was missing."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ringland.figures import style
from ringland.figures.labels import position_tag
from ringland.model import Assignment, MisfireCount
from ringland.model._arrays import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["MisfireFigure", "MisfireRow", "compose", "draw", "prepare", "size_in"]


@dataclass(frozen=True, eq=False)
class MisfireRow:
    """One cylinder: cycle numbers (from 1) that missed, and how many of how many in words."""

    label: str
    missed_cycle: FloatArray
    counted: str


@dataclass(frozen=True, eq=False)
class MisfireFigure:
    """Rows in firing order, and the number of cycles found."""

    rows: tuple[MisfireRow, ...]
    cycles_found: int


def prepare(
    misfires: tuple[MisfireCount, ...], assignments: tuple[Assignment, ...], *, cycles_found: int
) -> MisfireFigure:
    """One row per count, sorted by firing position."""
    rows = tuple(
        MisfireRow(
            label=position_tag(assignments, m.firing_position),
            missed_cycle=np.array(m.events, dtype=np.float64) + 1.0,
            counted=f"{m.missed} of {m.cycles}" if m.rate.known else "not counted",
        )
        for m in sorted(misfires, key=lambda m: m.firing_position)
    )
    return MisfireFigure(rows, cycles_found)


def size_in(prepared: MisfireFigure) -> tuple[float, float]:
    """Width and height in inches."""
    return style.WIDTH_IN, 0.65 + 0.3 * max(len(prepared.rows), 1)


def compose(figure: "Figure", prepared: MisfireFigure) -> None:
    """Lay the figure out on a page-wide canvas."""
    height = figure.get_figheight()
    left, width = style.across(figure, 0.09, 0.75)
    draw(figure.add_axes((left, 0.5 / height, width, 1 - 0.6 / height)), prepared)


def draw(axes: "Axes", prepared: MisfireFigure) -> None:
    """Draw one line per cylinder with a tick per missed cycle, counts at the right."""
    for index, row in enumerate(prepared.rows):
        axes.hlines(index, 0.5, prepared.cycles_found + 0.5, color=style.RULE, linewidth=0.8)
        axes.vlines(
            row.missed_cycle, index - 0.36, index + 0.36, color=style.VERMILLION, linewidth=2
        )
        axes.text(
            1.015, index, row.counted, va="center",
            fontsize=style.SMALL_PT,
            transform=axes.get_yaxis_transform(),
        )  # fmt: skip
    axes.set_ylim(len(prepared.rows) - 0.4, -0.6)
    axes.set_xlim(0.5, max(prepared.cycles_found, 1) + 0.5)
    axes.set_yticks(range(len(prepared.rows)), [r.label for r in prepared.rows])
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.locator_params(axis="x", integer=True)
    axes.set_xlabel("Cycle")

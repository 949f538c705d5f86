"""Trend over odometer or hours: interval bars, repairs as ruled lines, a fan that widens."""

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ringland.figures import style
from ringland.model import Estimate
from ringland.model._arrays import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["TrendFigure", "TrendPoint", "compose", "draw", "prepare", "size_in"]


_LETTERS, _NARROW_LETTERS = 88, 46
_PLOT_IN, _LINE_IN = 2.82, 0.18
_SHORT = 24
_LETTER_SHARE, _NARROW_LETTER_SHARE = 0.0113, 0.0215
"""Width of a letter of a repair's name, as a share of the plot's width."""
_MARGIN = 0.05
_MOST_ROWS = 3
_ROW_PT = 12


@dataclass(frozen=True)
class TrendPoint:
    """One visit: `x` in the unit of the axis, and the measured value."""

    x: float
    estimate: Estimate


@dataclass(frozen=True, eq=False)
class TrendFigure:
    """Arrays (visits,) of what is known; `fan` (k, 4) is x, low, middle, high of the projection.

    `missing` are (x, reason) of visits without a value. `verdict` is the trend in words and is
    always shown, "no trend" too; `limit_name` stands at the limit.
    """

    x: FloatArray
    value: FloatArray
    low: FloatArray
    high: FloatArray
    missing: tuple[tuple[float, str], ...]
    fan: FloatArray
    repairs: tuple[tuple[float, str], ...]
    limit: float | None
    limit_name: str
    x_label: str
    y_label: str
    verdict: str


def prepare(
    points: tuple[TrendPoint, ...],
    *,
    x_label: str,
    y_label: str,
    verdict: str,
    fan: tuple[tuple[float, float, float, float], ...] = (),
    repairs: tuple[tuple[float, str], ...] = (),
    limit: float | None = None,
    limit_name: str = "limit",
) -> TrendFigure:
    """Visits in rising x; the projection is drawn only as an interval, never as a line alone."""
    known, missing = [], []
    for point in sorted(points, key=lambda p: p.x):
        e = point.estimate
        if e.value is None or e.low is None or e.high is None:
            missing.append((point.x, e.reason or "no reason was recorded"))
        else:
            known.append((point.x, e.value, e.low, e.high))
    columns = np.array(known, dtype=np.float64).reshape(-1, 4).T
    return TrendFigure(
        x=columns[0],
        value=columns[1],
        low=columns[2],
        high=columns[3],
        missing=tuple(missing),
        fan=np.array(fan, dtype=np.float64).reshape(-1, 4),
        repairs=repairs,
        limit=limit,
        limit_name=limit_name,
        x_label=x_label,
        y_label=y_label,
        verdict=verdict,
    )


def _lines(prepared: TrendFigure, narrow: bool) -> list[str]:
    """The verdict in lines that fit the width."""
    return textwrap.wrap(prepared.verdict, _NARROW_LETTERS if narrow else _LETTERS) or [""]


def size_in(prepared: TrendFigure, *, narrow: bool = False) -> tuple[float, float]:
    """Width and height in inches."""
    rows = max((r.row for r in repair_labels(prepared, narrow=narrow)), default=0)
    height = _PLOT_IN + _LINE_IN * (len(_lines(prepared, narrow)) + rows)
    return (style.NARROW_IN if narrow else style.WIDTH_IN), height


@dataclass(frozen=True)
class RepairLabel:
    """Where the name of a repair stands: `left` to `right` in shares of the plot's width, `row` 0
    just above the plot."""

    x: float
    words: str
    left: float
    right: float
    row: int


def repair_labels(prepared: TrendFigure, *, narrow: bool = False) -> tuple[RepairLabel, ...]:
    """Names of repairs inside the plot's width, in rows so that none lies over another. Where the
    rows do not suffice the newest are named: the ruled line stays."""
    everything = np.concatenate([prepared.x, prepared.fan[:, 0] if prepared.fan.size else [],
                                 [x for x, _ in prepared.repairs]])  # fmt: skip
    low, high = float(everything.min(initial=np.inf)), float(everything.max(initial=-np.inf))
    span = (high - low) * (1.0 + 2.0 * _MARGIN) or 1.0
    ends = [np.inf] * _MOST_ROWS
    out = []
    for x, words in sorted(prepared.repairs, reverse=True):
        text = textwrap.shorten(words, _SHORT, placeholder="…")
        width = (_NARROW_LETTER_SHARE if narrow else _LETTER_SHARE) * len(text)
        at = (x - low) / span + _MARGIN / (1.0 + 2.0 * _MARGIN)
        left = min(max(at - width / 2.0, 0.0), 1.0 - width)
        row = next((r for r in range(_MOST_ROWS) if left + width < ends[r]), None)
        if row is not None:
            ends[row] = left
            out.append(RepairLabel(x, text, left, left + width, row))
    return tuple(out)


def compose(figure: "Figure", prepared: TrendFigure) -> None:
    """Lay the figure out on a page-wide canvas."""
    height = figure.get_figheight()
    left, width = style.across(figure, 0.11, 0.86)
    draw(figure.add_axes((left, 0.51 / height, width, 1.86 / height)), prepared)


def draw(axes: "Axes", prepared: TrendFigure) -> None:
    """Draw the visits, what was repaired between them, and what may follow."""
    narrow = style.on_narrow(axes)
    if prepared.fan.size:
        x, low, middle, high = prepared.fan.T
        axes.fill_between(x, low, high, color=style.BAND, linewidth=0)
        axes.plot(x, middle, color=style.MUTED, linestyle=(0, (5, 2)))
    axes.vlines(prepared.x, prepared.low, prepared.high, color=style.INK, linewidth=2)
    axes.plot(
        prepared.x, prepared.value, linestyle="none", marker="o", markersize=7,
        markerfacecolor=style.PAPER, markeredgecolor=style.BLUE, markeredgewidth=1.6,
    )  # fmt: skip
    if prepared.limit is not None:
        axes.axhline(prepared.limit, color=style.INK, linewidth=1.2)
        axes.annotate(
            prepared.limit_name, (1, prepared.limit),
            xycoords=("axes fraction", "data"), xytext=(0, 3),
            textcoords="offset points", ha="right", va="bottom", fontsize=style.SMALL_PT,
        )  # fmt: skip
    for x, _ in prepared.repairs:
        axes.axvline(x, color=style.INK, linewidth=0.9)
    labels = repair_labels(prepared, narrow=narrow)
    for label in labels:
        axes.annotate(
            label.words, ((label.left + label.right) / 2.0, 1), xycoords="axes fraction",
            xytext=(0, 4 + _ROW_PT * label.row), textcoords="offset points",
            ha="center", va="bottom", fontsize=style.SMALL_PT,
        )  # fmt: skip
    for x, _ in prepared.missing:
        axes.annotate(
            "–", (x, 0), xycoords=("data", "axes fraction"), xytext=(0, 8),
            textcoords="offset points", ha="center",
        )  # fmt: skip
    axes.margins(x=_MARGIN)
    axes.locator_params(nbins=4 if narrow else 6)
    axes.set_xlabel(prepared.x_label)
    axes.set_ylabel(prepared.y_label)
    rows = max((label.row for label in labels), default=0)
    axes.set_title("\n".join(_lines(prepared, narrow)), pad=20 + _ROW_PT * rows)

"""Before and after a repair: paired intervals, and the smallest change that counts."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from ringland.figures import style
from ringland.model import Estimate

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["BeforeAfter", "PairedRow", "compose", "draw", "prepare", "size_in"]


@dataclass(frozen=True)
class PairedRow:
    """One cylinder: (value, low, high) before and after, None with the reason when unknown."""

    label: str
    before: tuple[float, float, float] | None
    after: tuple[float, float, float] | None
    change: tuple[float, float, float] | None
    reason: str


@dataclass(frozen=True)
class BeforeAfter:
    """Rows in firing order; `smallest_change` in the unit of the metric."""

    title: str
    unit: str
    rows: tuple[PairedRow, ...]
    smallest_change: float | None


def prepare(
    rows: tuple[tuple[str, Estimate, Estimate, Estimate], ...],
    *,
    title: str,
    unit: str,
    smallest_change: float | None,
) -> BeforeAfter:
    """Rows of (label, before, after, change) as plain numbers."""
    return BeforeAfter(
        title=title,
        unit=unit,
        rows=tuple(
            PairedRow(
                label,
                _numbers(before),
                _numbers(after),
                _numbers(change),
                next((e.reason or "" for e in (before, after, change) if not e.known), ""),
            )
            for label, before, after, change in rows
        ),
        smallest_change=smallest_change,
    )


def _numbers(estimate: Estimate) -> tuple[float, float, float] | None:
    if estimate.value is None or estimate.low is None or estimate.high is None:
        return None
    return estimate.value, estimate.low, estimate.high


def size_in(prepared: BeforeAfter, *, narrow: bool = False) -> tuple[float, float]:
    """Width and height in inches."""
    height = 1.0 + 0.42 * max(len(prepared.rows), 1)
    return (style.NARROW_IN, 2.0 * height) if narrow else (style.WIDTH_IN, height)


def compose(figure: "Figure", prepared: BeforeAfter) -> None:
    """Values on the left, the change with the band of the smallest change that counts right; on a
    narrow canvas one below the other."""
    height = figure.get_figheight()
    narrow = style.is_narrow(figure)
    if narrow:
        bottom, tall = 0.5 / height, 0.5 - 0.9 / height
        boxes = (0.16, 0.5 + bottom, 0.8, tall), (0.16, bottom, 0.8, tall)
    else:
        bottom, tall = 0.5 / height, 1 - 0.9 / height
        boxes = (0.09, bottom, 0.42, tall), (0.56, bottom, 0.42, tall)
    draw(figure.add_axes(boxes[0]), prepared)
    _draw_change(figure.add_axes(boxes[1]), prepared, named=narrow)


def draw(axes: "Axes", prepared: BeforeAfter) -> None:
    """Before as an open dot above, after as a filled dot below, each with its interval."""
    for index, row in enumerate(prepared.rows):
        for offset, numbers, face in (
            (-0.16, row.before, style.PAPER),
            (0.16, row.after, style.BLUE),
        ):
            if numbers is None:
                continue
            value, low, high = numbers
            axes.hlines(index + offset, low, high, color=style.INK, linewidth=1.8)
            axes.plot(
                [value], [index + offset], marker="o", markersize=7, markerfacecolor=face,
                markeredgecolor=style.BLUE, markeredgewidth=1.4,
            )  # fmt: skip
        if row.before is None and row.after is None:
            axes.text(
                0.02, index, f"–  {row.reason}", va="center", transform=axes.get_yaxis_transform()
            )
    _rows_down(axes, prepared)
    axes.set_yticks(range(len(prepared.rows)), [r.label for r in prepared.rows])
    axes.set_title("Before (open), after (filled)", pad=6)
    axes.set_xlabel(f"{prepared.title}, {prepared.unit}")


def _draw_change(axes: "Axes", prepared: BeforeAfter, *, named: bool) -> None:
    if prepared.smallest_change is not None:
        axes.axvspan(
            -prepared.smallest_change, prepared.smallest_change, color=style.BAND, zorder=0
        )
    axes.axvline(0, color=style.INK, linewidth=1)
    for index, row in enumerate(prepared.rows):
        if row.change is None:
            axes.text(
                0.02, index, f"–  {row.reason}", va="center", transform=axes.get_yaxis_transform()
            )
            continue
        value, low, high = row.change
        axes.hlines(index, low, high, color=style.INK, linewidth=1.8)
        axes.plot([value], [index], marker="D", markersize=6, color=style.BLUE)
    _rows_down(axes, prepared)
    rows = prepared.rows if named else ()
    axes.set_yticks(range(len(rows)), [r.label for r in rows])
    axes.set_title("Change (band: too small to count)", pad=6)
    axes.set_xlabel(f"After minus before, {prepared.unit}")


def _rows_down(axes: "Axes", prepared: BeforeAfter) -> None:
    axes.set_ylim(max(len(prepared.rows), 1) - 0.5, -0.5)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)

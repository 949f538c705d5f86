"""Cycle-by-angle raster: every cycle a row, so that an intermittent fault breaks a line."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ringland.figures import style
from ringland.figures.labels import position_tag
from ringland.model import AngleSignal, ChannelRole, CycleSet, CylinderSet, Reference
from ringland.model._arrays import FloatArray, IntArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Raster", "compose", "draw", "prepare", "size_in"]

_MOST_ROWS = 320
_MOST_COLUMNS = 360


@dataclass(frozen=True, eq=False)
class Raster:
    """`values` (rows, angles): level-free signal, NaN rows for dropped cycles, oldest first.

    `row_cycle` (rows,) is the cycle number (from 1) of each row; `thinned` True when, of several
    neighbouring cycles, only the one that differs most from the average is shown. `mean`, `low`,
    `high` (angles,): robust mean of all kept cycles and their 5 % and 95 % points, the same level
    taken out. `marks` are (angle_deg, label), one per position, and `marks_are` says what is
    marked.
    """

    angle_deg: FloatArray
    values: FloatArray
    mean: FloatArray
    low: FloatArray
    high: FloatArray
    row_cycle: tuple[int, ...]
    dropped_rows: tuple[int, ...]
    thinned: bool
    marks: tuple[tuple[float, str], ...]
    marks_are: str
    unit: str
    cycle_deg: float
    arbitrary: bool


def prepare(
    signal: AngleSignal, cycles: CycleSet, cylinders: CylinderSet, *, arbitrary: bool
) -> Raster:
    """Rows of all cycles found, dropped ones empty; angles averaged in groups to fit the page."""
    group = -(-signal.angle_deg.size // _MOST_COLUMNS)
    columns = signal.angle_deg.size // group
    cut = columns * group

    def grouped(values: FloatArray) -> FloatArray:
        return np.asarray(
            values[..., :cut].reshape(*values.shape[:-1], columns, group).mean(axis=-1)
        )

    kept = grouped(signal.values)
    level = np.nanmedian(kept)
    kept = kept - level
    full = np.full((cycles.found, columns), np.nan)
    full[list(signal.cycle_index)] = kept
    rows = _rows_to_show(full)
    shown = full[rows]
    marks, marks_are = _marks(signal, cylinders, cycles)
    return Raster(
        angle_deg=grouped(signal.angle_deg),
        values=shown,
        mean=grouped(signal.mean) - level,
        low=grouped(signal.low) - level,
        high=grouped(signal.high) - level,
        row_cycle=tuple(int(r) + 1 for r in rows),
        dropped_rows=tuple(int(r) for r in np.flatnonzero(np.all(np.isnan(shown), axis=1))),
        thinned=len(rows) < cycles.found,
        marks=marks,
        marks_are=marks_are,
        unit=signal.unit,
        cycle_deg=cycles.cycle_deg,
        arbitrary=arbitrary,
    )


def _rows_to_show(full: FloatArray) -> IntArray:
    """All rows, or of each group of neighbours the one that is least like the average."""
    count = full.shape[0]
    if count <= _MOST_ROWS:
        return np.arange(count, dtype=np.int64)
    present = ~np.all(np.isnan(full), axis=1)
    mean = np.mean(full[present], axis=0) if present.any() else np.zeros(full.shape[1])
    oddness = np.where(present, np.sum((np.nan_to_num(full) - mean) ** 2, axis=1), -1.0)
    groups = np.array_split(np.arange(count), _MOST_ROWS)
    return np.array([g[np.argmax(oddness[g])] for g in groups], dtype=np.int64)


def _marks(
    signal: AngleSignal, cylinders: CylinderSet, cycles: CycleSet
) -> tuple[tuple[tuple[float, str], ...], str]:
    delay = next((d for d in cylinders.delays if d.channel == signal.channel), None)
    arrival = None if delay is None else delay.pulse_angle_deg.value
    meaning = "where the pulse of each cylinder arrives"
    if arrival is None:
        at_tdc = signal.role in {ChannelRole.CRANKCASE, ChannelRole.CRANK_TOOTH}
        if not at_tdc or cycles.reference is not Reference.CYLINDER:
            return (), ""
        arrival, meaning = 0.0, "the firing top dead centre of each cylinder"
    share = next((s for s in cylinders.shares if s.channel == signal.channel), None)
    return tuple(
        (
            (a.firing_angle_deg + arrival) % cycles.cycle_deg,
            position_tag(cylinders.assignments, a.firing_position),
        )
        for a in cylinders.assignments
        if share is None or a.firing_position in share.positions
    ), meaning


def _cycle_ticks(row_cycle: tuple[int, ...]) -> list[tuple[float, int]]:
    """(row from 1, cycle) to label: the first cycle and about five round cycle numbers."""
    last = row_cycle[-1] if row_cycle else 1
    step = next(s for s in (5, 10, 20, 50, 100, 200, 500, 10**9) if last / s <= 7)
    wanted = [1, *range(step, last + 1, step)]
    rows = np.interp(wanted, row_cycle, np.arange(1.0, len(row_cycle) + 1.0))
    return [(float(row), cycle) for row, cycle in zip(rows, wanted, strict=True)]


def size_in(prepared: Raster) -> tuple[float, float]:
    """Width and height in inches."""
    return style.WIDTH_IN, float(np.clip(1.1 + 0.022 * prepared.values.shape[0], 2.6, 5.2))


def compose(figure: "Figure", prepared: Raster) -> None:
    """Lay the figure out on a page-wide canvas."""
    height = figure.get_figheight()
    bottom, top = 0.5 / height, (0.34 if prepared.marks else 0.08) / height
    left, width = style.across(figure, 0.09, 0.77)
    draw(figure.add_axes((left, bottom, width, 1 - bottom - top)), prepared)


def draw(axes: "Axes", prepared: Raster) -> None:
    """Draw the raster, oldest cycle on top, newest at the bottom; dropped cycles are hatched."""
    rows = prepared.values.shape[0]
    finite = prepared.values[np.isfinite(prepared.values)]
    low, high = np.percentile(finite, [1, 99]) if finite.size else (0.0, 1.0)
    step = prepared.angle_deg[1] - prepared.angle_deg[0] if prepared.angle_deg.size > 1 else 1.0
    left, right = prepared.angle_deg[0] - step / 2, prepared.angle_deg[-1] + step / 2
    image = axes.imshow(
        np.ma.masked_invalid(prepared.values), aspect="auto", cmap="cividis", vmin=low, vmax=high,
        interpolation="none", extent=(left, right, rows + 0.5, 0.5),
    )  # fmt: skip
    for row in prepared.dropped_rows:
        axes.axhspan(
            row + 0.5,
            row + 1.5,
            facecolor=style.PAPER,
            edgecolor=style.INK,
            hatch="////",
            linewidth=0,
        )
    ticks = _cycle_ticks(prepared.row_cycle)
    axes.set_yticks([row for row, _ in ticks], [str(cycle) for _, cycle in ticks])
    axes.set_ylabel("Cycle (newest at the bottom)")
    axes.set_xlim(0, prepared.cycle_deg)
    axes.set_xticks(np.arange(0, prepared.cycle_deg + 1, 90.0))
    axes.set_xlabel(
        "Crank angle, degrees from an arbitrary start"
        if prepared.arbitrary
        else "Crank angle, degrees"
    )
    crowded = style.on_narrow(axes) and len(prepared.marks) > 5
    for angle, label in prepared.marks:
        axes.annotate(
            label.split()[-1] if crowded else label, (angle, 1),
            xycoords=("data", "axes fraction"), xytext=(0, 5), textcoords="offset points",
            ha="center", va="bottom", fontweight="bold",
            fontsize=style.FONT_PT if len(prepared.marks) <= 8 else 6.5,
        )  # fmt: skip
        axes.plot([angle], [1.0], marker=7, color=style.INK, markersize=5, clip_on=False,
                  transform=axes.get_xaxis_transform())  # fmt: skip
    bar = axes.figure.colorbar(
        image, ax=axes, fraction=0.03, pad=0.02, cax=axes.inset_axes((1.02, 0.0, 0.022, 1.0))
    )
    bar.set_label(
        "Signal, level taken out" + ("" if prepared.unit == "1" else f", {prepared.unit}")
    )
    bar.outline.set_visible(False)

"""Engine speed through the recording with its interval."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ringland.figures import style
from ringland.model import CycleSet
from ringland.model._arrays import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["SpeedFigure", "compose", "draw", "prepare", "size_in"]

_QUANTILE_90 = 1.6448536269514722
_MOST_POINTS = 500


@dataclass(frozen=True, eq=False)
class SpeedFigure:
    """Arrays (points,): time, speed and its 90 % interval; mean speed and dropped spans (k, 2)."""

    time_s: FloatArray
    speed_rpm: FloatArray
    low_rpm: FloatArray
    high_rpm: FloatArray
    mean_rpm: float | None
    dropped_s: FloatArray


def prepare(cycles: CycleSet) -> SpeedFigure:
    """Speed at the knots of the crank angle, averaged in groups when there are too many."""
    group = max(1, -(-cycles.time_s.size // _MOST_POINTS))
    starts = np.arange(0, cycles.time_s.size, group)
    sizes = np.diff(np.append(starts, cycles.time_s.size))

    def grouped(values: FloatArray) -> FloatArray:
        return np.asarray(np.add.reduceat(values, starts) / sizes)

    speed, half = grouped(cycles.speed_rpm), _QUANTILE_90 * grouped(cycles.speed_se_rpm)
    return SpeedFigure(
        time_s=grouped(cycles.time_s),
        speed_rpm=speed,
        low_rpm=speed - half,
        high_rpm=speed + half,
        mean_rpm=cycles.mean_speed_rpm.value,
        dropped_s=np.array([(c.start_s, c.stop_s) for c in cycles.dropped]).reshape(-1, 2),
    )


def size_in(_: SpeedFigure) -> tuple[float, float]:
    """Width and height in inches."""
    return style.WIDTH_IN, 2.0


def compose(figure: "Figure", prepared: SpeedFigure) -> None:
    """Lay the figure out on a page-wide canvas."""
    left, width = style.across(figure, 0.11, 0.87)
    draw(figure.add_axes((left, 0.25, width, 0.7)), prepared)


def draw(axes: "Axes", prepared: SpeedFigure) -> None:
    """Draw speed with its band; dropped cycles are hatched."""
    axes.fill_between(
        prepared.time_s, prepared.low_rpm, prepared.high_rpm, color=style.BAND, linewidth=0
    )
    axes.plot(prepared.time_s, prepared.speed_rpm, color=style.INK)
    if prepared.mean_rpm is not None:
        axes.axhline(prepared.mean_rpm, color=style.BLUE, linewidth=1.2, linestyle=(0, (5, 2)))
    for start, stop in prepared.dropped_s:
        axes.axvspan(
            start, stop, facecolor="none", edgecolor=style.MUTED, hatch="////", linewidth=0
        )
    low, high = axes.get_ylim()
    middle = (low + high) / 2
    half = max(high - low, 0.02 * abs(middle)) / 2
    axes.set_ylim(middle - 1.1 * half, middle + 1.1 * half)
    if prepared.time_s.size > 1:
        axes.set_xlim(float(prepared.time_s[0]), float(prepared.time_s[-1]))
    axes.locator_params(axis="y", nbins=5)
    axes.ticklabel_format(axis="y", useOffset=False)
    axes.set_xlabel("Time, s")
    axes.set_ylabel("Speed, rpm")

"""Order spectrum: what the cylinders share as open stems, what sets them apart filled."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ringland.figures import style
from ringland.model import OrderSpectrum
from ringland.model._arrays import BoolArray, FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["OrderFigure", "compose", "draw", "prepare", "size_in"]


@dataclass(frozen=True, eq=False)
class OrderFigure:
    """Arrays (lines,): order per crank revolution, amplitude and noise level in `unit`."""

    order: FloatArray
    amplitude: FloatArray
    noise: FloatArray
    shared: BoolArray
    unit: str


def prepare(spectrum: OrderSpectrum, *, highest_order: float = 12.0) -> OrderFigure:
    """Lines up to the highest order shown, in rising order."""
    lines = sorted((o for o in spectrum.lines if o.order <= highest_order), key=lambda o: o.order)
    return OrderFigure(
        order=np.array([o.order for o in lines]),
        amplitude=np.array([o.amplitude for o in lines]),
        noise=np.array([o.noise for o in lines]),
        shared=np.array([o.shared for o in lines], dtype=np.bool_),
        unit=spectrum.unit,
    )


def size_in(_: OrderFigure) -> tuple[float, float]:
    """Width and height in inches."""
    return style.WIDTH_IN, 2.5


def compose(figure: "Figure", prepared: OrderFigure) -> None:
    """Lay the figure out on a page-wide canvas."""
    left, width = style.across(figure, 0.11, 0.87)
    draw(figure.add_axes((left, 0.2, width, 0.66)), prepared)


def draw(axes: "Axes", prepared: OrderFigure) -> None:
    """Draw stems, and the noise level as a line."""
    for shared, label in (
        (True, "shared by all cylinders"),
        (False, "imbalance between cylinders"),
    ):
        pick = prepared.shared == shared
        colour = style.INK if shared else style.VERMILLION
        axes.vlines(prepared.order[pick], 0, prepared.amplitude[pick], color=colour, linewidth=1.6)
        axes.plot(
            prepared.order[pick], prepared.amplitude[pick], linestyle="none",
            marker="o" if shared else "D", markersize=7 if shared else 6, markeredgewidth=1.4,
            markeredgecolor=colour, markerfacecolor=style.PAPER if shared else colour, label=label,
            clip_on=False, zorder=3,
        )  # fmt: skip
    axes.plot(
        prepared.order, prepared.noise, color=style.BLUE, linewidth=1.4, linestyle=(0, (5, 2)),
        label="noise level",
    )  # fmt: skip
    axes.set_ylim(bottom=0)
    axes.set_xlim(0, float(prepared.order[-1]) + 0.5 if prepared.order.size else 1)
    axes.locator_params(axis="x", integer=True)
    axes.locator_params(axis="y", nbins=5)
    axes.set_xlabel("Order, per crank revolution")
    axes.set_ylabel("Amplitude" + ("" if prepared.unit == "1" else f", {prepared.unit}"))
    axes.legend(
        loc="lower left", bbox_to_anchor=(0, 1.0), ncols=1 if style.on_narrow(axes) else 3,
        frameon=False, borderaxespad=0.1,
        fontsize=style.SMALL_PT, handletextpad=0.4, columnspacing=1.4,
    )  # fmt: skip

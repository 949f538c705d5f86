"""Measured and simulated cycle over each other, one strip per cylinder."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ringland.figures import style
from ringland.figures.averaged_cycle import stroke_names
from ringland.figures.labels import position_tag
from ringland.model import CycleOverlay, CylinderSet, Reference
from ringland.model._arrays import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["OverlayFigure", "OverlayStrip", "compose", "draw", "prepare", "size_in"]

_INNER = ("measured", "measured_low", "measured_high", "simulated", "simulated_low",
          "simulated_high", "sound")  # fmt: skip


@dataclass(frozen=True, eq=False)
class OverlayStrip:
    """One cylinder, arrays (angles,) turned to its own firing top dead centre, channel unit.

    `faulty`: the simulated fault is in this one.
    """

    label: str
    firing_position: int
    faulty: bool
    measured: FloatArray
    measured_low: FloatArray
    measured_high: FloatArray
    simulated: FloatArray
    simulated_low: FloatArray
    simulated_high: FloatArray
    sound: FloatArray


@dataclass(frozen=True, eq=False)
class OverlayFigure:
    """Strips in firing order over `angle_deg` (angles,); `strokes` are (start_deg, name)."""

    angle_deg: FloatArray
    strips: tuple[OverlayStrip, ...]
    strokes: tuple[tuple[float, str], ...]
    angle_label: str
    unit: str


def prepare(
    shown: CycleOverlay,
    cylinders: CylinderSet,
    *,
    faulty: Sequence[int],
    reference: Reference,
    cycle_deg: float,
) -> OverlayFigure:
    """Turn every curve so that each cylinder's firing top dead centre is at zero.

    `faulty` are the firing positions the simulated fault is in. Only the cylinders that the channel
    hears get a strip.
    """
    share = next((s for s in cylinders.shares if s.channel == shown.channel), None)
    heard = [
        a for a in cylinders.assignments if share is None or a.firing_position in share.positions
    ]

    def turned(values: FloatArray, by_deg: float) -> FloatArray:
        return np.interp(shown.angle_deg + by_deg, shown.angle_deg, values, period=cycle_deg)

    strips = tuple(
        OverlayStrip(
            position_tag(cylinders.assignments, a.firing_position),
            a.firing_position,
            a.firing_position in faulty,
            **{name: turned(getattr(shown, name), a.firing_angle_deg) for name in _INNER},
        )
        for a in heard
    )
    known = reference is not Reference.ARBITRARY
    return OverlayFigure(
        shown.angle_deg,
        strips,
        stroke_names(cycle_deg, reference),
        "Crank angle after the firing top dead centre of each cylinder, degrees"
        if known
        else "Crank angle from an arbitrary start, degrees",
        shown.unit,
    )


def size_in(prepared: OverlayFigure) -> tuple[float, float]:
    """Width and height in inches."""
    return style.WIDTH_IN, 1.45 + 0.8 * max(len(prepared.strips), 1)


def compose(figure: "Figure", prepared: OverlayFigure) -> None:
    """Lay the figure out on a page-wide canvas."""
    height = figure.get_figheight()
    bottom = (0.8 if prepared.strokes else 0.5) / height
    left, width = style.across(figure, 0.09, 0.89)
    draw(figure.add_axes((left, bottom, width, 1 - bottom - 0.42 / height)), prepared)


def draw(axes: "Axes", prepared: OverlayFigure) -> None:
    """Draw the strips below each other on one scale, the first in the firing order on top."""
    step = _step(prepared)
    angle = prepared.angle_deg
    for row, strip in enumerate(prepared.strips):
        base = -row * step
        axes.fill_between(
            angle, base + strip.measured_low, base + strip.measured_high, color=style.BAND,
            linewidth=0, label="measured, 90 % of the cycles" if row == 0 else None,
        )  # fmt: skip
        axes.fill_between(
            angle, base + strip.simulated_low, base + strip.simulated_high, facecolor="none",
            edgecolor=style.BLUE, hatch="////", linewidth=0, alpha=0.45,
            label="simulated, what sound cylinders differ by" if row == 0 else None,
        )  # fmt: skip
        axes.plot(
            angle, base + strip.sound, color=style.MUTED, linewidth=1.0, linestyle=":",
            label="simulated, sound" if row == 0 else None,
        )  # fmt: skip
        axes.plot(
            angle, base + strip.measured, color=style.INK, linewidth=1.5,
            label="measured" if row == 0 else None,
        )  # fmt: skip
        axes.plot(
            angle, base + strip.simulated, color=style.BLUE, linewidth=1.4, dashes=(5, 1.6),
            label="simulated with the fault" if row == 0 else None,
        )  # fmt: skip
        axes.text(
            -0.012, base, strip.label, ha="right",
            va="center", fontweight="bold", transform=axes.get_yaxis_transform(),
        )  # fmt: skip
        if strip.faulty:
            axes.text(
                -0.012, base - 0.22 * step, "fault here", ha="right", va="center",
                fontsize=style.SMALL_PT, transform=axes.get_yaxis_transform(),
            )  # fmt: skip
    _draw_frame(axes, prepared, step)


def _step(prepared: OverlayFigure) -> float:
    """Distance between strips, channel unit."""
    spans = [
        float(np.ptp(np.concatenate([s.measured, s.simulated, s.sound]))) for s in prepared.strips
    ]
    return 1.15 * max(spans, default=1.0) or 1.0


def _draw_frame(axes: "Axes", prepared: OverlayFigure, step: float) -> None:
    rows = max(len(prepared.strips), 1)
    cycle_deg = float(prepared.angle_deg[-1] + prepared.angle_deg[1])
    curves = [np.concatenate([s.measured, s.simulated, s.sound]) for s in prepared.strips]
    low = float(curves[-1].min()) if curves else -0.5
    high = float(curves[0].max()) if curves else 0.5
    axes.set_ylim(-(rows - 1) * step + low - 0.08 * step, high + 0.08 * step)
    axes.set_xlim(0, cycle_deg)
    axes.set_xticks(np.arange(0, cycle_deg + 1, 90.0))
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.set_xlabel(prepared.angle_label, labelpad=26 if prepared.strokes else 4)
    for start, name in prepared.strokes:
        axes.axvline(start, color=style.RULE, linewidth=0.8, zorder=0)
        axes.annotate(
            name, (start + 90.0, 0), xycoords=("data", "axes fraction"), xytext=(0, -30),
            textcoords="offset points", ha="center", va="center", fontweight="bold",
            fontsize=7.5 if style.on_narrow(axes) else style.FONT_PT,
        )  # fmt: skip
    axes.legend(
        loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=1 if style.on_narrow(axes) else 3,
        frameon=False,
        fontsize=style.SMALL_PT, borderaxespad=0.2, handlelength=2.2, columnspacing=1.2,
    )  # fmt: skip

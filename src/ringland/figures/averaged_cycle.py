"""The averaged cycle, one strip per cylinder, each aligned to its own firing top dead centre."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ringland.figures import style
from ringland.figures.labels import position_tag
from ringland.model import AngleSignal, ChannelRole, CylinderSet, Reference
from ringland.model._arrays import BoolArray, FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["AveragedCycle", "Strip", "compose", "draw", "prepare", "size_in", "stroke_names"]

_POINTS_IN_ALL = 2400
_PULSE_LEAD, _CRANKCASE_LEAD = 0.15, 0.25  # of a firing interval
_FEWEST_POINTS, _MOST_POINTS = 120, 360


@dataclass(frozen=True, eq=False)
class Strip:
    """One cylinder: `median`, `low`, `high`, (angles,), mean level taken out, channel unit.

    `own` (angles,) is True where this cylinder's own pulse is expected to be heard; all True when
    that is not known.
    """

    label: str
    firing_position: int
    median: FloatArray
    low: FloatArray
    high: FloatArray
    own: BoolArray


@dataclass(frozen=True, eq=False)
class AveragedCycle:
    """Strips in firing order over `angle_deg` (angles,), and the `shared` pulse (angles,).

    `strokes` are (start_deg, name); empty when the angle of the cylinders is not known, and
    `angle_label` then says what the angle counts from.
    """

    angle_deg: FloatArray
    shared: FloatArray
    strips: tuple[Strip, ...]
    strokes: tuple[tuple[float, str], ...]
    angle_label: str
    unit: str
    arrival_deg: float | None
    own_is: str


def stroke_names(cycle_deg: float, reference: Reference) -> tuple[tuple[float, str], ...]:
    """Strokes after firing top dead centre: (start in degrees, name).

    Terms of ISO 7967. With a crank reference but an unknown revolution both names stand; with an
    arbitrary zero there are none.
    """
    if reference is Reference.ARBITRARY:
        return ()
    if cycle_deg < 720.0:
        return ((0.0, "expansion, exhaust"), (180.0, "scavenging, compression"))
    if reference is Reference.REVOLUTION:
        return (
            (0.0, "expansion or induction"),
            (180.0, "exhaust or compression"),
            (360.0, "induction or expansion"),
            (540.0, "compression or exhaust"),
        )
    return ((0.0, "expansion"), (180.0, "exhaust"), (360.0, "induction"), (540.0, "compression"))


def prepare(
    signal: AngleSignal, cylinders: CylinderSet, *, reference: Reference, cycle_deg: float
) -> AveragedCycle:
    """Turn the averaged cycle so that each cylinder's firing top dead centre is at zero.

    The shared pulse is the median of the turned cycles over the cylinders this channel hears: one
    bad cylinder does not bend it, so the difference stands at the bad one. The band is the
    5 % to 95 % range over cycles.
    """
    share = next((s for s in cylinders.shares if s.channel == signal.channel), None)
    heard = [
        a for a in cylinders.assignments if share is None or a.firing_position in share.positions
    ]
    points = int(np.clip(_POINTS_IN_ALL // max(len(heard), 1), _FEWEST_POINTS, _MOST_POINTS))
    angle_deg = np.arange(points) * cycle_deg / points
    whole = np.isfinite(signal.values).all(axis=1)
    median = np.median(signal.values[whole], axis=0)
    level = float(median.mean())

    def turned(values: FloatArray, by_deg: float) -> FloatArray:
        return np.interp(angle_deg + by_deg, signal.angle_deg, values - level, period=cycle_deg)

    arrival = _arrival_deg(cylinders, signal.channel)
    if signal.role is ChannelRole.CRANK_TOOTH and reference is Reference.CYLINDER:
        arrival = 0.0  # a burn drives the crank from its own top dead centre on
    around_tdc = (
        arrival is None and signal.role is ChannelRole.CRANKCASE and reference is Reference.CYLINDER
    )
    strips = tuple(
        Strip(
            label=position_tag(cylinders.assignments, a.firing_position),
            firing_position=a.firing_position,
            median=turned(median, a.firing_angle_deg),
            low=turned(signal.low, a.firing_angle_deg),
            high=turned(signal.high, a.firing_angle_deg),
            own=_own_part(
                angle_deg,
                0.0 if around_tdc else arrival,
                _gap_to_next_deg(
                    a.firing_angle_deg, [h.firing_angle_deg for h in heard], cycle_deg
                ),
                cycle_deg,
                centred=around_tdc,
            ),
        )
        for a in heard
    )
    shared = np.median([s.median for s in strips], axis=0) if strips else np.zeros(points)
    return AveragedCycle(
        angle_deg=angle_deg,
        shared=shared,
        strips=strips,
        strokes=stroke_names(cycle_deg, reference),
        angle_label=_angle_label(reference),
        unit=signal.unit,
        arrival_deg=arrival,
        own_is="only over its own part, one firing interval from its firing top dead centre"
        if arrival is not None and signal.role is ChannelRole.CRANK_TOOTH
        else _own_is(arrival, around_tdc),
    )


def _own_is(arrival_deg: float | None, around_tdc: bool) -> str:
    if around_tdc:
        return "only around its own firing top dead centre, where its leak would push"
    if arrival_deg is None:
        return "everywhere, as it is not known where each pulse arrives"
    return (
        "only over its own part, one firing interval from just before its pulse arrives, "
        f"{arrival_deg:.0f}° after its firing top dead centre"
    )


def _angle_label(reference: Reference) -> str:
    if reference is Reference.CYLINDER:
        return "Crank angle after the firing top dead centre of each cylinder, degrees"
    if reference is Reference.REVOLUTION:
        return "Crank angle after top dead centre, degrees (which revolution: not known)"
    return "Crank angle from an arbitrary start, degrees (no reference: strokes not known)"


def _arrival_deg(cylinders: CylinderSet, channel: str) -> float | None:
    delay = next((d for d in cylinders.delays if d.channel == channel), None)
    return None if delay is None else delay.pulse_angle_deg.value


def _gap_to_next_deg(own_deg: float, all_deg: list[float], cycle_deg: float) -> float:
    gaps = [(other - own_deg) % cycle_deg for other in all_deg if other != own_deg]
    return min(gaps, default=cycle_deg)


def _own_part(
    angle_deg: FloatArray,
    arrival_deg: float | None,
    gap_deg: float,
    cycle_deg: float,
    *,
    centred: bool,
) -> BoolArray:
    """One firing interval wide, begun a little before the arrival (its steepest rise)."""
    if arrival_deg is None:
        return np.ones(angle_deg.size, dtype=np.bool_)
    lead = _CRANKCASE_LEAD if centred else _PULSE_LEAD
    start = arrival_deg - lead * gap_deg
    return (angle_deg - start) % cycle_deg < gap_deg


def size_in(prepared: AveragedCycle) -> tuple[float, float]:
    """Width and height in inches."""
    return style.WIDTH_IN, 1.0 + 0.68 * max(len(prepared.strips), 1)


def compose(figure: "Figure", prepared: AveragedCycle) -> None:
    """Lay the figure out on a page-wide canvas."""
    height = figure.get_figheight()
    bottom = (0.8 if prepared.strokes else 0.5) / height
    left, width = style.across(figure, 0.09, 0.79)
    draw(figure.add_axes((left, bottom, width, 1 - bottom - 0.05 / height)), prepared)


def _step(prepared: AveragedCycle) -> float:
    """Distance between strips, channel unit: room for the lines, and for the bands if not huge."""
    spans = [float(np.ptp(np.concatenate([s.median, prepared.shared]))) for s in prepared.strips]
    bands = [float(s.high.max() - s.low.min()) for s in prepared.strips]
    line = max(spans, default=1.0)
    return max(1.25 * line, min(1.02 * max(bands, default=0.0), 3.0 * line)) or 1.0


def draw(axes: "Axes", prepared: AveragedCycle) -> None:
    """Draw the strips below each other on one scale, the first in the firing order on top."""
    step = _step(prepared)
    angle = prepared.angle_deg
    for row, strip in enumerate(prepared.strips):
        base = -row * step
        shared = base + prepared.shared
        median = base + strip.median
        axes.fill_between(angle, base + strip.low, base + strip.high, color=style.BAND, linewidth=0)
        axes.plot(angle, shared, color=style.MUTED, linewidth=2.4, alpha=0.45)
        for above, colour, hatch in ((True, style.BLUE, None), (False, style.VERMILLION, "xxxx")):
            side = (median > shared) == above
            axes.fill_between(
                angle, shared, median, where=side & strip.own, interpolate=True,
                facecolor=colour, edgecolor=style.PAPER, linewidth=0, alpha=0.75, hatch=hatch,
            )  # fmt: skip
        axes.plot(angle, median, color=style.INK, linewidth=1.3)
        axes.text(
            -0.012, base, strip.label, ha="right", va="center",
            fontweight="bold", transform=axes.get_yaxis_transform(),
        )  # fmt: skip
    _draw_frame(axes, prepared, step)


def _draw_frame(axes: "Axes", prepared: AveragedCycle, step: float) -> None:
    cycle_deg = float(prepared.angle_deg[-1] + prepared.angle_deg[1])
    rows = max(len(prepared.strips), 1)
    low = float(prepared.strips[-1].low.min()) if prepared.strips else -0.5
    high = float(prepared.strips[0].high.max()) if prepared.strips else 0.5
    axes.set_ylim(-(rows - 1) * step + low - 0.1 * step, high + 0.1 * step)
    axes.set_xlim(0, cycle_deg)
    axes.set_xticks(np.arange(0, cycle_deg + 1, 90.0))
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.set_xlabel(prepared.angle_label, labelpad=26 if prepared.strokes else 4)
    for start, _ in prepared.strokes:
        axes.axvline(start, color=style.RULE, linewidth=0.8, zorder=0)
    for start, name in prepared.strokes:
        axes.annotate(
            name, (start + 90.0, 0), xycoords=("data", "axes fraction"), xytext=(0, -30),
            textcoords="offset points", ha="center", va="center", fontweight="bold",
            fontsize=7.5 if style.on_narrow(axes) else style.FONT_PT,
        )  # fmt: skip
    _draw_scale(axes, step, prepared.unit)


def _draw_scale(axes: "Axes", step: float, unit: str) -> None:
    """A scale bar to the right of the first strip."""
    length = _round_length(0.5 * step)
    name = "" if unit == "1" else f" {unit}"
    axes.plot(
        [1.02, 1.02], [-length / 2, length / 2], color=style.INK, linewidth=1.6, clip_on=False,
        transform=axes.get_yaxis_transform(),
    )  # fmt: skip
    axes.text(1.035, 0, f"{length:g}{name}", va="center", transform=axes.get_yaxis_transform())


def _round_length(length: float) -> float:
    """The largest 1, 2 or 5 times a power of ten not above `length`."""
    power = 10.0 ** np.floor(np.log10(length))
    return float(max(m for m in (1.0, 2.0, 5.0) if m * power <= length * (1 + 1e-9)) * power)

"""The recording: all channels above each other, with the engine cycles kept and dropped."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ringland.figures import style
from ringland.figures.labels import channel_title
from ringland.model import Channel, CycleSet, EdgeTrain, Recording
from ringland.model._arrays import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["RecordingFigure", "Trace", "compose", "draw", "prepare", "size_in"]

_MOST_COLUMNS = 900


@dataclass(frozen=True, eq=False)
class Trace:
    """One channel as an envelope: `low`, `high` (columns,) over each column of `time_s`.

    Both are scaled so that 0 and 1 are the smallest and largest value shown; `note` says what
    that range is.
    """

    label: str
    note: str
    time_s: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True, eq=False)
class RecordingFigure:
    """Traces from top to bottom, and spans (start, stop) of kept and dropped cycles in seconds."""

    traces: tuple[Trace, ...]
    kept_s: FloatArray
    dropped_s: FloatArray
    start_s: float
    stop_s: float


def prepare(recording: Recording, cycles: CycleSet | None) -> RecordingFigure:
    """Envelopes of all channels and the spans of the cycles. Arrays (columns,) and (k, 2)."""
    traces = [_trace_of_channel(c) for c in recording.channels]
    traces += [_trace_of_edges(e) for e in recording.edges]
    return RecordingFigure(
        traces=tuple(traces),
        kept_s=_spans([] if cycles is None else [(c.start_s, c.stop_s) for c in cycles.kept]),
        dropped_s=_spans([] if cycles is None else [(c.start_s, c.stop_s) for c in cycles.dropped]),
        start_s=recording.start_s,
        stop_s=recording.stop_s,
    )


def _spans(spans: list[tuple[float, float]]) -> FloatArray:
    return np.array(spans, dtype=np.float64).reshape(-1, 2)


def _trace_of_channel(channel: Channel) -> Trace:
    label = f"{channel_title(channel.role)}\n{channel.name}"
    finite = np.where(np.isfinite(channel.samples), channel.samples, np.nan)
    if finite.size == 0 or np.all(np.isnan(finite)):
        empty = np.zeros(0)
        return Trace(label, "no samples", empty, empty, empty)
    columns = min(_MOST_COLUMNS, finite.size)
    edges = np.linspace(0, finite.size, columns + 1).astype(np.int64)
    filled = np.where(np.isnan(finite), np.nanmedian(finite), finite)
    low = np.minimum.reduceat(filled, edges[:-1])
    high = np.maximum.reduceat(filled, edges[:-1])
    middle = (edges[:-1] + edges[1:] - 1) / 2.0
    bottom, top = float(low.min()), float(high.max())
    span = top - bottom if top > bottom else 1.0
    unit = "" if channel.unit == "1" else f" {channel.unit}"
    return Trace(
        label=label,
        note=f"{bottom:.3g} to {top:.3g}{unit}" if top > bottom else f"steady at {top:.3g}{unit}",
        time_s=channel.start_s + middle / channel.rate_hz,
        low=(low - bottom) / span,
        high=(high - bottom) / span,
    )


def _trace_of_edges(train: EdgeTrain) -> Trace:
    label = f"{channel_title(train.role)}\n{train.name}"
    rises = train.time_s[train.level_after == 1]
    if rises.size > _MOST_COLUMNS:
        rises = rises[:: -(-rises.size // _MOST_COLUMNS)]
    return Trace(
        label=label,
        note=f"{np.count_nonzero(train.level_after == 1)} rising edges",
        time_s=rises,
        low=np.zeros(rises.size),
        high=np.ones(rises.size),
    )


def size_in(prepared: RecordingFigure) -> tuple[float, float]:
    """Width and height in inches."""
    return style.WIDTH_IN, 0.9 + 0.75 * max(len(prepared.traces), 1)


def compose(figure: "Figure", prepared: RecordingFigure) -> None:
    """Lay the figure out on a page-wide canvas."""
    height = size_in(prepared)[1]
    bottom = 0.48 / height
    draw(figure.add_axes((0.2, bottom, 0.78, 1 - bottom - 0.06 / height)), prepared)


def draw(axes: "Axes", prepared: RecordingFigure) -> None:
    """Draw the traces, and under them a strip in which each cycle is one box."""
    from matplotlib.collections import PolyCollection  # noqa: PLC0415

    count = len(prepared.traces)
    for row, trace in enumerate(prepared.traces):
        base = count - 1 - row
        height = 0.74
        if trace.time_s.size and "edges" in trace.note:
            axes.vlines(trace.time_s, base, base + height * 0.6, color=style.INK, linewidth=0.7)
        elif trace.time_s.size:
            axes.fill_between(
                trace.time_s,
                base + height * trace.low,
                base + height * trace.high,
                color=style.INK,
                linewidth=0.5,
            )
        left = axes.get_yaxis_transform()
        axes.text(-0.015, base + 0.68, trace.label, transform=left, ha="right", va="top")
        axes.text(
            -0.015, base, trace.note, transform=left, ha="right", va="bottom",
            color=style.MUTED, fontsize=style.SMALL_PT,
        )  # fmt: skip
    for spans, hatch, face in (
        (prepared.kept_s, None, style.BAND),
        (prepared.dropped_s, "////", style.PAPER),
    ):
        boxes = [[(a, -0.5), (b, -0.5), (b, -0.24), (a, -0.24)] for a, b in spans]
        axes.add_collection(
            PolyCollection(
                boxes, facecolor=face, edgecolor=style.MUTED, linewidth=0.5, hatch=hatch
            )
        )
    axes.text(
        -0.015, -0.37, "Cycles", transform=axes.get_yaxis_transform(), ha="right", va="center"
    )
    if prepared.kept_s.size + prepared.dropped_s.size == 0:
        axes.text(
            prepared.start_s, -0.37, "none found", va="center", color=style.MUTED
        )
    axes.set_ylim(-0.58, max(count, 1) - 0.1)
    axes.set_xlim(prepared.start_s, max(prepared.stop_s, prepared.start_s + 1e-6))
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.set_xlabel("Time, s")

"""The recording: all channels above each other, with the engine cycles kept and dropped."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ringland.figures import style
from ringland.figures.labels import channel_title
from ringland.model import Channel, ChannelRole, CycleSet, CycleUse, EdgeTrain, Recording
from ringland.model._arrays import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["RecordingFigure", "Trace", "compose", "draw", "prepare", "size_in"]

_MOST_COLUMNS = 900
_LONGEST_LABEL = 22


@dataclass(frozen=True, eq=False)
class Trace:
    """One channel as an envelope: `low`, `high` (columns,) over each column of `time_s`.

    Both are scaled so that 0 and 1 are the smallest and largest value shown; `note` says what
    that range is.
    """

    label: str
    name: str
    note: str
    edges: bool
    time_s: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True, eq=False)
class RecordingFigure:
    """Traces from top to bottom, and spans (start, stop) of kept and dropped cycles in seconds.
    `left_out`: names of channels without a role on which nothing changes."""

    traces: tuple[Trace, ...]
    kept_s: FloatArray
    dropped_s: FloatArray
    start_s: float
    stop_s: float
    left_out: tuple[str, ...] = ()


def prepare(
    recording: Recording,
    cycles: CycleSet | None,
    *,
    span_s: tuple[float, float] | None = None,
) -> RecordingFigure:
    """Envelopes of all channels and the spans of the cycles. Arrays (columns,) and (k, 2).

    `span_s` shows only that part of the recording.
    """
    start_s, stop_s = span_s or (recording.start_s, recording.stop_s)
    traces = [_trace_of_channel(c, start_s, stop_s) for c in recording.channels]
    silent = [e for e in recording.edges if _silent(e)]
    traces += [_trace_of_edges(e, start_s, stop_s) for e in recording.edges if not _silent(e)]
    return RecordingFigure(
        traces=tuple(traces),
        kept_s=_spans(() if cycles is None else cycles.kept, start_s, stop_s),
        dropped_s=_spans(() if cycles is None else cycles.dropped, start_s, stop_s),
        start_s=start_s,
        stop_s=stop_s,
        left_out=tuple(e.name for e in silent),
    )


def _spans(cycles: tuple[CycleUse, ...], start_s: float, stop_s: float) -> FloatArray:
    inside = [(c.start_s, c.stop_s) for c in cycles if c.stop_s > start_s and c.start_s < stop_s]
    return np.array(inside, dtype=np.float64).reshape(-1, 2)


def _silent(train: EdgeTrain) -> bool:
    """A channel nobody gave a role and on which nothing ever changes."""
    return train.role is ChannelRole.UNASSIGNED and not np.any(train.level_after == 1)


def _own_name(name: str, role: ChannelRole) -> str:
    """The channel's name where it says more than its role."""
    return "" if name.replace(" ", "_").lower() == role.value else name


def _trace_of_channel(channel: Channel, start_s: float, stop_s: float) -> Trace:
    label, name = channel_title(channel.role), _own_name(channel.name, channel.role)
    first = max(round((start_s - channel.start_s) * channel.rate_hz), 0)
    last = max(round((stop_s - channel.start_s) * channel.rate_hz), first)
    samples = channel.samples[first:last]
    finite = np.isfinite(samples)
    if not finite.any():
        empty = np.zeros(0)
        return Trace(label, name, "no samples", False, empty, empty, empty)
    columns = min(_MOST_COLUMNS, samples.size)
    edges = np.linspace(0, samples.size, columns + 1).astype(np.int64)
    filled = np.where(finite, samples, np.median(samples[finite]))
    low = np.minimum.reduceat(filled, edges[:-1])
    high = np.maximum.reduceat(filled, edges[:-1])
    middle = (edges[:-1] + edges[1:] - 1) / 2.0
    bottom, top = float(low.min()), float(high.max())
    span = top - bottom if top > bottom else 1.0
    unit = "" if channel.unit == "1" else f" {channel.unit}"
    note = f"{bottom:.3g} to {top:.3g}{unit}" if top > bottom else f"steady at {top:.3g}{unit}"
    return Trace(
        label=label,
        name=name,
        note=note.replace("-", "\N{MINUS SIGN}"),
        edges=False,
        time_s=channel.start_s + (first + middle) / channel.rate_hz,
        low=(low - bottom) / span,
        high=(high - bottom) / span,
    )


def _trace_of_edges(train: EdgeTrain, start_s: float, stop_s: float) -> Trace:
    rising = train.time_s[train.level_after == 1]
    rising = rising[(rising >= start_s) & (rising <= stop_s)]
    count = rising.size
    if count > _MOST_COLUMNS:
        rising = rising[:: -(-count // _MOST_COLUMNS)]
    return Trace(
        label=channel_title(train.role),
        name=_own_name(train.name, train.role),
        note=f"{count} rising edges",
        edges=True,
        time_s=rising,
        low=np.zeros(rising.size),
        high=np.ones(rising.size),
    )


def size_in(prepared: RecordingFigure) -> tuple[float, float]:
    """Width and height in inches."""
    return style.WIDTH_IN, 0.9 + 0.75 * max(len(prepared.traces), 1)


def compose(figure: "Figure", prepared: RecordingFigure) -> None:
    """Lay the figure out on a page-wide canvas."""
    height = figure.get_figheight()
    bottom = 0.48 / height
    left, width = style.across(figure, 0.245, 0.735)
    draw(figure.add_axes((left, bottom, width, 1 - bottom - 0.06 / height)), prepared)


def draw(axes: "Axes", prepared: RecordingFigure) -> None:
    """Draw the traces, and under them a strip in which each cycle is one box."""
    from matplotlib.collections import PolyCollection

    count = len(prepared.traces)
    for row, trace in enumerate(prepared.traces):
        base = count - 1 - row
        height = 0.74
        if trace.edges:
            axes.vlines(trace.time_s, base, base + height * 0.6, color=style.INK, linewidth=0.7)
        elif trace.time_s.size:
            axes.fill_between(
                trace.time_s, base + height * trace.low, base + height * trace.high,
                color=style.INK, linewidth=0.6,
            )  # fmt: skip
        _label(axes, trace, base)
    for spans, hatch, face in (
        (prepared.kept_s, None, style.BAND),
        (prepared.dropped_s, "////", style.PAPER),
    ):
        boxes = [[(a, -0.5), (b, -0.5), (b, -0.24), (a, -0.24)] for a, b in spans]
        axes.add_collection(
            PolyCollection(boxes, facecolor=face, edgecolor=style.MUTED, linewidth=0.5, hatch=hatch)
        )
    axes.text(
        -0.015, -0.37, "Cycles", transform=axes.get_yaxis_transform(), ha="right", va="center"
    )
    if prepared.kept_s.size + prepared.dropped_s.size == 0:
        axes.text(prepared.start_s, -0.37, "none found", va="center", color=style.MUTED)
    axes.set_ylim(-0.58, max(count, 1) - 0.1)
    axes.set_xlim(prepared.start_s, max(prepared.stop_s, prepared.start_s + 1e-6))
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.set_xlabel("Time, s")


def _label(axes: "Axes", trace: Trace, base: float) -> None:
    """Role, name and range, one text each: lines of one text would not end at the same place."""
    lines = [(trace.label, style.INK, style.FONT_PT)]
    if trace.name:
        lines.append((trace.name, style.INK, style.SMALL_PT))
    lines.append((trace.note, style.MUTED, style.SMALL_PT))
    for row, (text, colour, size) in enumerate(lines):
        axes.annotate(
            _short(text), (0, base + 0.37),
            xycoords=axes.get_yaxis_transform(), xytext=(-8, 12.5 * ((len(lines) - 1) / 2 - row)),
            textcoords="offset points", ha="right", va="center", color=colour, fontsize=size,
        )  # fmt: skip


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST_LABEL else f"{text[: _LONGEST_LABEL - 1].rstrip()}…"

"""Per cylinder: dot, 90 % bar, the band the other cylinders span, and the limits."""

import textwrap
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ringland.figures import style
from ringland.figures.labels import as_percent, channel_title, position_tag
from ringland.model import (
    Assignment,
    Estimate,
    MetricDefinition,
    MetricTable,
    MetricValue,
    Sense,
    State,
    Symptom,
    SymptomTable,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["IntervalPanel", "IntervalRow", "compose", "draw", "prepare", "size_in"]

_COLUMNS = 2
_TITLE_WIDTH = 40
_TITLE_IN = 0.17


@dataclass(frozen=True)
class IntervalRow:
    """One cylinder in one panel, in the unit shown.

    `others_low`, `others_high`: span of the values of the other cylinders, those in alarm
    left out, None when there are none. `alert_at`, `alarm_at`: values at which the state would
    change. `reason` says why there is no value or no judgement.
    """

    label: str
    firing_position: int
    value: float | None
    low: float | None
    high: float | None
    others_low: float | None
    others_high: float | None
    alert_at: tuple[float, ...]
    alarm_at: tuple[float, ...]
    state: State
    reason: str


@dataclass(frozen=True)
class IntervalPanel:
    """One metric: rows in firing order."""

    metric: str
    title: str
    unit: str
    channel: str
    rows: tuple[IntervalRow, ...]


def prepare(
    table: MetricTable, symptoms: SymptomTable | None, assignments: tuple[Assignment, ...]
) -> tuple[IntervalPanel, ...]:
    """One panel per per-cylinder metric and channel, rows in firing order."""
    panels = []
    for definition in table.definitions:
        if not definition.per_cylinder:
            continue
        values = [v for v in table.of_metric(definition.id) if v.firing_position is not None]
        for channel in dict.fromkeys(v.channel for v in values):
            of_channel = sorted(
                (v for v in values if v.channel == channel), key=lambda v: v.firing_position or 0
            )
            panels.append(_panel(definition, channel, of_channel, symptoms, assignments))
    return tuple(panels)


def _panel(
    definition: MetricDefinition,
    channel: str,
    values: list[MetricValue],
    symptoms: SymptomTable | None,
    assignments: tuple[Assignment, ...],
) -> IntervalPanel:
    factor = 100.0 if as_percent(definition) else 1.0
    rows = []
    for value in values:
        position = value.firing_position or 0
        others = [
            v.estimate.value * factor
            for v in values
            if v.firing_position != position
            and v.estimate.value is not None
            and not _in_alarm(symptoms, definition.id, v.firing_position)
        ]
        symptom = _symptom(symptoms, definition.id, position)
        estimate = value.estimate
        rows.append(
            IntervalRow(
                label=position_tag(assignments, position),
                firing_position=position,
                value=_times(estimate.value, factor),
                low=_times(estimate.low, factor),
                high=_times(estimate.high, factor),
                others_low=min(others, default=None),
                others_high=max(others, default=None),
                alert_at=_limits(estimate, symptom, definition.sense, "alert", factor),
                alarm_at=_limits(estimate, symptom, definition.sense, "alarm", factor),
                state=State.NOT_JUDGED if symptom is None else symptom.state,
                reason=_reason(estimate, symptom),
            )
        )
    unit = {"1": "%" if factor > 1 else "", "deg": "°"}.get(definition.unit, definition.unit)
    return IntervalPanel(
        definition.id, definition.title, unit, channel_title(definition.role), tuple(rows)
    )


def _symptom(symptoms: SymptomTable | None, metric: str, position: int | None) -> Symptom | None:
    if symptoms is None:
        return None
    return next(
        (s for s in symptoms.symptoms if s.metric == metric and s.firing_position == position), None
    )


def _in_alarm(symptoms: SymptomTable | None, metric: str, position: int | None) -> bool:
    symptom = _symptom(symptoms, metric, position)
    return symptom is not None and symptom.state is State.ALARM


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def _reason(estimate: Estimate, symptom: Symptom | None) -> str:
    if not estimate.known:
        return estimate.reason or "no value"
    if symptom is None:
        return "not compared with anything"
    return symptom.reason if symptom.state is State.NOT_JUDGED else ""


def _limits(
    estimate: Estimate, symptom: Symptom | None, sense: Sense, kind: str, factor: float
) -> tuple[float, ...]:
    """Values at which the state changes: comparison plus or minus the limit on the deviation."""
    if symptom is None or estimate.value is None or symptom.deviation.value is None:
        return ()
    limit = symptom.alert_limit if kind == "alert" else symptom.alarm_limit
    if limit is None:
        return ()
    comparison = estimate.value - symptom.deviation.value
    signs = {Sense.LOW: (-1,), Sense.HIGH: (1,), Sense.BOTH: (-1, 1)}[sense]
    return tuple((comparison + sign * abs(limit)) * factor for sign in signs)


def size_in(panels: tuple[IntervalPanel, ...], *, narrow: bool = False) -> tuple[float, float]:
    """Width and height in inches."""
    if narrow:
        return style.NARROW_IN, sum(_row_heights(panels, 1)) + 0.65
    return style.WIDTH_IN, sum(_row_heights(panels, _COLUMNS)) + 0.35


def _row_heights(panels: tuple[IntervalPanel, ...], columns: int) -> list[float]:
    grid = [panels[i : i + columns] for i in range(0, len(panels), columns)]
    return [
        _TITLE_IN * max(len(_title(p)) for p in line) + 0.87 + 0.27 * max(len(p.rows) for p in line)
        for line in grid
    ]


def _title(panel: IntervalPanel) -> list[str]:
    return textwrap.wrap(panel.title, _TITLE_WIDTH) or [panel.metric]


def compose(figure: "Figure", panels: tuple[IntervalPanel, ...]) -> None:
    """Two panels abreast (one on a narrow canvas), with the key of the marks at the foot."""
    width, height = figure.get_figwidth(), figure.get_figheight()
    columns = 1 if style.is_narrow(figure) else _COLUMNS
    top = height
    for line, row_height in enumerate(_row_heights(panels, columns)):
        abreast = panels[line * columns : (line + 1) * columns]
        for column, panel in enumerate(abreast):
            left = (0.62 + column * width / columns) / width
            bottom = (top - row_height + 0.48) / height
            tall = row_height - 0.8 - _TITLE_IN * max(len(_title(p)) for p in abreast)
            box = (left, bottom, (width / columns - 0.8) / width, tall / height)
            draw(figure.add_axes(box), panel)
        top -= row_height
    if columns == 1:
        _draw_key(figure, 0.32 / height, _STATES_KEY)
        _draw_key(figure, 0.0, _LIMITS_KEY)
    else:
        _draw_key(figure, 0.0, (*_STATES_KEY, *((x + 3.17, kind) for x, kind in _LIMITS_KEY)))


_STATES_KEY = ((0.14, "normal"), (0.83, "alert"), (1.58, "alarm"), (2.3, "not judged"))
_LIMITS_KEY = ((0.14, "others"), (1.8, "alert limit"), (2.73, "alarm limit"))
"""Inches from the left, and what the mark stands for."""


def _draw_key(figure: "Figure", bottom: float, key: Iterable[tuple[float, str]]) -> None:
    axes = figure.add_axes((0.0, bottom, 1.0, 0.3 / figure.get_figheight()))
    axes.set_axis_off()
    axes.set_xlim(0, figure.get_figwidth())
    axes.set_ylim(0, 1)
    for x, kind in key:
        _draw_key_mark(axes, x, kind)
        text = {"others": "the other cylinders", "not judged": "–  not judged"}.get(kind, kind)
        if kind in _STATES:
            text = style.STATE_WORD[_STATES[kind]]
        shift = {"others": 0.32, "not judged": 0.0, "alert limit": 0.09, "alarm limit": 0.09}
        axes.text(x + shift.get(kind, 0.12), 0.5, text, va="center", fontsize=style.SMALL_PT)


_STATES = {"normal": State.NORMAL, "alert": State.ALERT, "alarm": State.ALARM}


def _draw_key_mark(axes: "Axes", x: float, kind: str) -> None:
    if kind in _STATES:
        _mark(axes, x, 0.5, _STATES[kind])
    elif kind == "others":
        axes.barh([0.5], [0.25], left=x, height=0.62, color=style.BAND)
    elif kind == "alert limit":
        axes.plot([x, x], [0.15, 0.85], color=style.INK, linewidth=1.0, linestyle=(0, (2, 1.5)))
    elif kind == "alarm limit":
        axes.plot([x, x], [0.15, 0.85], color=style.INK, linewidth=1.6)


def _mark(axes: "Axes", x: float, y: float, state: State) -> None:
    colour = style.INK if state is State.NORMAL else style.VERMILLION
    face = style.PAPER if state is State.NORMAL else colour
    axes.plot(
        [x], [y], marker="o", markersize=8.0, markeredgewidth=1.4, markeredgecolor=colour,
        markerfacecolor=face, markerfacecoloralt=style.PAPER,
        fillstyle="full" if state is State.NORMAL else style.STATE_FILL[state], zorder=4,
    )  # fmt: skip


def draw(axes: "Axes", panel: IntervalPanel) -> None:
    """Draw one metric, the first cylinder in the firing order on top."""
    for index, row in enumerate(panel.rows):
        if (
            row.others_low is not None
            and row.others_high is not None
            and row.others_high > row.others_low
        ):
            axes.barh(
                [index], [row.others_high - row.others_low], left=row.others_low, height=0.66,
                color=style.BAND, zorder=1,
            )  # fmt: skip
        for x in row.alert_at:
            axes.vlines(x, index - 0.4, index + 0.4, color=style.INK, linewidth=1.0,
                        linestyle=(0, (2, 1.5)), zorder=2)  # fmt: skip
        for x in row.alarm_at:
            axes.vlines(x, index - 0.4, index + 0.4, color=style.INK, linewidth=1.6, zorder=2)
        _draw_value(axes, index, row)
    axes.set_ylim(len(panel.rows) - 0.4, -0.6)
    axes.set_yticks(range(len(panel.rows)), [r.label for r in panel.rows])
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.locator_params(axis="x", nbins=5)
    axes.margins(x=0.06)
    axes.set_title("\n".join(_title(panel)), loc="left", pad=6, x=-0.16)
    axes.set_xlabel(
        ", ".join(filter(None, (panel.channel, panel.unit))), fontsize=style.SMALL_PT, labelpad=2
    )
    known = [r for r in panel.rows if r.value is not None]
    if not known:
        axes.set_xticks([])
        axes.set_xlim(0, 1)


def _draw_value(axes: "Axes", index: int, row: IntervalRow) -> None:
    if row.value is None or row.low is None or row.high is None:
        axes.text(
            0.02, index, f"–  {_short(row.reason)}", va="center", fontsize=style.SMALL_PT,
            transform=axes.get_yaxis_transform(),
        )  # fmt: skip
        return
    axes.hlines(index, row.low, row.high, color=style.INK, linewidth=2.0, zorder=3)
    if row.state is State.NOT_JUDGED:
        axes.plot(
            [row.value],
            [index],
            marker="_",
            markersize=9,
            markeredgewidth=2.0,
            color=style.INK,
            zorder=4,
        )
        return
    _mark(axes, row.value, index, row.state)
    if row.state is not State.NORMAL:
        middle = np.mean([row.low, row.high])
        axes.annotate(
            style.STATE_WORD[row.state], (float(middle), index), xytext=(0, -9),
            textcoords="offset points", ha="center", va="center", fontsize=7.5, fontweight="bold",
            zorder=5,
            bbox={"facecolor": style.PAPER, "edgecolor": "none", "pad": 0.6},
        )  # fmt: skip


def _short(reason: str, most: int = 30) -> str:
    return reason if len(reason) <= most else reason[: most - 1].rstrip() + "…"

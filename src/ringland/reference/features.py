"""What one recording looks like from each firing position: metrics, and the averaged cycle itself.

For every position the whole averaged cycle is turned so that this position's own pulse comes first.
A fault then looks alike wherever it sits, and what it does to the others is part of the picture.
"""

import numpy as np

from ringland.model import ChannelRole, CylinderSet, EngineSpec, MetricTable
from ringland.model._arrays import FloatArray

__all__ = ["recording_features"]

_MEAN_BINS = 24
_SCATTER_BINS = 12
_SHAPED = {
    ChannelRole.EXHAUST: "exhaust",
    ChannelRole.EXHAUST_2: "exhaust",
    ChannelRole.CRANKCASE: "crankcase",
}


def recording_features(
    table: MetricTable, cylinders: CylinderSet, engine: EngineSpec
) -> tuple[tuple[str, ...], FloatArray]:
    """Names, and (positions, features) with NaN where not measured.

    Metrics as they are; per channel the mean of the averaged cycle and the scatter over cycles in
    bins of crank angle after this position's pulse, both over the size of the averaged cycle.
    """
    positions = engine.cylinders
    names: list[str] = []
    columns: list[FloatArray] = []
    for definition in table.definitions:
        if definition.per_cylinder:
            names.append(definition.id)
            columns.append(_metric_column(table, definition.id, positions)[:, None])
    shapes: dict[str, FloatArray] = {}
    for signal in cylinders.signals:
        kind = _SHAPED.get(signal.role)
        if kind is None:
            continue
        heard = next(
            (s.positions for s in cylinders.shares if s.channel == signal.channel),
            tuple(range(1, positions + 1)),
        )
        rows = shapes.setdefault(kind, np.full((positions, _MEAN_BINS + _SCATTER_BINS), np.nan))
        arrival = next(
            (
                d.pulse_angle_deg.value
                for d in cylinders.delays
                if d.channel == signal.channel and kind == "exhaust"
            ),
            None,
        )
        scatter = np.asarray(signal.values.std(0))
        for position in heard:
            start = engine.firing_angles_deg[position - 1] + (arrival or 0.0)
            rows[position - 1] = _turned(signal.mean, scatter, start / engine.cycle_deg)
    for kind, rows in shapes.items():
        names += [f"{kind} mean {b:02d}" for b in range(_MEAN_BINS)]
        names += [f"{kind} scatter {b:02d}" for b in range(_SCATTER_BINS)]
        columns.append(rows)
    values = np.concatenate(columns, axis=1) if columns else np.zeros((positions, 0))
    return tuple(names), values


def _metric_column(table: MetricTable, metric: str, positions: int) -> FloatArray:
    column = np.full(positions, np.nan)
    for value in table.of_metric(metric):
        if value.firing_position is not None and value.estimate.value is not None:
            column[value.firing_position - 1] = value.estimate.value
    return column


def _turned(mean: FloatArray, scatter: FloatArray, turns: float) -> FloatArray:
    """Mean and scatter in bins, begun 30 degrees of a four-stroke cycle before `turns`."""
    count = len(mean)
    size = float(mean.std()) or 1.0
    shift = round((turns - 1.0 / 24.0) * count)

    def binned(values: FloatArray, bins: int) -> FloatArray:
        edges = np.linspace(0, count, bins + 1).astype(int)
        sums = np.add.reduceat(np.roll(values, -shift), edges[:-1])
        averaged: FloatArray = sums / np.diff(edges)
        return averaged

    level = float(mean.mean())
    return np.concatenate(
        [binned(mean - level, _MEAN_BINS) / size, binned(scatter, _SCATTER_BINS) / size]
    )

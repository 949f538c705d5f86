"""What one recording looks like from each firing position, as one row of numbers per position.

For every position the whole averaged cycle is turned so that this position's own pulse comes first.
A fault then looks alike wherever it sits, and what it does to the others is part of the picture.
Where a recording of the same engine while it was sound is given, what the cylinders differed by
then is taken off. Equations (1) to (3) of docs/theory/reference.md.
"""

from collections.abc import Collection
from dataclasses import dataclass
from itertools import accumulate
from statistics import median

import numpy as np

from ringland.model import (
    COMPRESSION_METRICS,
    AngleSignal,
    ChannelRole,
    CylinderSet,
    EngineSpec,
    Estimate,
    Fuel,
    MetricTable,
    arrival_prior,
)
from ringland.model._arrays import FloatArray
from ringland.reference.turned import NUMBERS, others_from_each, own_and_shared, wave_columns

__all__ = [
    "BLOCKS",
    "METRICS",
    "WAVE_PARTS",
    "Block",
    "Measured",
    "columns_of",
    "hide",
    "recording_features",
]

METRICS = {
    "exhaust_pulse_strength": 0.1,
    "exhaust_misfire_rate": 0.05,
    "exhaust_cycle_scatter": 0.05,
    "exhaust_early_pressure": 0.1,
    "exhaust_suction": 0.1,
    "crankcase_push": 0.3,
    "crankcase_pull": 0.3,
    "intake_draw": 0.1,
    "relative_compression": 0.1,
    "crank_torque_pulse": 0.1,
    "starter_relative_compression": 0.1,
}
"""Metrics among the features, each with the deviation from which on it is taken logarithmically."""


WAVE_PARTS = (72, 72, 36, 36, 36, 36)
"""Bins of the parts of one channel: own part of the usual cycle, shared part, what the mean has
over the usual cycle, own part of the scatter, shared scatter, own part of the skewness."""

_FINE = 144
_BEFORE_DEG = 60.0
"""The exhaust's picture begins this long before the arrival of the position's blow-down."""


@dataclass(frozen=True)
class Block:
    """Columns `start` to `stop` of the features."""

    start: int
    stop: int

    @property
    def columns(self) -> slice:
        """The same as a slice."""
        return slice(self.start, self.stop)


_SIZES = {
    "exhaust": sum(WAVE_PARTS),
    "exhaust_there": 1,
    "crankcase": sum(WAVE_PARTS),
    "crankcase_there": 1,
    "intake": sum(WAVE_PARTS),
    "intake_there": 1,
    "metrics": len(METRICS),
    "metrics_there": len(METRICS),
    "others": 36,
    "arrival": 4,
    "engine": len(NUMBERS) + 5,
}
_STOPS = tuple(accumulate(_SIZES.values()))
BLOCKS = {
    name: Block(stop - size, stop)
    for (name, size), stop in zip(_SIZES.items(), _STOPS, strict=True)
}
"""Where each kind of feature stands in a row."""

_METRIC_COLUMNS = {
    "exhaust": [i for i, name in enumerate(METRICS) if name.startswith("exhaust")],
    "crankcase": [i for i, name in enumerate(METRICS) if name.startswith("crankcase")],
}


def columns_of(channel: str) -> list[int]:
    """Columns that hang on the exhaust or on the crankcase."""
    names = (channel, f"{channel}_there", *(("arrival",) if channel == "exhaust" else ()))
    found = [c for n in names for c in range(BLOCKS[n].start, BLOCKS[n].stop)]
    for column in _METRIC_COLUMNS[channel]:
        found += [BLOCKS["metrics"].start + column, BLOCKS["metrics_there"].start + column]
    return found


def hide(values: FloatArray, channel: str) -> FloatArray:
    """The features (..., columns) as they would be without the exhaust or the crankcase."""
    hidden = np.array(values)
    hidden[..., columns_of(channel)] = 0.0
    return hidden


@dataclass(frozen=True, eq=False)
class Measured:
    """What was measured on one recording: metrics, averaged cycles and mean speed."""

    table: MetricTable
    cylinders: CylinderSet
    speed_rpm: float


def recording_features(
    table: MetricTable,
    cylinders: CylinderSet,
    engine: EngineSpec,
    *,
    speed_rpm: float,
    sound: Measured | None = None,
    left_out: Collection[str] = (),
) -> FloatArray | None:
    """(positions, columns) as BLOCKS says, zero where a thing was not measured.

    `sound`: a recording of the same engine run the same way while it was sound, its positions
    those of this one. What each cylinder differed by from the others then is subtracted; channels
    and metrics that it lacks count as not measured. `left_out`: metrics that something else judges.

    None where nothing can be compared: a two-stroke engine, a single cylinder, or no exhaust and no
    crankcase channel with at least two cylinders.
    """
    if engine.strokes != 4 or engine.cylinders < 2:
        return None
    rows = np.zeros((engine.cylinders, _STOPS[-1]))
    everyone = tuple(range(1, engine.cylinders + 1))
    for signal in cylinders.signals:
        if signal.role in (ChannelRole.EXHAUST, ChannelRole.EXHAUST_2):
            _exhaust(rows, signal, cylinders, engine, speed_rpm=speed_rpm, sound=sound)
        elif signal.role in _EVERYONE:
            then = _same_channel(signal, sound)
            if sound is None or then is not None:
                name = _EVERYONE[signal.role]
                _wave(rows, name, signal, positions=everyone, engine=engine, then=then)
    heard = rows[:, [BLOCKS["exhaust_there"].start, BLOCKS["crankcase_there"].start]]
    if not heard.any():
        return None
    # no case is turned by its starter, so nothing was learnt of compressions
    _metrics(rows, table, sound, {*COMPRESSION_METRICS, *left_out})
    others = BLOCKS["others"]
    rows[:, others.columns] = others_from_each(engine, others.stop - others.start)
    rows[:, BLOCKS["engine"].columns] = _engine(cylinders, engine, speed_rpm)
    return rows


_EVERYONE = {ChannelRole.CRANKCASE: "crankcase", ChannelRole.INTAKE: "intake"}
"""Channels that hear every cylinder, without a way that delays it."""


def _same_channel(signal: AngleSignal, sound: Measured | None) -> AngleSignal | None:
    """The same channel when the engine was sound."""
    if sound is None:
        return None
    return next((s for s in sound.cylinders.signals if s.role is signal.role), None)


def _heard(cylinders: CylinderSet, channel: str) -> tuple[int, ...]:
    return next((s.positions for s in cylinders.shares if s.channel == channel), ())


def _exhaust(
    rows: FloatArray,
    signal: AngleSignal,
    cylinders: CylinderSet,
    engine: EngineSpec,
    *,
    speed_rpm: float,
    sound: Measured | None,
) -> None:
    positions = _heard(cylinders, signal.channel)
    arrival = next(
        (d.pulse_angle_deg for d in cylinders.delays if d.channel == signal.channel), None
    )
    if not positions:
        return
    prior = arrival_prior(engine, speed_rpm)
    if arrival is None or arrival.value is None:
        # without a cylinder reference the cycle is turned so that pulses arrive when usual
        arrival = Estimate.from_se(prior.height_deg, prior.sd_deg, "deg")
    assert arrival.value is not None
    shift = arrival.value - _BEFORE_DEG
    then, then_shift = _same_channel(signal, sound), shift
    if sound is not None:
        if then is None or set(_heard(sound.cylinders, then.channel)) != set(positions):
            return
        # the way takes the same time, another angle at another speed
        way_deg = arrival.value - prior.rise_deg
        then_shift += way_deg * (sound.speed_rpm / speed_rpm - 1.0)
    _wave(
        rows,
        "exhaust",
        signal,
        positions=positions,
        engine=engine,
        shift_deg=shift,
        then=then,
        then_shift_deg=then_shift,
    )
    known = arrival.low is not None and arrival.high is not None
    width = ((arrival.high or 0.0) - (arrival.low or 0.0)) / 50.0 if known else 1.0
    rows[np.array(positions) - 1, BLOCKS["arrival"].columns] = (
        arrival.value / 300.0,
        width,
        np.log(speed_rpm / 1000.0),
        len(positions) / engine.cylinders,
    )


def _wave(
    rows: FloatArray,
    name: str,
    signal: AngleSignal,
    *,
    positions: tuple[int, ...],
    engine: EngineSpec,
    shift_deg: float = 0.0,
    then: AngleSignal | None = None,
    then_shift_deg: float = 0.0,
) -> None:
    """Own and shared part of one channel, seen from each of the positions that it hears.

    `then`: the same channel when the engine was sound, whose own part is taken off.
    """
    firing = np.array([engine.firing_angles_deg[p - 1] for p in positions])
    seen = own_and_shared(signal, firing + shift_deg, engine.cycle_deg, _FINE)
    if seen is None:
        return
    own_before = None
    if then is not None:
        before = own_and_shared(then, firing + then_shift_deg, engine.cycle_deg, _FINE)
        if before is None:
            return
        own_before = before[0]
    heard = np.array(positions) - 1
    rows[heard, BLOCKS[name].columns] = wave_columns(*seen[:2], own_before, WAVE_PARTS[0])
    rows[heard, BLOCKS[f"{name}_there"].start] = 1.0


def _metrics(
    rows: FloatArray, table: MetricTable, sound: Measured | None, left_out: Collection[str]
) -> None:
    """Each metric less the median of the engine's cylinders, and less the same when sound."""
    for column, (metric, scale) in enumerate(METRICS.items()):
        if metric in left_out:
            continue
        before = {} if sound is None else _from_median(sound.table, metric)
        for position, value in _from_median(table, metric).items():
            if sound is not None and position not in before:
                continue
            change = value - before.get(position, 0.0)
            rows[position - 1, BLOCKS["metrics"].start + column] = np.arcsinh(change / scale)
            rows[position - 1, BLOCKS["metrics_there"].start + column] = 1.0


def _from_median(table: MetricTable, metric: str) -> dict[int, float]:
    """One metric less its median over the cylinders, by firing position."""
    known = {
        v.firing_position: v.estimate.value
        for v in table.of_metric(metric)
        if v.firing_position is not None and v.estimate.value is not None
    }
    middle = median(known.values()) if known else 0.0
    return {position: value - middle for position, value in known.items()}


def _engine(cylinders: CylinderSet, engine: EngineSpec, speed_rpm: float) -> FloatArray:
    nearest = min(NUMBERS, key=lambda n: abs(n - engine.cylinders))
    cycles = max((len(s.values) for s in cylinders.signals), default=1)
    numbered = any(a.cylinder is not None for a in cylinders.assignments)
    return np.array(
        [
            *(float(n == nearest) for n in NUMBERS),
            np.log(speed_rpm / 1000.0),
            np.log(cycles / 30.0),
            float(engine.fuel is Fuel.DIESEL),
            float(engine.fuel is Fuel.PETROL),
            float(numbered),
        ]
    )

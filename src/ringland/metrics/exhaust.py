"""Metrics of the exhaust pulse of each cylinder."""

import numpy as np
from numpy.typing import NDArray

from ringland.metrics._values import over_cycles, too_few
from ringland.model import (
    AngleSignal,
    ChannelRole,
    CylinderSet,
    CylinderShare,
    Estimate,
    MetricDefinition,
    MetricValue,
    Sense,
)

__all__ = ["DEFINITIONS", "exhaust_metrics"]

FloatArray = NDArray[np.float64]

STRENGTH = MetricDefinition(
    id="exhaust_pulse_strength",
    title="Exhaust pulse strength",
    unit="1",
    role=ChannelRole.EXHAUST,
    sense=Sense.LOW,
    valid_low=-5.0,
    valid_high=5.0,
    fewest_cycles=4,
    healthy_spread=0.065,
    alert_deviation=0.2,
    alarm_deviation=0.4,
    citation="heuristic",
)
SCATTER = MetricDefinition(
    id="exhaust_cycle_scatter",
    title="Cycle-to-cycle scatter of the exhaust pulse",
    unit="1",
    role=ChannelRole.EXHAUST,
    sense=Sense.HIGH,
    valid_low=0.0,
    valid_high=5.0,
    fewest_cycles=8,
    healthy_spread=0.06,
    alert_deviation=0.2,
    alarm_deviation=0.4,
    citation="heuristic",
)
MISFIRE = MetricDefinition(
    id="exhaust_misfire_rate",
    title="Cycles with a missing exhaust pulse",
    unit="1",
    role=ChannelRole.EXHAUST,
    sense=Sense.HIGH,
    valid_low=0.0,
    valid_high=1.0,
    fewest_cycles=6,
    healthy_spread=0.0,
    alert_deviation=0.01,
    alarm_deviation=0.04,
    citation="wilson1927",
)
EARLY = MetricDefinition(
    id="exhaust_early_pressure",
    title="Exhaust pressure before the blow-down",
    unit="1",
    role=ChannelRole.EXHAUST,
    sense=Sense.HIGH,
    valid_low=-5.0,
    valid_high=5.0,
    fewest_cycles=4,
    healthy_spread=0.1,
    alert_deviation=0.3,
    alarm_deviation=0.5,
    citation="heuristic",
)
SUCTION = MetricDefinition(
    id="exhaust_suction",
    title="Depth of suction at the blow-down",
    unit="1",
    role=ChannelRole.EXHAUST,
    sense=Sense.HIGH,
    valid_low=-5.0,
    valid_high=5.0,
    fewest_cycles=4,
    healthy_spread=0.12,
    alert_deviation=0.35,
    alarm_deviation=0.6,
    citation="heuristic",
)
DEFINITIONS = (STRENGTH, MISFIRE, SCATTER, EARLY, SUCTION)

_EARLY_DEG = (-150.0, -60.0)  # before the arrival: compression and expansion of this cylinder
_SUCTION_DEG = (-30.0, 45.0)


def exhaust_metrics(cylinders: CylinderSet) -> list[MetricValue]:
    """Values of every exhaust channel."""
    out: list[MetricValue] = []
    for share in cylinders.shares:
        if share.role not in (ChannelRole.EXHAUST, ChannelRole.EXHAUST_2):
            continue
        signal = next(s for s in cylinders.signals if s.channel == share.channel)
        for column, position in enumerate(share.positions):
            values = share.strength[:, column]
            out.append(over_cycles(STRENGTH, share.channel, position, values))
            out.append(_scatter(share, column, position))
        out.extend(_windows(share, signal))
        out.extend(_misfires(cylinders, share))
    return out


def _scatter(share: CylinderShare, column: int, position: int) -> MetricValue:
    values = share.strength[:, column]
    values = values[np.isfinite(values)]
    if len(values) < SCATTER.fewest_cycles:
        return too_few(SCATTER, share.channel, position, len(values))
    spread = float(np.std(values, ddof=1))
    error = spread / np.sqrt(2.0 * (len(values) - 1))
    return MetricValue(
        SCATTER.id, share.channel, position, Estimate.from_se(spread, error, "1"), error
    )


def _windows(share: CylinderShare, signal: AngleSignal) -> list[MetricValue]:
    """Early pressure and suction from each cylinder's own window."""
    out: list[MetricValue] = []
    size = float(np.ptp(share.common))
    cycles = signal.values.shape[0]
    step = float(share.window_angle_deg[1] - share.window_angle_deg[0])
    interval = step * len(share.window_angle_deg) / 1.5
    early = (share.window_angle_deg >= max(_EARLY_DEG[0], -0.5 * interval)) & (
        share.window_angle_deg < _EARLY_DEG[1] * min(1.0, interval / 180.0)
    )
    late = (share.window_angle_deg >= _SUCTION_DEG[0]) & (
        share.window_angle_deg < min(_SUCTION_DEG[1], 0.95 * interval)
    )
    for row, position in enumerate(share.positions):
        if cycles < EARLY.fewest_cycles or size <= 0.0 or not early.any():
            out.extend(too_few(d, share.channel, position, cycles) for d in (EARLY, SUCTION))
            continue
        difference = share.deviation[row] / size
        error = share.window_se[row] / size
        out.append(_mean_of(EARLY, share.channel, position, difference[early], error[early]))
        lowest = float(difference[late].min())
        out.append(_point(SUCTION, share.channel, position, -lowest, float(error[late].mean())))
    return out


def _mean_of(
    definition: MetricDefinition,
    channel: str,
    position: int,
    values: FloatArray,
    errors: FloatArray,
) -> MetricValue:
    # neighbouring angles move together: the mean error is not divided by their number
    return _point(definition, channel, position, float(values.mean()), float(errors.mean()))


def _point(
    definition: MetricDefinition, channel: str, position: int, value: float, error: float
) -> MetricValue:
    error = max(error, 1e-9)
    return MetricValue(
        definition.id, channel, position, Estimate.from_se(value, error, definition.unit), error
    )


def _misfires(cylinders: CylinderSet, share: CylinderShare) -> list[MetricValue]:
    out = []
    for count in cylinders.misfires:
        if count.channel != share.channel:
            continue
        if count.cycles < MISFIRE.fewest_cycles:
            out.append(too_few(MISFIRE, share.channel, count.firing_position, count.cycles))
            continue
        out.append(MetricValue(MISFIRE.id, share.channel, count.firing_position, count.rate))
    return out

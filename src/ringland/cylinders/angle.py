"""Channels resampled to crank angle, and their robust average over cycles.

Sources: synchronous averaging, ISO 13373-2 (method only); trimmed mean and its standard error from
the winsorised variance, Tukey & McLaughlin, Sankhya A 25 (1963) 331.
"""

from dataclasses import dataclass
from functools import lru_cache

import numba
import numpy as np
from numpy.typing import NDArray

from ringland.model import AngleSignal, Channel, CycleSet
from ringland.model._arrays import read_only
from ringland.signals import fill_gaps, resample_at

__all__ = ["ANGLE_POINTS", "angle_signal", "robust_average"]

FloatArray = NDArray[np.float64]

ANGLE_POINTS = 720
"""Columns per engine cycle."""

_TRIM = 0.15  # share of cycles left out at each end of every column


def angle_signal(channel: Channel, cycles: CycleSet) -> AngleSignal | str:
    """One channel against crank angle, kept cycles only, or the reason why it cannot be.

    Drift slower than a cycle is taken out (the mean over exactly one cycle, centred), which
    leaves every order untouched; the mean level of the recording is put back.
    """
    samples, bad = fill_gaps(channel.samples)
    if bad > 0.2 * len(samples):
        return f"{bad} of {len(samples)} samples are missing"
    start = channel.start_s
    stop = channel.start_s + (len(samples) - 1) / channel.rate_hz
    grid = _grid(cycles, start, stop)
    if grid is None:
        return "no kept cycle lies within this channel"
    index = list(grid.index)
    cutoff = min(0.5 * channel.rate_hz, 0.45 * ANGLE_POINTS / grid.shortest_s)
    values = resample_at(samples, channel.rate_hz, grid.time_s, cutoff)
    values = values.reshape(len(index), ANGLE_POINTS)
    whole = np.asarray(np.isfinite(values).all(axis=1))
    if not whole.any():
        return "no kept cycle lies within this channel"
    values, index = values[whole], [i for i, ok in zip(index, whole, strict=True) if ok]
    level = float(values.mean())
    values = _without_drift(values)
    values += level
    mean, error, low, high = robust_average(values)
    return AngleSignal(
        channel.name,
        channel.role,
        channel.unit,
        grid.angle_deg,
        values,
        mean,
        error,
        low,
        high,
        tuple(index),
    )


@dataclass(frozen=True, eq=False)
class _Grid:
    """Where the kept cycles within a channel are read: `index` of each cycle, the length of the
    `shortest_s`, `angle_deg` of the columns, and `time_s` of all points after the first sample
    (-1 where there is no angle)."""

    index: tuple[int, ...]
    shortest_s: float
    angle_deg: FloatArray
    time_s: FloatArray


@lru_cache(maxsize=2)  # the channels of a recording mostly begin and end together
def _grid(cycles: CycleSet, start_s: float, stop_s: float) -> _Grid | None:
    """None where no kept cycle lies between two times."""
    index = [
        i
        for i, use in enumerate(cycles.cycles)
        if use.kept and use.start_s >= start_s and use.stop_s <= stop_s
    ]
    if not index:
        return None
    columns = np.arange(ANGLE_POINTS, dtype=np.float64) * (cycles.cycle_deg / ANGLE_POINTS)
    first = np.array([cycles.cycles[i].start_s for i in index])
    base = np.round(cycles.angle_at(first + 1e-9) / cycles.cycle_deg) * cycles.cycle_deg
    angle = base[:, None] + columns[None, :]
    time = cycles.time_at(angle.ravel()) - start_s
    shortest = min(cycles.cycles[i].stop_s - cycles.cycles[i].start_s for i in index)
    return _Grid(
        tuple(index), shortest, read_only(columns), read_only(np.nan_to_num(time, nan=-1.0))
    )


def _without_drift(values: FloatArray) -> FloatArray:
    """Rows less a straight line through the means of the neighbouring rows, and less their mean.

    A row's own mean is its level; half the difference of the neighbours' means is its slope.
    """
    level = values.mean(axis=1)
    slope = np.gradient(level) if len(level) > 1 else np.zeros(1)
    ramp = (np.arange(values.shape[1]) + 0.5) / values.shape[1] - 0.5
    drift: FloatArray = slope[:, None] * ramp[None, :]
    drift += level[:, None]
    np.subtract(values, drift, out=drift)
    return drift


@numba.njit(cache=True)
def _columns(ordered: FloatArray, trim: int, out: FloatArray) -> None:
    """Rows of `out`: trimmed mean, its standard error, 5 % and 95 % points of each column of
    `ordered`, whose columns rise."""
    rows, columns = ordered.shape
    kept = rows - 2 * trim
    for c in range(columns):
        middle = 0.0
        for r in range(trim, rows - trim):
            middle += ordered[r, c]
        middle /= kept
        # winsorised variance
        bottom, top = ordered[trim, c], ordered[rows - trim - 1, c]
        average = (middle * kept + trim * (bottom + top)) / rows
        variance = trim * ((bottom - average) ** 2 + (top - average) ** 2)
        for r in range(trim, rows - trim):
            variance += (ordered[r, c] - average) ** 2
        out[0, c] = middle
        out[1, c] = np.sqrt(variance / max(rows - 1, 1) / rows) * rows / kept
        out[2, c] = ordered[int(0.05 * (rows - 1)), c]
        out[3, c] = ordered[int(np.ceil(0.95 * (rows - 1))), c]


def robust_average(values: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Trimmed mean over rows, its standard error, and the 5 % and 95 % points.

    `values` (cycles, angles); each result (angles,). With fewer than 7 cycles nothing is trimmed.
    """
    rows, columns = values.shape
    trim = int(_TRIM * rows) if rows >= 7 else 0
    out = np.empty((4, columns))
    _columns(np.ascontiguousarray(np.sort(values, axis=0)), trim, out)
    return out[0], out[1], out[2], out[3]

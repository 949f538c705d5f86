"""Anti-aliased resampling.

Sources: windowed-sinc interpolation, e.g. Oppenheim & Schafer, Discrete-Time Signal Processing,
ch. 4 and 7 (Kaiser window); Harris, Proc. IEEE 66 (1978) 51 for the window figures.
"""

import math

import numba
import numpy as np
from numpy.typing import NDArray

__all__ = ["block_decimate", "resample_at"]

FloatArray = NDArray[np.float64]

_TABLE_STEPS = 256  # kernel table entries per zero crossing; linear between them
_ZERO_CROSSINGS = 6  # half width of the kernel in zero crossings of the sinc
_KAISER_BETA = 7.0  # about 70 dB of stop-band rejection
_AT_ONCE = 16  # samples a processor takes at once; rows are padded to whole numbers of them


def _kernel_table() -> FloatArray:
    position = np.arange(_ZERO_CROSSINGS * _TABLE_STEPS + 2) / _TABLE_STEPS
    inside = np.clip(1.0 - (position / _ZERO_CROSSINGS) ** 2, 0.0, None)
    window = np.i0(_KAISER_BETA * np.sqrt(inside)) / np.i0(_KAISER_BETA)
    table: FloatArray = np.where(position <= _ZERO_CROSSINGS, np.sinc(position) * window, 0.0)
    return table


_TABLE = _kernel_table()


@numba.njit(cache=True)
def _kernel(zero_crossings: float, table: FloatArray) -> float:  # pragma: no cover - compiled
    where = abs(zero_crossings) * _TABLE_STEPS
    index = int(where)
    if index >= table.shape[0] - 1:
        return 0.0
    return float(table[index] + (where - index) * (table[index + 1] - table[index]))


@numba.njit(cache=True)
def _kernel_rows(
    scale: float, phases: int, reach: int, table: FloatArray
) -> FloatArray:  # pragma: no cover - compiled
    """Row p: weights of the 2 * reach samples around a point p / phases after the sample
    before it, zeros up to a whole number of _AT_ONCE; the last column is their sum."""
    taps = 2 * reach
    padded = -(-taps // _AT_ONCE) * _AT_ONCE
    rows = np.zeros((phases + 1, padded + 1))
    for p in range(phases + 1):
        for k in range(taps):
            weight = _kernel((k - reach + 1 - p / phases) * scale, table)
            rows[p, k] = weight
            rows[p, padded] += weight
    return rows


@numba.njit(cache=True, fastmath={"reassoc", "contract"})
def _weighted(
    samples: FloatArray, lower: FloatArray, upper: FloatArray, part: float
) -> float:  # pragma: no cover - compiled
    """Sum of samples under weights between two rows; order of the terms is left to the machine."""
    total = 0.0
    for k in range(samples.shape[0]):
        total += (lower[k] + part * (upper[k] - lower[k])) * samples[k]
    return total


@numba.njit(cache=True)
def _resample_at(
    samples: FloatArray,
    position: FloatArray,
    cutoff_per_sample: float,
    table: FloatArray,
    out: FloatArray,
) -> None:  # pragma: no cover - compiled
    n = samples.shape[0]
    scale = 2.0 * cutoff_per_sample  # zero crossings per input sample
    half = (table.shape[0] - 2) / _TABLE_STEPS / scale
    reach = math.ceil(half) + 1
    # rows as far apart as the entries of the table, so that lines between them err no more
    phases = max(2, math.ceil(_TABLE_STEPS * scale))
    rows = _kernel_rows(scale, phases, reach, table)
    padded = rows.shape[1] - 1
    for i in range(position.shape[0]):
        centre = position[i]
        if not (0.0 <= centre <= n - 1):
            out[i] = np.nan
            continue
        before = int(centre)
        first, last = before - reach + 1, before + reach
        if first >= 0 and last < n:
            where = (centre - before) * phases
            p = min(int(where), phases - 1)
            part = where - p
            lower, upper = rows[p], rows[p + 1]
            weights = lower[padded] + part * (upper[padded] - lower[padded])
            stop = first + padded if first + padded <= n else last + 1
            out[i] = _weighted(samples[first:stop], lower, upper, part) / weights
            continue
        total = 0.0
        weights = 0.0
        for k in range(max(0, first), min(n - 1, last) + 1):
            weight = _kernel((k - centre) * scale, table)
            total += weight * samples[k]
            weights += weight
        out[i] = total / weights


def resample_at(
    samples: FloatArray, rate_hz: float, time_s: FloatArray, cutoff_hz: float
) -> FloatArray:
    """Band-limited values of a uniformly sampled signal at arbitrary times.

    `samples` (n,), first one at time 0; `time_s` (m,) seconds. Frequencies above `cutoff_hz`
    (at most half the rate) are removed. NaN outside the samples. Near the ends the kernel is
    cut and renormalised.
    """
    out = np.empty(len(time_s))
    cutoff = min(cutoff_hz / rate_hz, 0.5)
    _resample_at(
        np.ascontiguousarray(samples, dtype=np.float64),
        np.ascontiguousarray(time_s, dtype=np.float64) * rate_hz,
        cutoff,
        _TABLE,
        out,
    )
    return out


@numba.njit(cache=True, fastmath={"reassoc", "contract"})
def _block_decimate(samples: FloatArray, factor: int, window: FloatArray, out: FloatArray) -> None:
    n = samples.shape[0]
    length = window.shape[0]
    for i in range(out.shape[0]):
        first = i * factor - (length - factor) // 2
        if first >= 0 and first + length <= n:
            total = 0.0
            for k in range(length):
                total += window[k] * samples[first + k]
            out[i] = total
        else:
            total = 0.0
            weights = 0.0
            for k in range(max(0, -first), min(length, n - first)):
                total += window[k] * samples[first + k]
                weights += window[k]
            out[i] = total / weights if weights > 0.0 else 0.0


def block_decimate(samples: FloatArray, factor: int) -> FloatArray:
    """Low-pass and keep one sample in `factor`.

    The filter is a Hann window four output steps long (null at half the new rate). Output sample
    i stands for the middle of input block i, i.e. input position i * factor + (factor - 1) / 2.
    """
    n = len(samples)
    count = n // factor
    if factor <= 1:
        return np.ascontiguousarray(samples, dtype=np.float64)
    length = 4 * factor if factor % 2 == 0 else 4 * factor - 1
    if (length - factor) % 2:
        length -= 1
    k = np.arange(length)
    window = 1.0 - np.cos(2.0 * np.pi * (k + 0.5) / length)
    window /= window.sum()
    out = np.empty(count)
    _block_decimate(np.ascontiguousarray(samples, dtype=np.float64), factor, window, out)
    return out

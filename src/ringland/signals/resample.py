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
IntArray = NDArray[np.int64]

_TABLE_STEPS = 256  # kernel table entries per zero crossing; linear between them
_ZERO_CROSSINGS = 6  # half width of the kernel in zero crossings of the sinc
_KAISER_BETA = 7.0  # about 70 dB of stop-band rejection
_POINTS_AT_ONCE = 512
_MOST_ROWS = 32
_AT_ONCE = 16  # samples a processor takes at once; rows are padded to whole numbers of them
_FEW = 4  # samples over that take no longer one by one


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
    before it, zeros up to a whole number of _AT_ONCE unless few are over; the last column is
    their sum."""
    taps = 2 * reach
    over = taps % _AT_ONCE
    padded = taps if over <= _FEW else taps - over + _AT_ONCE
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


@numba.njit(cache=True, fastmath={"reassoc", "contract"})
def _weighted_4(  # noqa: PLR0917
    samples: FloatArray,
    place: NDArray[np.uint64],
    count: np.uint64,
    rows: FloatArray,
    p: np.uint64,
    part: FloatArray,
) -> tuple[float, float, float, float]:  # pragma: no cover - compiled
    """The same of `count` samples at four places with the same rows, p and the next, which are then
    read once. Places are unsigned: those cannot count from the end."""
    a, b, c, d = place[0], place[1], place[2], place[3]
    part_a, part_b, part_c, part_d = part[0], part[1], part[2], part[3]
    at_a = at_b = at_c = at_d = 0.0
    after = p + np.uint64(1)
    for k in range(count):
        low = rows[p, k]
        rise = rows[after, k] - low
        at_a += (low + part_a * rise) * samples[a + k]
        at_b += (low + part_b * rise) * samples[b + k]
        at_c += (low + part_c * rise) * samples[c + k]
        at_d += (low + part_d * rise) * samples[d + k]
    return at_a, at_b, at_c, at_d


@numba.njit(cache=True)
def _by_row(
    position: FloatArray, first: int, last: int, ends: tuple[int, int], phases: int
) -> tuple[IntArray, IntArray]:  # pragma: no cover - compiled
    """Points first .. last - 1 ordered by the row of weights they begin in, and where each row's
    begin; those whose sample before them is outside `ends` come last, as row `phases`."""
    row = np.empty(last - first, dtype=np.int64)
    begin = np.zeros(phases + 2, dtype=np.int64)
    for i in range(first, last):
        centre = position[i]
        row[i - first] = phases
        if ends[0] <= centre < ends[1] + 1.0:  # False for NaN
            row[i - first] = min(int((centre - int(centre)) * phases), phases - 1)
        begin[row[i - first] + 1] += 1
    begin = np.cumsum(begin)
    order, filled = np.empty(last - first, dtype=np.int64), begin.copy()
    for i in range(first, last):
        order[filled[row[i - first]]] = i
        filled[row[i - first]] += 1
    return order, begin


@numba.njit(cache=True)
def _one_by_one(  # noqa: PLR0917
    samples: FloatArray,
    position: FloatArray,
    scale: float,
    reach: int,
    rows: FloatArray,
    table: FloatArray,
    out: FloatArray,
) -> None:  # pragma: no cover - compiled
    """Values at all points; an end of the samples may cut the kernel. NaN outside them."""
    n, phases, padded = samples.shape[0], rows.shape[0] - 1, rows.shape[1] - 1
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


@numba.njit(cache=True)
def _four_at_a_time(  # noqa: PLR0917
    samples: FloatArray,
    position: FloatArray,
    reach: int,
    rows: FloatArray,
    out: FloatArray,
    rest: IntArray,
) -> int:  # pragma: no cover - compiled
    """Values at points that share their rows with three others nearby; the numbers of those that
    do not, or lie too near an end, go into `rest`, and how many there are is returned."""
    n, phases, padded = samples.shape[0], rows.shape[0] - 1, rows.shape[1] - 1
    # of the sample before a point, so that the rows with their zeros fit into the samples
    ends = (reach - 1, n - padded + reach - 1)
    place, part = np.empty(4, dtype=np.uint64), np.empty(4)
    left = 0
    for start in range(0, position.shape[0], _POINTS_AT_ONCE):
        stop = min(start + _POINTS_AT_ONCE, position.shape[0])
        order, begin = _by_row(position, start, stop, ends, phases)
        for p in range(phases + 1):
            whole = begin[p] + (begin[p + 1] - begin[p]) // 4 * 4 if p < phases else begin[p]
            for j in range(whole, begin[p + 1]):
                rest[left] = order[j]
                left += 1
            for j in range(begin[p], whole, 4):
                for q in range(4):
                    centre = position[order[j + q]]
                    before = int(centre)
                    place[q] = np.uint64(before - reach + 1)
                    part[q] = (centre - before) * phases - p
                values = _weighted_4(samples, place, np.uint64(padded), rows, np.uint64(p), part)
                for q in range(4):
                    more = rows[p + 1, padded] - rows[p, padded]
                    out[order[j + q]] = values[q] / (rows[p, padded] + part[q] * more)
    return left


@numba.njit(cache=True)
def _resample_at(
    samples: FloatArray,
    position: FloatArray,
    cutoff_per_sample: float,
    table: FloatArray,
    out: FloatArray,
) -> None:  # pragma: no cover - compiled
    scale = 2.0 * cutoff_per_sample  # zero crossings per input sample
    half = (table.shape[0] - 2) / _TABLE_STEPS / scale
    reach = math.ceil(half) + 1
    # rows as far apart as the entries of the table, so that lines between them err no more
    phases = max(2, math.ceil(_TABLE_STEPS * scale))
    rows = _kernel_rows(scale, phases, reach, table)
    if phases > _MOST_ROWS:  # short kernels: too few points would have the same row
        _one_by_one(samples, position, scale, reach, rows, table, out)
        return
    rest = np.empty(position.shape[0], dtype=np.int64)
    rest = rest[: _four_at_a_time(samples, position, reach, rows, out, rest)]
    values = np.empty(rest.shape[0])
    _one_by_one(samples, position[rest], scale, reach, rows, table, values)
    out[rest] = values


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

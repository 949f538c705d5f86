"""Edges of an analogue tooth, cam or ignition signal, timed between samples."""

import math

import numpy as np
from numba import njit

from ringland.model import Channel, EdgeTrain
from ringland.model._arrays import BoolArray, FloatArray, IntArray
from ringland.signals import quantile

__all__ = ["edges_of_channel"]

_BLOCK_S = 0.25
_FEWEST_BLOCKS = 3
_SWINGS = 0.05  # of the usual top: what is lower is noise or hum (sparks and strays differ by less)
_MOST_HOLD = 0.6
_NOISE_LEVELS = 5.0
_SMALLEST_SHARE = 0.02
_ARM_SHARE = 0.40
_SILENCE = 4.0
_LEVEL_PLACES = 5_000  # samples that the levels are told from
_NOISE_PLACES = 5_000


@njit(cache=True)
def _until(
    x: FloatArray, first: int, stop: int, lower: float, upper: float
) -> tuple[int, float, float]:  # pragma: no cover - compiled
    """First place from `first` on that is outside lower .. upper (`stop` when none is before it),
    and the least and greatest value before it."""
    low, high = np.inf, -np.inf
    for i in range(first, stop):
        v = x[i]
        if (v > upper) | (v < lower):
            return i, low, high
        low, high = min(low, v), max(high, v)
    return stop, low, high


@njit(cache=True)
def _crossing(x: FloatArray, place: int) -> float:  # pragma: no cover - compiled
    """The last crossing of zero at or before a place; 0 when there is none."""
    for i in range(place, 0, -1):
        if (x[i - 1] < 0.0) != (x[i] < 0.0):
            return i - 1 + float(x[i - 1] / (x[i - 1] - x[i]))
    return 0.0


@njit(cache=True)
def _schmitt(
    x: FloatArray, start_size: float, floor: float, silence: int
) -> tuple[FloatArray, IntArray]:  # pragma: no cover - compiled
    """Crossings of zero, each confirmed by an excursion past a share of the recent peaks.

    The size of the peaks of either sign is followed from swing to swing, because a
    variable-reluctance sensor gives a voltage in proportion to speed. It halves when nothing
    has crossed for `silence` samples or four times the last swing.
    """
    n = len(x)
    at = np.empty(n)
    level = np.empty(n, dtype=np.int64)
    count = 0
    size_up = max(start_size, floor)
    size_down = size_up
    state = -1
    peak = 0.0
    since = 0
    swing = silence
    i = 1
    while i < n:
        # at the place `fades` nothing has crossed for too long
        fades = i + max(silence, int(_SILENCE * swing)) - since
        if fades <= i:
            size_up = max(0.5 * size_up, floor)
            size_down = max(0.5 * size_down, floor)
            since = max(-1, since - silence)
            fades = i + 1
        upper = _ARM_SHARE * size_up if state != 1 else np.inf
        lower = -_ARM_SHARE * size_down if state != 0 else -np.inf
        place, low, high = _until(x, i, min(n, fades), lower, upper)
        since += place - i
        if state == 1:
            peak = max(peak, high)
        elif state == 0:
            peak = max(peak, -low)
        i = place
        if place == min(n, fades):
            continue
        since += 1
        i += 1
        if x[place] > upper:
            if state == 0:
                size_down = max(floor, 0.7 * size_down + 0.3 * min(peak, 2.0 * size_down))
                swing = since
            if state == 0 or x[place - 1] < upper:
                at[count] = _crossing(x, place)
                level[count] = 1
                count += 1
            state, peak, since = 1, x[place], 0
        else:
            if state == 1:
                size_up = max(floor, 0.7 * size_up + 0.3 * min(peak, 2.0 * size_up))
                swing = since
                at[count] = _crossing(x, place)
                level[count] = 0
                count += 1
            state, peak, since = 0, -x[place], 0
    return at[:count].copy(), level[:count].copy()


def edges_of_channel(channel: Channel) -> EdgeTrain:
    """Edge times of a two-level, alternating or spiking signal.

    Two-level (Hall sensor, logic): half-way between the levels. Alternating (variable
    reluctance): through the running mean after an excursion of 40 % of recent peaks. Spiking
    (coil, clamp): through 40 % of the local peaks; level 1 is the spike, whatever its sign.
    Times are interpolated between samples. Samples that are not finite make no edge. A channel
    with nothing above its noise gives an empty train.
    """
    samples = channel.samples
    good = np.isfinite(samples)
    empty = _train(channel, np.zeros(0), np.zeros(0, dtype=np.int64))
    if channel.rate_hz <= 0.0 or np.count_nonzero(good) < 16:
        return empty
    held = _hold(samples, good)
    few = held[:: max(1, len(held) // _LEVEL_PLACES)]
    middle = float(np.median(few))
    noise = _noise(held)
    block, ends = _blocks(held, middle, noise, max(8, round(_BLOCK_S * channel.rate_hz)))
    low, high = _reach(*ends)
    span = high - low
    if not np.isfinite(span) or span <= 0.0 or span < 10.0 * noise:
        return empty
    floor = max(_NOISE_LEVELS * noise, _SMALLEST_SHARE * span / 2.0)
    near = 0.15 * span
    if np.mean((few < low + near) | (few > high - near)) > 0.85 and _both(few, low, high):
        centred, size = held - 0.5 * (low + high), 0.5 * span
        floor = max(floor, 0.5 * size)
    elif np.mean(np.abs(few - middle) < 0.1 * span) > 0.75:
        centred, size = _spikes(held, middle, block, ends)
        floor = max(min(floor, 0.5 * size), 0.25 * size)
    else:
        centred = held - _running_mean(held, block)
        size = float(np.quantile(np.abs(centred[:: max(1, len(held) // 20_000)]), 0.9))
    silence = max(4, round(0.02 * channel.rate_hz))
    at, level = _schmitt(np.ascontiguousarray(centred), size, floor, silence)
    return _train(channel, channel.start_s + at / channel.rate_hz, level)


def _train(channel: Channel, time_s: FloatArray, level: IntArray) -> EdgeTrain:
    return EdgeTrain(
        name=channel.name,
        role=channel.role,
        time_s=time_s,
        level_after=level,
        start_s=channel.start_s,
        stop_s=channel.start_s + (channel.duration_s if channel.rate_hz > 0.0 else 0.0),
        role_reason=channel.role_reason,
    )


def _hold(samples: FloatArray, good: BoolArray) -> FloatArray:
    if bool(np.all(good)):
        return samples
    last = np.maximum.accumulate(np.where(good, np.arange(len(samples)), 0))
    held = samples[last]
    first = int(np.argmax(good))
    held[:first] = samples[first]
    return np.asarray(held, dtype=np.float64)


def _noise(samples: FloatArray) -> float:
    """Standard deviation of white noise, from second differences at places all along (blind to
    slow signals)."""
    step = max(1, len(samples) // _NOISE_PLACES)
    bend = samples[2::step] - 2.0 * samples[1:-1:step] + samples[:-2:step]
    return float(1.4826 * np.median(np.abs(bend)) / np.sqrt(6.0))


def _reach(lowest: FloatArray, highest: FloatArray) -> tuple[float, float]:
    """Lowest and highest level that the signal reaches in at least a quarter of the blocks."""
    if len(lowest) < 2:
        return float(lowest[0]), float(highest[0])
    return quantile(lowest, 0.25), quantile(highest, 0.75)


def _blocks(
    held: FloatArray, middle: float, noise: float, block: int
) -> tuple[int, tuple[FloatArray, FloatArray]]:
    """Block length and the ends of the blocks, long enough that most hold a swing: a starter turns
    an engine so slowly that its trigger comes once in half a second or more."""
    while True:
        low, high = ends = _block_ends(held, block)
        tops = np.maximum(high - middle, middle - low)
        usual = np.sort(tops)[-min(3, len(tops))]
        swings = tops > max(_SWINGS * usual, 10.0 * noise)
        if np.mean(swings) >= _MOST_HOLD or len(tops) < 2 * _FEWEST_BLOCKS:
            return block, ends
        block *= 2


def _block_ends(held: FloatArray, block: int) -> tuple[FloatArray, FloatArray]:
    """Least and greatest value of each whole block; of all when there are not two."""
    count = len(held) // block
    if count < 2:
        count, block = 1, len(held)
    blocks = held[: count * block].reshape(count, block)
    return blocks.min(axis=1), blocks.max(axis=1)


def _both(held: FloatArray, low: float, high: float) -> bool:
    """True when each of the two levels is held for at least 3 % of the time."""
    share = float(np.mean(held > 0.5 * (low + high)))
    return 0.03 < share < 0.97


def _spikes(
    held: FloatArray, middle: float, block: int, ends: tuple[FloatArray, FloatArray]
) -> tuple[FloatArray, float]:
    """Signal shifted so that zero is 40 % of the local spikes, spikes upward; its local size."""
    low, high = ends
    upward = bool(high.max() - middle >= middle - low.min())
    tops = high - middle if upward else middle - low
    return _above_share(held, middle, 1.0 if upward else -1.0, tops, block)


@njit(cache=True)
def _above_share(
    held: FloatArray, middle: float, sign: float, tops: FloatArray, block: int
) -> tuple[FloatArray, float]:  # pragma: no cover - compiled
    """sign * (held - middle) less 40 % of the tops nearby (never under 0.3 of the usual one),
    straight lines between the blocks; and the median of what was taken off."""
    count = len(tops)
    level = np.empty(count)
    for b in range(count):
        near = np.median(tops[max(0, b - 2) : b + 3])
        level[b] = _ARM_SHARE * max(near, 0.3 * np.median(tops))
    out = np.empty(len(held))
    for b in range(-1, count):  # from the middle of block b to that of the next
        first = max(0, math.ceil((b + 0.5) * block))
        last = len(held) if b == count - 1 else min(len(held), math.ceil((b + 1.5) * block))
        _less_line(held[first:last], first, sign, middle, level, b, block, out[first:last])
    places = range(0, len(held), max(1, len(held) // _LEVEL_PLACES))
    taken = np.array([sign * (held[i] - middle) - out[i] for i in places])
    return out, float(np.median(taken))


@njit(cache=True)
def _less_line(  # noqa: PLR0917
    held: FloatArray,
    first: int,
    sign: float,
    middle: float,
    level: FloatArray,
    b: int,
    block: int,
    out: FloatArray,
) -> None:  # pragma: no cover - compiled
    """Fill `out` with sign * (held - middle) less the line from level b to the next, which hold in
    the middles of their blocks; constant before the first and after the last."""
    count = len(level)
    k = min(max(b, 0), max(count - 2, 0))
    from_level, rise = level[k], level[min(k + 1, count - 1)] - level[k]
    for i in range(len(held)):
        where = min(max((first + i - 0.5 * block) / block, 0.0), count - 1.0)
        out[i] = sign * (held[i] - middle) - (from_level + (where - k) * rise)


def _running_mean(held: FloatArray, block: int) -> FloatArray:
    """Mean over a quarter second either side, by blocks and straight lines between them."""
    count = len(held) // block
    if count < 2:
        return np.full(len(held), float(np.mean(held)))
    means = held[: count * block].reshape(count, -1).mean(axis=1)
    wide = np.array([np.mean(means[max(0, i - 1) : i + 2]) for i in range(count)])
    at = np.arange(len(held), dtype=np.float64)
    return np.asarray(np.interp(at, (np.arange(count) + 0.5) * block, wide))

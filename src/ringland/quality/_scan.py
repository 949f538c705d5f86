"""The passes over all samples: everything that must be counted at full rate, in compiled loops."""

import math

import numpy as np
from numba import njit

from ringland.model._arrays import BoolArray
from ringland.quality._types import FloatArray, IntArray, Runs, Scan

__all__ = [
    "SLOW_RATE_HZ",
    "count_beyond",
    "find_repeats",
    "leading_edges",
    "runs_beyond",
    "scan_samples",
]

SLOW_RATE_HZ = 4000.0
_BAD_BEYOND = 1e30
_MOST_RUNS = 4096
_HOLD_SAMPLES = 16
_PIECE = 2048  # samples at a time: 16 KiB
_ANY_ORDER = {"reassoc", "contract"}  # of the terms of a sum, so that several are added at once


@njit(cache=True, fastmath=_ANY_ORDER)
def _sums(x, offset):  # type: ignore[no-untyped-def]
    """Sum and sum of squares about `offset`."""
    total = squares = 0.0
    for i in range(x.size):
        d = x[i] - offset
        total += d
        squares += d * d
    return total, squares


@njit(cache=True)
def _counts(x, low, high, low_end, high_end):  # type: ignore[no-untyped-def]
    """Samples equal to `low` and `high`, at or below `low_end`, and at or above `high_end`."""
    at_low = at_high = below = above = 0
    for i in range(x.size):
        at_low += x[i] == low
        at_high += x[i] == high
        below += x[i] <= low_end
        above += x[i] >= high_end
    return at_low, at_high, below, above


@njit(cache=True, fastmath=_ANY_ORDER)
def _steps(x, before, size):  # type: ignore[no-untyped-def]
    """Fill `size` with the absolute steps from `before` to x; their sum."""
    total = 0.0
    for i in range(x.size):
        step = abs(x[i] - before[i])
        size[i] = step
        total += step
    return total


@njit(cache=True)
def _least(bits):  # type: ignore[no-untyped-def]
    """Least above zero of sizes given as their bits, which are in the order of the numbers; taken
    less one, so that zero counts as the largest."""
    least = np.uint64(0xFFFFFFFFFFFFFFFF)
    for i in range(bits.size):
        least = min(least, bits[i] - np.uint64(1))
    return least


@njit(cache=True)
def _longest(x, value, run, longest):  # type: ignore[no-untyped-def]
    """The run of samples equal to `value` that reaches the end of x, and the longest so far, when
    `run` of them stood before x."""
    for i in range(x.size):
        run = run + 1 if x[i] == value else 0
        longest = max(longest, run)
    return run, longest


@njit(cache=True)
def _end(x, start, stop, run_squares, hold, holds):  # type: ignore[no-untyped-def] # noqa: PLR0917
    """End the run start .. stop - 1 of equal samples: its square less one (all runs are counted as
    one to begin with) is added, and a long one kept with its start, length, jump before, jump after
    (NaN where nothing is before or after) and value."""
    length = stop - start
    if length >= _HOLD_SAMPLES and holds < _MOST_RUNS:
        row = hold[holds]
        row[0], row[1], row[4] = start, length, x[start]
        row[2] = abs(x[start] - x[start - 1]) if start > 0 else math.nan
        row[3] = abs(x[stop] - x[start]) if stop < x.size else math.nan
        holds += 1
    return run_squares + max(0, length * length - 1), holds


@njit(cache=True)
def _block_means(x, block, slow):  # type: ignore[no-untyped-def]
    """Four sums at a time, which do not wait for one another."""
    whole = block // 4 * 4
    for k in range(slow.size):
        first = k * block
        a = b = c = d = 0.0
        for i in range(first, first + whole, 4):
            a += x[i]
            b += x[i + 1]
            c += x[i + 2]
            d += x[i + 3]
        for i in range(first + whole, first + block):
            a += x[i]
        slow[k] = ((a + b) + (c + d)) / block


@njit(cache=True)
def _pass(x, ends, slow, hold, out):  # type: ignore[no-untyped-def] # noqa: PLR0915
    """Fill the run table and `out` from good samples (at least one) whose least and greatest value
    and range are `ends`, and `slow` with the means of as many blocks; see scan_samples. Works by
    pieces that stay in the fastest memory."""
    n = x.size
    low, high, low_end, high_end = ends[0], ends[1], ends[2], ends[3]
    block = int(ends[4])
    blocks = max(1, _PIECE // block)  # in a piece
    size = np.empty(blocks * block)
    bits = size.view(np.uint64)
    offset = x[0]
    total = squares = step_sum = 0.0
    least = np.uint64(0xFFFFFFFFFFFFFFFF)
    at_low = at_high = below = above = 0
    run_low = run_high = longest_low = longest_high = 0
    zeros = run_squares = run_start = run_stop = holds = 0
    for number in range(-(-n // size.size)):
        first = number * size.size
        stop = min(n, first + size.size)
        piece = x[first:stop]
        _block_means(piece, block, slow[number * blocks : (number + 1) * blocks])
        sums = _sums(piece, offset)
        total += sums[0]
        squares += sums[1]
        counts = _counts(piece, low, high, low_end, high_end)
        at_low += counts[0]
        at_high += counts[1]
        below += counts[2]
        above += counts[3]
        if counts[0] > 0:
            run_low, longest_low = _longest(piece, low, run_low, longest_low)
        else:
            run_low = 0
        if counts[1] > 0:
            run_high, longest_high = _longest(piece, high, run_high, longest_high)
        else:
            run_high = 0
        begin = max(1, first)
        step_sum += _steps(x[begin:stop], x[begin - 1 : stop - 1], size)
        least = min(least, _least(bits[: stop - begin]))
        for i in range(stop - begin):
            if size[i] == 0.0:
                if begin + i != run_stop:  # another run, which began with the sample before
                    run_squares, holds = _end(x, run_start, run_stop, run_squares, hold, holds)
                    run_start = begin + i - 1
                run_stop = begin + i + 1
                zeros += 1
    run_squares, holds = _end(x, run_start, run_stop, run_squares, hold, holds)
    out[3], out[4], out[5] = offset, total, squares
    out[6], out[7], out[8], out[9] = below, above, at_low, at_high
    out[10], out[11] = longest_low, longest_high
    runs = n - zeros
    out[13], out[14], out[15] = step_sum, runs, runs + run_squares
    if runs > 1:
        bits[0] = least + np.uint64(1)
        out[12] = size[0]
    return holds


def _good_block_means(samples: FloatArray, good: BoolArray, block: int) -> FloatArray:
    """Block means of the good samples, NaN where there is none."""
    count = good.size // block
    shape = (count, block)
    sums = np.where(good, samples, 0.0)[: count * block].reshape(shape).sum(axis=1)
    there = good[: count * block].reshape(shape).sum(axis=1)
    means: FloatArray = np.where(there > 0, sums / np.maximum(there, 1), math.nan)
    return means


def _bad_runs(good: BoolArray) -> Runs:
    """Runs of bad samples, at most _MOST_RUNS: the last one then reaches to the last of all."""
    edges = np.flatnonzero(np.diff(np.concatenate([[True], good, [True]])))
    start, stop = edges[::2], edges[1::2]
    if start.size > _MOST_RUNS:
        start, stop = start[:_MOST_RUNS], np.append(stop[: _MOST_RUNS - 1], stop[-1])
    return Runs(start.astype(np.int64), (stop - start).astype(np.int64))


def scan_samples(
    samples: FloatArray,
    rate_hz: float,
    full_scale: tuple[float, float] | None,
    resolution: float | None,
) -> Scan:
    """Measure one channel; `samples` (n,) contiguous. Never raises on any float64 values."""
    n = samples.size
    low_end, high_end = -math.inf, math.inf
    if full_scale is not None:
        # The topmost code of a signed converter is one count below its nominal range.
        count = resolution if resolution is not None and 0.0 < resolution < math.inf else 0.0
        low_end, high_end = full_scale[0] + 0.5 * count, full_scale[1] - 1.01 * count
        if not low_end < high_end:
            low_end, high_end = -math.inf, math.inf
    block = max(1, math.ceil(rate_hz / SLOW_RATE_HZ))
    values, places, bad = samples, None, Runs(np.empty(0, np.int64), np.empty(0, np.int64))
    low, high = (float(samples.min()), float(samples.max())) if n else (0.0, 0.0)
    if low >= -_BAD_BEYOND and high <= _BAD_BEYOND:  # False for NaN
        slow = np.empty(n // block)
        to_fill = slow
    else:
        usable = np.abs(samples) <= _BAD_BEYOND
        places = np.flatnonzero(usable)
        values, bad = samples[places], _bad_runs(usable)
        slow, to_fill = _good_block_means(samples, usable, block), np.empty(0)
        _bridge(slow)
        low, high = (float(values.min()), float(values.max())) if values.size else (0.0, 0.0)
    good, holds = values.size, 0
    hold = np.empty((_MOST_RUNS, 5))
    out = np.zeros(16)
    out[0], out[1], out[2], out[12] = good, low, high, math.inf
    if good:
        holds = _pass(values, (low, high, low_end, high_end, float(block)), to_fill, hold, out)
    hold = hold[:holds]
    if places is not None:
        hold[:, 0] = places[hold[:, 0].astype(np.int64)]
    runs = int(out[14])
    mean = out[4] / good if good else 0.0
    variance = max(0.0, out[5] / good - mean * mean) if good else 0.0
    run_mean = good / runs if runs else 0.0
    run_variance = max(0.0, out[15] / runs - run_mean * run_mean) if runs else 0.0
    step_mean = out[13] / (runs - 1) if runs > 1 else 0.0
    step_least = float(out[12]) if runs > 1 else 0.0
    return Scan(
        count=n,
        good=good,
        low=low,
        high=high,
        mean=float(out[3] + mean),
        spread=math.sqrt(variance),
        low_end=low_end,
        high_end=high_end,
        low_clipped=int(out[6]),
        high_clipped=int(out[7]),
        at_low=int(out[8]),
        at_high=int(out[9]),
        longest_low=int(out[10]),
        longest_high=int(out[11]),
        step_least=step_least,
        step_mean=float(step_mean),
        run_mean=run_mean,
        run_spread=math.sqrt(run_variance),
        bad=bad,
        held=_held(hold, out, step_mean, rate_hz),
        block=block,
        slow=slow,
    )


def _held(hold: FloatArray, out: FloatArray, step_mean: float, rate_hz: float) -> Runs:
    """The runs that a stuck recorder makes: equal samples that begin or end with a jump.

    A slow signal also stays within one count for a while, but leaves it by one count; a clipped
    one stays at the extreme. Runs of a quarter of a second need no jump when the signal otherwise
    changes all the time.
    """
    if hold.size == 0:
        return Runs(np.empty(0, np.int64), np.empty(0, np.int64))
    length, value = hold[:, 1], hold[:, 4]
    jump = np.fmax(np.fmax(hold[:, 2], hold[:, 3]), 0.0)  # NaN counts as no jump
    least = max(4.0 * out[12], 3.0 * step_mean)
    extreme = ((value == out[1]) | (value == out[2])) & (value != 0.0)
    jumps = (jump >= least) & ~extreme & (length < 0.5 * out[0])
    changes_always = out[14] > 0.2 * out[0]
    stuck = jumps | (changes_always & (length >= 0.25 * rate_hz))
    return Runs(hold[stuck, 0].astype(np.int64), length[stuck].astype(np.int64))


def _bridge(slow: FloatArray) -> None:
    """Replace NaN by straight lines between neighbours, in place; all NaN becomes zero."""
    missing = np.isnan(slow)
    if not missing.any():
        return
    there = np.flatnonzero(~missing)
    if there.size == 0:
        slow[:] = 0.0
        return
    slow[missing] = np.interp(np.flatnonzero(missing), there, slow[there])


@njit(cache=True)
def _beyond(x, low_end, high_end, starts, lengths):  # type: ignore[no-untyped-def]
    runs = 0
    inside = False
    for i in range(x.size):
        if x[i] <= low_end or x[i] >= high_end:
            if not inside:
                if runs == starts.size:
                    lengths[runs - 1] = i + 1 - starts[runs - 1]
                else:
                    starts[runs] = i
                    lengths[runs] = 0
                    runs += 1
                inside = True
            lengths[runs - 1] = i + 1 - starts[runs - 1]
        else:
            inside = False
    return runs


def count_beyond(samples: FloatArray, low_end: float, high_end: float) -> tuple[int, int]:
    """Samples at or below one end, and at or above the other."""
    _, _, below, above = _counts(samples, math.nan, math.nan, low_end, high_end)
    return int(below), int(above)


def runs_beyond(samples: FloatArray, low_end: float, high_end: float) -> Runs:
    """Runs of samples at or beyond either end."""
    starts = np.empty(_MOST_RUNS, dtype=np.int64)
    lengths = np.empty(_MOST_RUNS, dtype=np.int64)
    runs = _beyond(samples, low_end, high_end, starts, lengths)
    return Runs(starts[:runs].copy(), lengths[:runs].copy())


_WINDOW = 32
_LEAST_REPEAT = 256
_LEAST_CHANGES = 32
_BASE = np.uint64(0x9E3779B97F4A7C15)
_CHOSEN = np.uint64(58)  # of 64 bits: the others are all zero at one place in 64


@njit(cache=True)
def _mixed(h):  # type: ignore[no-untyped-def]
    return (h ^ (h >> np.uint64(29))) * _BASE


@njit(cache=True)
def _anchors(bits, first, stop, places, hashes):  # type: ignore[no-untyped-def]
    """Places first .. stop - 1 that the content chooses, one in 64, and the rolling hash of the 32
    samples up to there, in order. Both halves at the same time: each hash waits for the last."""
    leave = np.uint64(1)
    for _ in range(_WINDOW):
        leave *= _BASE
    half = (stop - first) // 2
    left, left_old = bits[first : first + half], bits[first - _WINDOW : first + half - _WINDOW]
    right, right_old = bits[first + half : stop], bits[first + half - _WINDOW : stop - _WINDOW]
    h = g = np.uint64(0)
    for i in range(_WINDOW):
        h = h * _BASE + bits[first - _WINDOW + i]
        g = g * _BASE + bits[first + half - _WINDOW + i]
    found = later = 0
    for i in range(half):
        h = h * _BASE + (left[i] - leave * left_old[i])
        g = g * _BASE + (right[i] - leave * right_old[i])
        if (_mixed(h) >> _CHOSEN) == 0:
            places[found], hashes[found] = first + i, h
            found += 1
        if (_mixed(g) >> _CHOSEN) == 0:
            places[half + later], hashes[half + later] = first + half + i, g
            later += 1
    for i in range(half, right.size):  # of an odd number the last one
        g = g * _BASE + (right[i] - leave * right_old[i])
        if (_mixed(g) >> _CHOSEN) == 0:
            places[half + later], hashes[half + later] = first + half + i, g
            later += 1
    for i in range(later):
        places[found + i], hashes[found + i] = places[half + i], hashes[half + i]
    return found + later


@njit(cache=True)
def _repeats(bits, keys, places, starts, lengths):  # type: ignore[no-untyped-def]
    """Rabin-Karp: what was hashed at an anchor is looked up among the anchors before it, in a table
    of `keys` and `places`, whose size is a power of two."""
    n = bits.size
    mask = np.uint64(keys.size - 1)
    chosen, hashes = np.empty(2 * _PIECE, np.int64), np.empty(2 * _PIECE, np.uint64)
    runs = 0
    skip_to = 0
    for begin in range(_WINDOW, n, 2 * _PIECE):
        found = _anchors(bits, begin, min(n, begin + 2 * _PIECE), chosen, hashes)
        for k in range(found):
            i, h = chosen[k], hashes[k]
            if i < skip_to:
                continue
            slot = (_mixed(h) >> np.uint64(20)) & mask
            place = places[slot]
            if place >= 0 and keys[slot] == h:
                first, second = place - _WINDOW + 1, i - _WINDOW + 1
                length, changes = _alike(bits, first, second)
                if length >= _LEAST_REPEAT and changes >= _LEAST_CHANGES and runs < starts.size:
                    while second > 0 and first > 0 and bits[first - 1] == bits[second - 1]:
                        first -= 1
                        second -= 1
                        length += 1
                        if second <= skip_to:
                            break
                    starts[runs], lengths[runs] = second, length
                    runs += 1
                    skip_to = second + length
            keys[slot], places[slot] = h, i
    return runs


@njit(cache=True)
def _alike(bits, first, second):  # type: ignore[no-untyped-def]
    """How many samples from two places on are alike, and how often they change."""
    length = changes = 0
    while second + length < bits.size and bits[first + length] == bits[second + length]:
        if length > 0 and bits[second + length] != bits[second + length - 1]:
            changes += 1
        length += 1
    return length, changes


def find_repeats(samples: FloatArray) -> Runs:
    """Stretches of at least 256 samples that occur earlier in the recording, bit for bit."""
    size = 1 << max(6, (samples.size // 16).bit_length())
    keys = np.zeros(size, dtype=np.uint64)
    places = np.full(size, -1, dtype=np.int64)
    starts = np.empty(_MOST_RUNS, dtype=np.int64)
    lengths = np.empty(_MOST_RUNS, dtype=np.int64)
    bits = np.ascontiguousarray(samples).view(np.uint64)
    runs = _repeats(bits, keys, places, starts, lengths)
    return Runs(starts[:runs].copy(), lengths[:runs].copy())


@njit(cache=True)
def _edges(x, upper, lower, sign, places):  # type: ignore[no-untyped-def]
    found = 0
    armed = False
    for i in range(x.size):
        v = sign * x[i]
        if armed and v >= upper:
            if found < places.size:
                places[found] = i
                found += 1
            armed = False
        elif v <= lower:
            armed = True
    return found


def leading_edges(samples: FloatArray, scan: Scan, *, teeth: bool) -> IntArray:
    """Sample numbers where pulses begin, with hysteresis.

    A trigger pulse begins half-way to its peak and is armed again at a quarter. Teeth are a wave,
    whose size may change with speed: half a standard deviation above and below its mean.
    """
    if scan.flat:
        return np.empty(0, dtype=np.int64)
    up, down = scan.high - scan.mean, scan.mean - scan.low
    sign = 1.0 if teeth or up >= down else -1.0
    base = sign * scan.mean
    if teeth:
        upper = base + 0.5 * min(scan.spread, up)
        lower = base - 0.5 * min(scan.spread, down)
    else:
        upper, lower = base + 0.5 * max(up, down), base + 0.25 * max(up, down)
    places = np.empty(max(1, samples.size // 2), dtype=np.int64)
    found = _edges(samples, upper, lower, sign, places)
    return places[:found].copy()

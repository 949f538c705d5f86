"""The passes over all samples: everything that must be counted at full rate, in compiled loops."""

import math

import numpy as np
from numba import njit

from ringland.quality._types import FloatArray, IntArray, Runs, Scan

__all__ = ["SLOW_RATE_HZ", "find_repeats", "leading_edges", "runs_beyond", "scan_samples"]

SLOW_RATE_HZ = 4000.0
_BAD_BEYOND = 1e30
_MOST_RUNS = 4096
_HOLD_SAMPLES = 16


@njit(cache=True)
def _pass(x, low_end, high_end, block, slow, bad, hold, out):  # type: ignore[no-untyped-def] # noqa: PLR0912, PLR0915, PLR0917
    """Fill `slow` (block means, NaN where nothing good), run tables and `out`; see scan_samples."""
    n = x.size
    good = 0
    low, high = math.inf, -math.inf
    low_clipped = high_clipped = at_low = at_high = longest_low = longest_high = 0
    step_least, step_sum = math.inf, 0.0
    runs = 0
    run_squares = 0.0
    bad_runs = hold_runs = 0
    in_bad = False
    previous = math.nan
    before_run = math.nan
    run = 0
    run_start = 0
    offset = 0.0
    total = 0.0
    squares = 0.0
    block_sum = 0.0
    block_good = 0
    block_end = block
    block_index = 0
    for i in range(n):
        v = x[i]
        if abs(v) <= _BAD_BEYOND:
            in_bad = False
            if v == previous:
                run += 1
            else:
                if run > 0:
                    runs += 1
                    run_squares += float(run) * run
                    if run >= _HOLD_SAMPLES and hold_runs < _MOST_RUNS:
                        hold[hold_runs, 0] = run_start
                        hold[hold_runs, 1] = run
                        hold[hold_runs, 2] = abs(previous - before_run)
                        hold[hold_runs, 3] = abs(v - previous)
                        hold[hold_runs, 4] = previous
                        hold_runs += 1
                    if previous == low and run > longest_low:
                        longest_low = run
                    if previous == high and run > longest_high:
                        longest_high = run
                    step = abs(v - previous)
                    step_sum += step
                    step_least = min(step_least, step)
                else:
                    offset = v
                before_run = previous
                previous = v
                run = 1
                run_start = i
            if v >= high:
                if v > high:
                    high = v
                    at_high = 0
                    longest_high = 0
                at_high += 1
            if v <= low:
                if v < low:
                    low = v
                    at_low = 0
                    longest_low = 0
                at_low += 1
            if v >= high_end:
                high_clipped += 1
            if v <= low_end:
                low_clipped += 1
            d = v - offset
            total += d
            squares += d * d
            block_sum += v
            good += 1
            block_good += 1
        elif in_bad:
            bad[bad_runs - 1, 1] += 1
        else:
            if bad_runs < _MOST_RUNS:
                bad_runs += 1
                bad[bad_runs - 1, 0] = i
                bad[bad_runs - 1, 1] = 1
            else:  # no more room: let the last run reach to here
                bad[bad_runs - 1, 1] = i + 1 - bad[bad_runs - 1, 0]
            in_bad = True
        if i + 1 == block_end:
            slow[block_index] = block_sum / block_good if block_good > 0 else math.nan
            block_index += 1
            block_end += block
            block_sum = 0.0
            block_good = 0
    if run > 0:
        runs += 1
        run_squares += float(run) * run
        if previous == low and run > longest_low:
            longest_low = run
        if previous == high and run > longest_high:
            longest_high = run
        if run >= _HOLD_SAMPLES and hold_runs < _MOST_RUNS:
            hold[hold_runs, 0] = run_start
            hold[hold_runs, 1] = run
            hold[hold_runs, 2] = abs(previous - before_run)
            hold[hold_runs, 3] = math.nan
            hold[hold_runs, 4] = previous
            hold_runs += 1
    out[0], out[1], out[2] = good, low, high
    out[3], out[4], out[5] = offset, total, squares
    out[6], out[7], out[8], out[9] = low_clipped, high_clipped, at_low, at_high
    out[10], out[11] = longest_low, longest_high
    out[12], out[13], out[14], out[15] = step_least, step_sum, runs, run_squares
    return bad_runs, hold_runs


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
    slow = np.empty(n // block)
    bad = np.empty((_MOST_RUNS, 2), dtype=np.int64)
    hold = np.empty((_MOST_RUNS, 5))
    out = np.zeros(16)
    bad_runs, hold_runs = _pass(samples, low_end, high_end, block, slow, bad, hold, out)
    good, runs = int(out[0]), int(out[14])
    mean = out[4] / good if good else 0.0
    variance = max(0.0, out[5] / good - mean * mean) if good else 0.0
    run_mean = good / runs if runs else 0.0
    run_variance = max(0.0, out[15] / runs - run_mean * run_mean) if runs else 0.0
    step_mean = out[13] / (runs - 1) if runs > 1 else 0.0
    step_least = float(out[12]) if runs > 1 else 0.0
    _bridge(slow)
    return Scan(
        count=n,
        good=good,
        low=float(out[1]) if good else 0.0,
        high=float(out[2]) if good else 0.0,
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
        bad=Runs(bad[:bad_runs, 0].copy(), bad[:bad_runs, 1].copy()),
        held=_held(hold[:hold_runs], out, step_mean, rate_hz),
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
    jump = np.fmax(np.nan_to_num(hold[:, 2]), np.nan_to_num(hold[:, 3]))
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


def runs_beyond(samples: FloatArray, low_end: float, high_end: float) -> Runs:
    """Runs of samples at or beyond either end."""
    starts = np.empty(_MOST_RUNS, dtype=np.int64)
    lengths = np.empty(_MOST_RUNS, dtype=np.int64)
    runs = _beyond(samples, low_end, high_end, starts, lengths)
    return Runs(starts[:runs].copy(), lengths[:runs].copy())


_WINDOW = 32
_LEAST_REPEAT = 256
_LEAST_CHANGES = 32


@njit(cache=True)
def _repeats(bits, mask, keys, places, starts, lengths):  # type: ignore[no-untyped-def] # noqa: PLR0917
    """Rabin-Karp: a rolling hash of 32 samples is looked up at places that the content chooses."""
    n = bits.size
    base = np.uint64(0x9E3779B97F4A7C15)
    leave = np.uint64(1)
    for _ in range(_WINDOW):
        leave *= base
    h = np.uint64(0)
    shift = np.uint64(58)
    fold = np.uint64(29)
    runs = 0
    skip_to = 0
    for i in range(n):
        h = h * base + bits[i]
        if i < _WINDOW:
            continue
        h -= leave * bits[i - _WINDOW]
        mixed = (h ^ (h >> fold)) * base
        if (mixed >> shift) != 0 or i < skip_to:
            continue
        slot = (mixed >> np.uint64(20)) & mask
        place = places[slot]
        if place >= 0 and keys[slot] == h:
            first, second = place - _WINDOW + 1, i - _WINDOW + 1
            length = changes = 0
            while second + length < n and bits[first + length] == bits[second + length]:
                if length > 0 and bits[second + length] != bits[second + length - 1]:
                    changes += 1
                length += 1
            if length >= _LEAST_REPEAT and changes >= _LEAST_CHANGES and runs < starts.size:
                while second > 0 and first > 0 and bits[first - 1] == bits[second - 1]:
                    first -= 1
                    second -= 1
                    length += 1
                    if second <= skip_to:
                        break
                starts[runs] = second
                lengths[runs] = length
                runs += 1
                skip_to = second + length
        keys[slot] = h
        places[slot] = i
    return runs


def find_repeats(samples: FloatArray) -> Runs:
    """Stretches of at least 256 samples that occur earlier in the recording, bit for bit."""
    size = 1 << max(6, (samples.size // 16).bit_length())
    keys = np.zeros(size, dtype=np.uint64)
    places = np.full(size, -1, dtype=np.int64)
    starts = np.empty(_MOST_RUNS, dtype=np.int64)
    lengths = np.empty(_MOST_RUNS, dtype=np.int64)
    bits = np.ascontiguousarray(samples).view(np.uint64)
    runs = _repeats(bits, np.uint64(size - 1), keys, places, starts, lengths)
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

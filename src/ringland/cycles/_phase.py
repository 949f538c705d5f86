"""Compiled passes of the phase tracker: demodulate, read the shift of each pulse, correct.

Arrays: signals (channels, samples), phase in periods (samples,), pulses (channels, periods,
harmonics), complex. See docs/theory/cycle_from_pulses.md and `track.py`.
"""

import numba
import numpy as np
from numpy.typing import NDArray

from ringland.signals import interpolate_cubic, smooth_weighted

__all__ = ["align", "settle"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

_MOST_HARMONICS = 10
_FEWEST_PERIODS = 4
_FEWEST_PER_TEMPLATE = 6  # cycles from which each cylinder gets a template of its own
_AVERAGED_PERIODS = 9  # cross-spectra averaged before their phase is read
_LEAST_ALIKE = 0.05  # of a cross-spectrum, 1 where all pulses shift alike
_AT_AN_END = 0.01  # weight of the first and the last pulse
_DIFFERENCE_PASSES = 3
_TEMPLATE_PASSES = 3
_SETTLED = 0.01  # periods: a correction as small as this needs no further pass
_ALIGNED = 0.01
_HARDLY_MORE = 1.02  # sum of squares that a stiffer phase may leave over that of the phase at hand
_SHIFT_STEPS = 128  # grid of the shift search per period; refined by a parabola
_PENALTIES = 10.0 ** np.arange(5.0, -1.5, -0.5)  # stiffest first
_AT_ONCE = 1024  # samples
_FAST = {"reassoc", "contract"}  # order of sums left to the machine

_TURN = 2.0 * np.pi * np.outer(np.arange(1, _MOST_HARMONICS + 1), np.arange(_SHIFT_STEPS))
_COS = np.cos(_TURN / _SHIFT_STEPS)
_SIN = np.sin(_TURN / _SHIFT_STEPS)


@numba.njit(cache=True, fastmath=_FAST)
def _unit_circle(
    phase: FloatArray, cosine: FloatArray, minus_sine: FloatArray, weight: FloatArray
) -> None:  # pragma: no cover - compiled
    """exp(-2 pi i phase) by Taylor series on a quarter turn (error below 1e-15), and the Hann
    weight that a sample has for the earlier of the two periods it belongs to."""
    for n in range(phase.shape[0]):
        x = phase[n] - np.floor(phase[n] + 0.5)
        t = np.pi * x
        q = t * t
        s = c = 1.0
        s = 1.0 - s * q * (1.0 / 420)
        c = 1.0 - c * q * (1.0 / 380)
        s = 1.0 - s * q * (1.0 / 342)
        c = 1.0 - c * q * (1.0 / 306)
        s = 1.0 - s * q * (1.0 / 272)
        c = 1.0 - c * q * (1.0 / 240)
        s = 1.0 - s * q * (1.0 / 210)
        c = 1.0 - c * q * (1.0 / 182)
        s = 1.0 - s * q * (1.0 / 156)
        c = 1.0 - c * q * (1.0 / 132)
        s = 1.0 - s * q * (1.0 / 110)
        c = 1.0 - c * q * (1.0 / 90)
        s = 1.0 - s * q * (1.0 / 72)
        c = 1.0 - c * q * (1.0 / 56)
        s = 1.0 - s * q * (1.0 / 42)
        c = 1.0 - c * q * (1.0 / 30)
        s = 1.0 - s * q * (1.0 / 20)
        c = 1.0 - c * q * (1.0 / 12)
        s = 1.0 - s * q * (1.0 / 6)
        c = 1.0 - c * q * (1.0 / 2)
        s *= t
        cosine[n] = 1.0 - 2.0 * s * s
        minus_sine[n] = -2.0 * s * c
        # falls from 1 at the middle of the earlier period to 0 at that of the later one
        weight[n] = 0.5 - 0.5 * s


@numba.njit(cache=True, fastmath=_FAST)
def _sums(  # noqa: PLR0917
    x: FloatArray,
    weight: FloatArray,
    re: FloatArray,
    im: FloatArray,
    first: np.uint64,
    count: np.uint64,
) -> tuple[float, float, float, float]:  # pragma: no cover - compiled
    """Weighted and plain sums of x * (re + i im) over `count` samples.

    Places and not slices, which would take longer to make than a few samples to add; unsigned ones,
    which cannot count from the end.
    """
    a = b = c = d = 0.0
    for k in range(count):
        n = first + k
        p, q = x[n] * re[n], x[n] * im[n]
        a += weight[n] * p
        b += weight[n] * q
        c += p
        d += q
    return a, b, c, d


@numba.njit(cache=True, fastmath=_FAST)
def _turn_on(
    re: FloatArray, im: FloatArray, by_re: FloatArray, by_im: FloatArray, count: int
) -> None:  # pragma: no cover - compiled
    for n in range(count):
        r = re[n] * by_re[n] - im[n] * by_im[n]
        im[n] = re[n] * by_im[n] + im[n] * by_re[n]
        re[n] = r


@numba.njit(cache=True)
def _demodulate(
    signals: FloatArray, rate_hz: float, phase: FloatArray
) -> ComplexArray:  # pragma: no cover - compiled
    """out[c, p, h-1] = sum of signal c * exp(-2 pi i h phase) under a Hann window two periods wide
    centred on period p + 0.5. No periods when there are fewer than four."""
    channels, count = signals.shape
    periods = int(np.floor(phase[-1]))
    if not _FEWEST_PERIODS <= periods <= count:  # too few, or a phase that ran away
        return np.zeros((channels, 0, 0), dtype=np.complex128)
    middle_hz = (phase[-1] - phase[0]) / count * rate_hz
    harmonics = int(min(max(0.42 * rate_hz / middle_hz, 1.0), _MOST_HARMONICS))
    out = np.zeros((channels, periods, harmonics), dtype=np.complex128)
    starts, earlier = _stretches(phase, periods)
    if earlier.shape[0] == 0:
        return out
    # as many samples at a time as stay in the fastest memory, all harmonics of them
    size = max(_AT_ONCE, np.diff(starts).max())
    cosine, minus_sine, weight = np.empty(size), np.empty(size), np.empty(size)
    re, im, signal = np.empty(size), np.empty(size), np.empty((channels, size))
    begin = 0
    while begin < earlier.shape[0]:
        end = begin + 1
        while end < earlier.shape[0] and starts[end + 1] - starts[begin] <= size:
            end += 1
        own, length = starts[begin], starts[end] - starts[begin]
        _unit_circle(phase[own : own + length], cosine, minus_sine, weight)
        re[:length], im[:length] = cosine[:length], minus_sine[:length]
        signal[:, :length] = signals[:, own : own + length]
        for h in range(harmonics):
            for c in range(channels):
                x = signal[c]
                for s in range(begin, end):
                    first, many = np.uint64(starts[s] - own), np.uint64(starts[s + 1] - starts[s])
                    a, b, whole_a, whole_b = _sums(x, weight, re, im, first, many)
                    p = earlier[s]
                    if p >= 0:
                        out[c, p, h] += complex(a, b)
                    # a start that went astray may begin far below zero
                    if 0 <= p + 1 < periods:
                        out[c, p + 1, h] += complex(whole_a - a, whole_b - b)
            _turn_on(re, im, cosine, minus_sine, length)
        begin = end
    return out


@numba.njit(cache=True)
def _stretches(
    phase: FloatArray, periods: int
) -> tuple[IntArray, IntArray]:  # pragma: no cover - compiled
    """Where the samples between the middles of two neighbouring periods begin (one more than there
    are stretches), and the earlier of the two."""
    count = phase.shape[0]
    most = int(min(float(count), max(phase[-1] - phase[0], 0.0) + 3.0))  # the phase never falls
    starts, earlier = np.empty(most + 1, dtype=np.int64), np.empty(most, dtype=np.int64)
    found = first = 0
    while first < count:
        period = int(np.floor(phase[first] - 0.5))
        if period >= periods or found == most:
            break
        starts[found], earlier[found] = first, period
        found += 1
        first += 1
        while first < count and phase[first] < period + 1.5:
            first += 1
    starts[found] = first
    return starts[: found + 1], earlier[:found]


@numba.njit(cache=True)
def _power(z: complex) -> float:  # pragma: no cover - compiled
    return z.real * z.real + z.imag * z.imag


@numba.njit(cache=True)
def _median(values: FloatArray) -> float:  # pragma: no cover - compiled
    """Median of a few values, which are left sorted."""
    n = values.shape[0]
    for i in range(1, n):
        x = values[i]
        j = i - 1
        while j >= 0 and values[j] > x:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = x
    return float(0.5 * (values[(n - 1) // 2] + values[n // 2]))


@numba.njit(cache=True)
def _templates(values: ComplexArray, cylinders: int) -> ComplexArray:  # pragma: no cover - compiled
    """Robust mean pulse (classes, harmonics), of each cylinder by itself where cycles suffice."""
    periods, harmonics = values.shape
    classes = cylinders if periods >= _FEWEST_PER_TEMPLATE * cylinders else 1
    out = np.empty((classes, harmonics), dtype=np.complex128)
    for c in range(classes):
        for h in range(harmonics):
            own = values[c::classes, h]
            re, im = own.real.copy(), own.imag.copy()
            if len(own) <= 64:
                out[c, h] = complex(_median(re), _median(im))
            else:
                out[c, h] = complex(np.median(re), np.median(im))
    return out


@numba.njit(cache=True, fastmath=_FAST)
def _correlate(cross: ComplexArray, out: FloatArray) -> None:  # pragma: no cover - compiled
    """out[s] = sum over harmonics of Re(cross_h exp(2 pi i h s / steps))."""
    out[:] = 0.0
    for h in range(cross.shape[0]):
        re, im = cross[h].real, cross[h].imag
        for s in range(_SHIFT_STEPS):
            out[s] += re * _COS[h, s] - im * _SIN[h, s]


@numba.njit(cache=True)
def _best_shift(
    cross: ComplexArray, reach: int
) -> tuple[FloatArray, FloatArray]:  # pragma: no cover - compiled
    """Shift in periods at which each row (periods, harmonics) correlates best, and how well; no
    more than `reach` steps of the search away from none."""
    out, height = np.empty(cross.shape[0]), np.empty(cross.shape[0])
    correlation = np.empty(_SHIFT_STEPS)
    for p in range(cross.shape[0]):
        _correlate(cross[p], correlation)
        top = 0
        for s in range(1, _SHIFT_STEPS):
            if correlation[s] > correlation[top] and (s <= reach or s >= _SHIFT_STEPS - reach):
                top = s
        left = correlation[(top - 1) % _SHIFT_STEPS]
        right = correlation[(top + 1) % _SHIFT_STEPS]
        bend = left - 2.0 * correlation[top] + right
        offset = 0.0
        if bend < 0.0:  # top of the parabola through the three
            offset = min(max(0.5 * (left - right) / bend, -0.5), 0.5)
        out[p] = ((top + offset) / _SHIFT_STEPS + 0.5) % 1.0 - 0.5
        height[p] = correlation[top]
    return out, height


@numba.njit(cache=True)
def _increments(
    pulses: ComplexArray, lag: int
) -> tuple[FloatArray, FloatArray]:  # pragma: no cover - compiled
    """Shift gained per period, and the weight it deserves, from the cross-spectrum of periods one
    whole engine cycle apart.

    A lag of a cycle compares each cylinder with itself: with a lag of one period, cylinders of
    unequal strength would bend the phase. The complex products are averaged over a few periods
    before their phase is read: averaging phases instead would let the noise of every pulse add up
    to a slow walk. None counts for more than the middle one: what follows a misfire swings wider
    than all the others, and out of step.
    """
    channels, periods, harmonics = pulses.shape
    count = periods - lag
    total = np.zeros((count, harmonics), dtype=np.complex128)
    size, squares = np.zeros(harmonics), np.empty(periods)
    cross = np.empty((count, harmonics), dtype=np.complex128)
    length, weighed = np.empty(count), np.zeros(count)
    steadiness = np.empty(harmonics)
    for c in range(channels):
        values = pulses[c]
        for h in range(harmonics):
            for p in range(count):
                cross[p, h] = values[p + lag, h] * np.conj(values[p, h])
                length[p] = np.sqrt(_power(cross[p, h]))
            most = np.median(length) + 1e-300
            summed, all_length = 0j, 0.0
            for p in range(count):
                if length[p] > most:
                    cross[p, h] *= most / length[p]
                summed += cross[p, h]
                all_length += min(length[p], most)
            for p in range(periods):
                squares[p] = _power(values[p, h])
            size[h] = np.median(squares)
            steadiness[h] = _power(summed) / (all_length**2 + 1e-300)
        scale = steadiness / (size.max() + 1e-300)
        for p in range(count):
            for h in range(harmonics):
                cross[p, h] *= scale[h]
                weighed[p] += np.sqrt(_power(cross[p, h]))
        total += cross
    width = min(_AVERAGED_PERIODS, count)
    sums, lengths = np.zeros_like(total), np.full(count, 1e-300)
    for k in range(width):
        weight = 0.5 - 0.5 * np.cos(2.0 * np.pi * (k + 1) / (width + 1))  # Hann
        shift = k - width // 2
        for p in range(max(0, -shift), min(count, count - shift)):
            lengths[p] += weight * weighed[p + shift]
            for h in range(harmonics):
                sums[p, h] += weight * total[p + shift, h]
    # where the second harmonic is strong, half a period looks as good as none to what follows a
    # misfire; no engine gains a quarter of a firing interval in a cycle on what was foreseen
    reach = _SHIFT_STEPS if lag == 1 else _SHIFT_STEPS // 4
    gained, height = _best_shift(sums, reach)
    return gained / lag, np.maximum(height / lengths, _LEAST_ALIKE) ** 2


@numba.njit(cache=True)
def _local_shift(
    pulses: ComplexArray, cylinders: int
) -> tuple[FloatArray, FloatArray]:  # pragma: no cover - compiled
    """Shift of each period against the templates, in periods, and the weight it deserves.

    A pulse late by d turns harmonic h by exp(-2 pi i h d). Maximises the summed cross-correlation
    over channels, each harmonic weighted by its signal-to-noise ratio.
    """
    channels, periods, harmonics = pulses.shape
    total = np.zeros((periods, harmonics), dtype=np.complex128)
    curvature = np.full(periods, 1e-300)
    away = np.empty(periods)
    for c in range(channels):
        values = pulses[c]
        template = _templates(values, cylinders)
        classes = template.shape[0]
        floor = 1e-3 * np.abs(template).max() ** 2 + 1e-300
        for h in range(harmonics):
            for p in range(periods):
                away[p] = _power(values[p, h] - template[p % classes, h])
            weight = 1.0 / (np.median(away) / np.log(2.0) + floor)
            for p in range(periods):
                cross = values[p, h] * np.conj(template[p % classes, h]) * weight
                total[p, h] += cross
                curvature[p] += np.sqrt(_power(cross)) * (2.0 * np.pi * (h + 1)) ** 2
    return _best_shift(total, _SHIFT_STEPS)[0], curvature


@numba.njit(cache=True)
def _smooth(
    shift: FloatArray, weight: FloatArray, cylinders: int
) -> tuple[FloatArray, float]:  # pragma: no cover - compiled
    """The stiffest smooth curve that leaves no more than the scatter of single pulses."""
    weight = np.minimum(np.maximum(weight / np.median(weight), 0.05), 4.0)
    if len(shift) < 5:
        return smooth_weighted(shift, weight, 1.0), float(np.std(shift))
    # half of what a window at an end should hear was not recorded
    weight[0], weight[-1] = _AT_AN_END, _AT_AN_END
    bend = shift[2:] - 2.0 * shift[1:-1] + shift[:-2]
    sd = float(1.4826 * np.median(np.abs(bend)) / np.sqrt(6.0) + 1e-6)
    curve = shift
    for penalty in _PENALTIES:
        curve = smooth_weighted(shift, weight, penalty)
        # a robust second round: missing pulses do not pull the curve
        far = _far_for_a_moment(shift - curve, 4.0 * sd, cylinders)
        curve = smooth_weighted(shift, np.where(far, weight * 0.01, weight), penalty)
        # no smooth curve will ever come near them either
        far = _far_for_a_moment(shift - curve, 4.0 * sd, cylinders)
        left = np.where(far, 0.0, np.minimum(np.abs(shift - curve), 4.0 * sd))
        if np.sqrt(np.sum(left**2) / max(np.sum(~far), 1)) < 1.15 * sd:
            break
    return curve, sd


@numba.njit(cache=True)
def _far_for_a_moment(
    away: FloatArray, far: float, cylinders: int
) -> BoolArray:  # pragma: no cover - compiled
    """Which pulses are farther off than `far` for no longer than a cycle: a missing one and its
    neighbours. For longer the engine ran otherwise."""
    n = away.shape[0]
    out = np.abs(away) > far
    start = 0
    while start < n:
        stop = start
        while stop < n and out[stop]:
            stop += 1
        if stop - start > cylinders:
            out[start:stop] = False
        start = stop + 1
    return out


@numba.njit(cache=True)
def _drift(
    pulses: ComplexArray, lag: int, penalty: float
) -> FloatArray:  # pragma: no cover - compiled
    """Smooth shift of each period (mean 0) from differences, which cannot slip a period."""
    periods = pulses.shape[1]
    gained, weight = _increments(pulses, lag)
    step = smooth_weighted(gained, weight, penalty)
    # increment i belongs between periods i and i + lag; hold the ends
    middle = np.arange(periods - lag) + 0.5 * lag
    step = np.interp(np.arange(periods - 1) + 0.5, middle, step)
    curve = np.zeros(periods)
    for p in range(1, periods):
        curve[p] = curve[p - 1] + step[p - 1]
    curve -= curve.mean()
    return curve


@numba.njit(cache=True, fastmath=_FAST)
def _correct(phase: FloatArray, curve: FloatArray) -> None:  # pragma: no cover - compiled
    """Take from the phase, in place, the shift of each period (known at its middle): cubic with
    three-point slopes, straight on beyond the ends; the phase never falls."""
    n = curve.shape[0]
    slope, bend, twist = np.empty(n), np.zeros(n), np.zeros(n)
    for k in range(n):
        a = min(max(k - 1, 0), n - 3)
        first, second = curve[a + 1] - curve[a], curve[a + 2] - curve[a + 1]
        slope[k] = first + 0.5 * (second - first) * (2.0 * (k - a) - 1.0)
    for k in range(n - 1):
        rise = curve[k + 1] - curve[k]
        bend[k] = 3.0 * rise - 2.0 * slope[k] - slope[k + 1]
        twist[k] = slope[k] + slope[k + 1] - 2.0 * rise
    highest = -np.inf
    for i in range(phase.shape[0]):
        at = phase[i] - 0.5
        k = min(max(int(at), 0), n - 1)
        u = at - k
        value = curve[k] + u * slope[k]
        if u > 0.0:  # beyond the last middle bend and twist are zero
            value += u * u * (bend[k] + u * twist[k])
        highest = max(highest, phase[i] - value)
        phase[i] = highest


@numba.njit(cache=True)
def _stiffened(
    phase: FloatArray, shift: FloatArray, weight: FloatArray
) -> tuple[FloatArray, float]:  # pragma: no cover - compiled
    """The stiffest phase that leaves hardly more of the pulses than this one, and their scatter.

    The corrections made so far were smooth each, but what they had to correct may not have been:
    here the whole phase less a straight line is smoothed. `shift`, `weight`: see `_local_shift`.
    """
    periods, count = shift.shape[0], phase.shape[0]
    at = np.empty(periods)  # sample at which each period is half over
    i = 1
    for p in range(periods):
        while i < count - 1 and phase[i] < p + 0.5:
            i += 1
        rise = phase[i] - phase[i - 1]
        at[p] = i - 1 + (min(max((p + 0.5 - phase[i - 1]) / rise, 0.0), 1.0) if rise > 0.0 else 0.0)
    if np.any(at[1:] <= at[:-1]):
        return phase, float(np.std(shift))
    heard = np.arange(periods) + 0.5 - shift
    slope = (heard[-1] - heard[0]) / (at[-1] - at[0])
    bent = heard - slope * at
    weight = np.minimum(np.maximum(weight / np.median(weight), 0.05), 4.0)
    bend = shift[2:] - 2.0 * shift[1:-1] + shift[:-2]
    sd = float(1.4826 * np.median(np.abs(bend)) / np.sqrt(6.0) + 1e-6)
    weight = np.where(np.abs(shift) > 4.0 * sd, weight * 0.01, weight)
    most = _HARDLY_MORE * np.sum(weight * shift**2)
    curve = bent + shift  # the phase as it is
    for penalty in _PENALTIES:
        stiff = smooth_weighted(bent, weight, penalty)
        if np.sum(weight * (bent - stiff) ** 2) <= most:
            curve = stiff
            break
    smooth = interpolate_cubic(at, curve, np.arange(count).astype(np.float64))
    out = np.empty(count)
    highest = -np.inf
    for n in range(count):
        highest = max(highest, smooth[n] + slope * n)
        out[n] = highest
    return out, sd


@numba.njit(cache=True)
def _agreement(pulses: ComplexArray, cylinders: int) -> float:  # pragma: no cover - compiled
    """Share of the power that the templates explain, summed over channels."""
    total = 0.0
    for c in range(pulses.shape[0]):
        template = _templates(pulses[c], cylinders)
        classes = template.shape[0]
        explained, power = 0.0, 1e-300
        for p in range(pulses.shape[1]):
            for h in range(pulses.shape[2]):
                explained += _power(template[p % classes, h])
                power += _power(pulses[c, p, h])
        total += explained / power
    return total


@numba.njit(cache=True)
def settle(  # noqa: PLR0917
    signals: FloatArray,
    rate_hz: float,
    frequency_hz: FloatArray,
    cylinders: int,
    neighbours: bool,
    quick: bool,
) -> FloatArray:  # pragma: no cover - compiled
    """Phase in periods at every sample by passes that only compare pulses with one another.

    `signals` (channels, n); `frequency_hz` (n,) to start from; `neighbours`: the first pass
    compares neighbouring pulses, which puts right a start that is far off, but follows a strong
    imbalance order instead of the firing where there is one; `quick`: end when a pass changes
    little. Empty when fewer than four periods are there.
    """
    phase = np.zeros(signals.shape[1])
    for n in range(1, phase.shape[0]):
        phase[n] = phase[n - 1] + 0.5 * (frequency_hz[n] + frequency_hz[n - 1]) / rate_hz
    for number in range(_DIFFERENCE_PASSES):
        pulses = _demodulate(signals, rate_hz, phase)
        periods = pulses.shape[1]
        if periods == 0:
            return np.empty(0)
        # neighbours first: far apart, a wrong guess would wrap round
        first = number == 0 and neighbours
        lag = cylinders if not first and periods >= 3 * cylinders else 1
        curve = _drift(pulses, lag, 30.0 if number > 0 else 1e4)
        _correct(phase, curve)
        if quick and number > 0 and np.abs(curve).max() < _SETTLED:
            break
    return phase


@numba.njit(cache=True)
def align(
    signals: FloatArray, rate_hz: float, phase: FloatArray, cylinders: int, quick: bool
) -> tuple[float, FloatArray, float, float]:  # pragma: no cover - compiled
    """Passes that compare each pulse with the mean one, from a settled phase.

    Returns the agreement of the pulses with those of the same cylinder, phase in periods at every
    sample, scatter of single pulses in periods, and likeness: the share of the power that all
    pulses have in common. The agreement is negative when fewer than four periods are there.
    """
    phase = phase.copy()
    sd = 0.5
    for _ in range(_TEMPLATE_PASSES):
        pulses = _demodulate(signals, rate_hz, phase)
        if pulses.shape[1] == 0:
            return -1.0, phase, sd, 0.0
        shift, weight = _local_shift(pulses, cylinders)
        curve, sd = _smooth(shift, weight, cylinders)
        _correct(phase, curve)
        if quick and np.abs(curve).max() < _ALIGNED:
            break
    pulses = _demodulate(signals, rate_hz, phase)
    if pulses.shape[1] == 0:
        return -1.0, phase, sd, 0.0
    if quick:
        shift, weight = _local_shift(pulses, cylinders)
        phase, sd = _stiffened(phase, shift, weight)
    likeness = _agreement(pulses, 1) / signals.shape[0]
    return _agreement(pulses, cylinders), phase, sd, likeness

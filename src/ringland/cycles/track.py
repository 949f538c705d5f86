"""Follow the phase of a firing comb through the recording.

The signal is demodulated at every harmonic of a first guess; the local shift of each pulse against
the common pulse is read from the phases of all harmonics at once and smoothed; the guess is
corrected and the pass repeated. See docs/theory/cycle_from_pulses.md.
"""

from dataclasses import dataclass

import numba
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from ringland.signals import block_decimate, interpolate_cubic, smooth_weighted

__all__ = ["PhaseTrack", "track_phase"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
IntArray = NDArray[np.int64]

_MOST_HARMONICS = 10
_SAMPLES_PER_PERIOD = 28.0
_FEWEST_PER_TEMPLATE = 6  # cycles from which each cylinder gets a template of its own
_AVERAGED_PERIODS = 9  # cross-spectra averaged before their phase is read
_PASSES = 6
_SHIFT_STEPS = 128  # grid of the shift search per period; refined by a parabola
_PENALTIES = 10.0 ** np.arange(5.0, -1.5, -0.5)  # stiffest first


@dataclass(frozen=True)
class PhaseTrack:
    """Phase in periods against time.

    `time_s` (m,) and `phase` (m,), both increasing, phase 0 at the first knot and one unit per
    period; `phase_se` the standard error of the smoothed phase at a knot; `shift_sd` the scatter
    of single pulses about it.
    """

    time_s: FloatArray
    phase: FloatArray
    phase_se: float
    shift_sd: float


@numba.njit(cache=True)
def _demodulate(
    signal: FloatArray,
    phase: FloatArray,
    first_period: int,
    harmonics: int,
    out: ComplexArray,
) -> None:
    """out[p, h-1] = sum of signal * exp(-2 pi i h phase) under a Hann window two periods wide
    centred on period first_period + p + 0.5."""
    periods = out.shape[0]
    for n in range(signal.shape[0]):
        u = phase[n] - first_period
        base = np.exp(-2j * np.pi * phase[n])
        low = int(np.floor(u - 1.5)) + 1
        for p in range(max(0, low), min(periods, low + 2)):
            weight = 0.5 + 0.5 * np.cos(np.pi * (u - p - 0.5))
            turn = base
            for h in range(harmonics):
                out[p, h] += weight * signal[n] * turn
                turn *= base


def _local_shift(
    demodulated: tuple[ComplexArray, ...], templates: tuple[ComplexArray, ...]
) -> tuple[FloatArray, FloatArray]:
    """Shift of each period against the templates, in periods, and the weight it deserves.

    `demodulated` per channel (periods, harmonics). Maximises the summed cross-correlation over
    channels, each harmonic weighted by its signal-to-noise ratio.
    """
    periods = demodulated[0].shape[0]
    total = np.zeros((periods, _SHIFT_STEPS // 2 + 1), dtype=np.complex128)
    curvature = np.zeros(periods)
    for values, template in zip(demodulated, templates, strict=True):
        scatter = np.median(np.abs(values - template), axis=0) ** 2 / np.log(2.0)
        weight = 1.0 / (scatter + 1e-3 * float(np.abs(template).max()) ** 2 + 1e-300)
        harmonics = np.arange(1, values.shape[1] + 1)
        cross = values * np.conj(template) * weight
        total[:, 1 : values.shape[1] + 1] += cross
        curvature += (np.abs(cross) * (2.0 * np.pi * harmonics) ** 2).sum(axis=1)
    correlation = scipy.fft.irfft(total, _SHIFT_STEPS, axis=1)
    top = correlation.argmax(axis=1)
    rows = np.arange(periods)
    shift = (top + _parabola(correlation, rows, top)) / _SHIFT_STEPS
    # a pulse late by d gives Z_h = T_h exp(-2 pi i h d), which peaks at shift d
    shift = (shift + 0.5) % 1.0 - 0.5
    return shift, np.maximum(curvature, 1e-300)


def _templates(values: ComplexArray, cylinders: int) -> ComplexArray:
    """Robust mean pulse (periods, harmonics), of each cylinder by itself where cycles suffice."""
    periods = values.shape[0]
    classes = cylinders if periods >= _FEWEST_PER_TEMPLATE * cylinders else 1
    out = np.empty_like(values)
    for c in range(classes):
        own = values[c::classes]
        out[c::classes] = np.median(own.real, axis=0) + 1j * np.median(own.imag, axis=0)
    return out


def _increments(demodulated: tuple[ComplexArray, ...], lag: int) -> FloatArray:
    """Shift gained per period, from the cross-spectrum of periods one whole engine cycle apart.

    A lag of a cycle compares each cylinder with itself: with a lag of one period, cylinders of
    unequal strength would bend the phase. The complex products are averaged over a few periods
    before their phase is read: averaging
    phases instead would let the noise of every pulse add up to a slow walk.
    """
    count = demodulated[0].shape[0] - lag
    total = np.zeros((count, _SHIFT_STEPS // 2 + 1), dtype=np.complex128)
    for values in demodulated:
        cross = values[lag:] * np.conj(values[:-lag])
        size = np.median(np.abs(values), axis=0).max() ** 2 + 1e-300
        steadiness = np.abs(cross.mean(axis=0)) / (np.abs(cross).mean(axis=0) + 1e-300)
        total[:, 1 : values.shape[1] + 1] += cross * steadiness**2 / size
    width = min(_AVERAGED_PERIODS, count)
    window = np.hanning(width + 2)[1:-1]
    sums = np.zeros_like(total)
    for k, weight in enumerate(window):
        shift = k - width // 2
        low, high = max(0, shift), min(count, count + shift)
        sums[low - shift : high - shift] += weight * total[low:high]
    correlation = scipy.fft.irfft(sums, _SHIFT_STEPS, axis=1)
    top = correlation.argmax(axis=1)
    rows = np.arange(count)
    offset = _parabola(correlation, rows, top)
    shift = (top + offset) / _SHIFT_STEPS
    return np.asarray((shift + 0.5) % 1.0 - 0.5) / lag


def _parabola(correlation: FloatArray, rows: IntArray, top: IntArray) -> FloatArray:
    """Offset of the true maximum from the highest grid point, in grid steps."""
    left = correlation[rows, (top - 1) % _SHIFT_STEPS]
    centre = correlation[rows, top]
    right = correlation[rows, (top + 1) % _SHIFT_STEPS]
    bend = left - 2.0 * centre + right
    offset = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
    return np.clip(offset, -0.5, 0.5)


def _smooth(shift: FloatArray, weight: FloatArray) -> tuple[FloatArray, float]:
    """The stiffest smooth curve that leaves no more than the scatter of single pulses."""
    weight = weight / np.median(weight)
    weight = np.clip(weight, 0.05, 4.0)
    if len(shift) < 5:
        return smooth_weighted(shift, weight, 1.0), float(np.std(shift))
    bend = np.diff(shift, 2)
    sd = 1.4826 * float(np.median(np.abs(bend))) / np.sqrt(6.0) + 1e-6
    curve = shift
    for penalty in _PENALTIES:
        curve = smooth_weighted(shift, weight, float(penalty))
        # a robust second round: pulses far off (a missing one) do not pull the curve
        far = np.abs(shift - curve) > 4.0 * sd
        curve = smooth_weighted(shift, np.where(far, weight * 0.01, weight), float(penalty))
        left = np.sqrt(np.mean(np.minimum((shift - curve) ** 2, (4.0 * sd) ** 2)))
        if left < 1.15 * sd:
            break
    return curve, sd


def track_phase(
    signals: tuple[FloatArray, ...],
    rate_hz: float,
    guess_time_s: FloatArray,
    guess_hz: FloatArray,
    cylinders: int,
) -> PhaseTrack | None:
    """Refine a frequency ridge to a phase track. None when fewer than four periods are there.

    `signals` (n,) each, same clock, `rate_hz`; `cylinders` is the number of periods after which
    the pattern of unequal cylinders repeats. Three starts are tried (the ridge as it is, its
    straight line, its mean), because a start that is off can settle a whole period away; the one
    whose pulses agree best wins.
    """
    middle_hz = float(np.mean(guess_hz))
    factor = max(1, int(rate_hz / (_SAMPLES_PER_PERIOD * middle_hz)))
    small = tuple(block_decimate(s, factor) for s in signals)
    rate = rate_hz / factor
    offset = (factor - 1) / 2.0 / rate_hz
    time = offset + np.arange(len(small[0])) / rate
    if len(time) < 8:
        return None
    ridge = np.interp(time, guess_time_s, guess_hz)
    starts = [ridge, np.full(len(time), middle_hz)]
    if len(guess_time_s) > 2:
        slope, level = np.polyfit(guess_time_s, guess_hz, 1)
        starts.insert(1, np.maximum(level + slope * time, 0.5 * middle_hz))
    best: tuple[float, FloatArray, float] | None = None
    for frequency in starts:
        refined = _refine(small, rate, frequency, cylinders)
        if refined is not None and (best is None or refined[0] > best[0]):
            best = refined
    if best is None:
        return None
    _, phase, sd = best
    step = max(1, int(rate / (4.0 * (phase[-1] - phase[0]) / (time[-1] - time[0]))))
    knots = np.unique(np.append(np.arange(0, len(time), step), len(time) - 1))
    knots = knots[np.concatenate([[True], np.diff(phase[knots]) > 1e-9])]
    return PhaseTrack(time[knots], phase[knots] - phase[knots[0]], sd / 2.0, sd)


def _refine(
    signals: tuple[FloatArray, ...], rate_hz: float, frequency_hz: FloatArray, cylinders: int
) -> tuple[float, FloatArray, float] | None:
    """Agreement of the pulses, phase at every sample, scatter of single pulses in periods."""
    steps = 0.5 * (frequency_hz[1:] + frequency_hz[:-1]) / rate_hz
    phase = np.concatenate([[0.0], np.cumsum(steps)])
    sd = 0.5
    for number in range(_PASSES):
        demodulated = _demodulate_all(signals, rate_hz, phase)
        if demodulated is None:
            return None
        periods = demodulated[0].shape[0]
        centre = np.arange(periods, dtype=np.float64) + 0.5
        if number < 3:
            # differences first: they cannot slip a whole period
            # neighbours first: far apart, a wrong guess would wrap round
            lag = cylinders if number > 0 and periods >= 3 * cylinders else 1
            step = smooth_weighted(
                _increments(demodulated, lag), np.ones(periods - lag), 30.0 if number else 1e4
            )
            # increment i belongs between periods i and i + lag; hold the ends
            middle = np.arange(periods - lag) + 0.5 * lag
            step = np.interp(np.arange(periods - 1) + 0.5, middle, step)
            curve = np.concatenate([[0.0], np.cumsum(step)])
            curve -= curve.mean()
        else:
            shift, weight = _local_shift(
                demodulated, tuple(_templates(v, cylinders) for v in demodulated)
            )
            curve, sd = _smooth(shift, weight)
        correction = interpolate_cubic(centre, curve, phase)
        phase = np.maximum.accumulate(phase - correction)
    demodulated = _demodulate_all(signals, rate_hz, phase)
    if demodulated is None:
        return None
    agreement = 0.0
    for values in demodulated:
        mean = np.abs(_templates(values, cylinders)) ** 2
        agreement += float(mean.sum() / ((np.abs(values) ** 2).sum() + 1e-300))
    return agreement, phase, sd


def _demodulate_all(
    signals: tuple[FloatArray, ...], rate_hz: float, phase: FloatArray
) -> tuple[ComplexArray, ...] | None:
    """Demodulated pulses of every channel; None when there are fewer than four."""
    periods = int(np.floor(phase[-1]))
    if periods < 4:
        return None
    middle_hz = float(phase[-1] - phase[0]) / len(phase) * rate_hz
    harmonics = int(np.clip(0.42 * rate_hz / middle_hz, 1, _MOST_HARMONICS))
    out = []
    for signal in signals:
        values = np.zeros((periods, harmonics), dtype=np.complex128)
        _demodulate(signal, phase, 0, harmonics, values)
        out.append(values)
    return tuple(out)

"""Rough rate of the pulses and phase of their strongest line, from the slow copy of a channel."""

import math
from functools import lru_cache

import numpy as np
import scipy.fft

from ringland.model import ChannelRole, Condition, EngineSpec
from ringland.quality._types import FloatArray, PhaseTrack, Repetition

__all__ = [
    "BAND_TOP_HZ",
    "SPEED_RANGE_RPM",
    "find_in_pieces",
    "find_repetition",
    "rough_rpm",
    "track_phase",
]

SPEED_RANGE_RPM = {
    Condition.CRANKING: (60.0, 500.0),
    Condition.IDLE: (350.0, 1600.0),
    Condition.HELD: (500.0, 8000.0),
    Condition.SNAP: (350.0, 8000.0),
    Condition.UNKNOWN: (60.0, 8000.0),
}
_SLOWEST_REPEAT_S = 2.0
_DRIFT_BELOW_HZ = 0.4
BAND_TOP_HZ = 300.0
_AS_GOOD = 0.65
_LASTS = 2.0
_EDGE_KNOTS = 3
CHANCE_ERRORS = 5.0


def find_repetition(slow: FloatArray, rate_hz: float) -> Repetition | None:
    """The shortest lag at which the autocorrelation is about as high as anywhere, from the
    band of 0.4 to 300 Hz (Gaussian top).

    None when the copy is too short or the autocorrelation never falls to zero (a ramp).
    `by_chance` is 5 standard errors by Bartlett's formula over the main lobe, at the longest lag.
    """
    n = slow.size
    if n < 32:
        return None
    size = scipy.fft.next_fast_len(2 * n, real=True)
    spectrum = scipy.fft.rfft(slow - slow.mean(), size)
    spectrum[: math.ceil(_DRIFT_BELOW_HZ * size / rate_hz)] = 0.0
    power = spectrum.real**2 + spectrum.imag**2
    power *= _gaussian_top(size, rate_hz)
    last = min(n // 2, math.ceil(_SLOWEST_REPEAT_S * rate_hz))
    r = scipy.fft.irfft(power, size)[: last + 1]
    if not r[0] > 0.0:
        return None
    r *= _fewer(n, last) / r[0]
    below = np.flatnonzero(r <= 0.0)
    if below.size == 0:
        return None
    lobe = int(below[0])
    freedom = (n - last) / (1.0 + 2.0 * float(np.square(r[1:lobe]).sum()))
    by_chance = CHANCE_ERRORS / math.sqrt(freedom)
    tail = r[lobe:]
    peak = float(tail.max())
    if tail.size < 3 or peak <= 0.0:
        return Repetition(rate_hz / max(1, lobe), 0.0, by_chance)
    lag = _climb(r, lobe + int(np.flatnonzero(tail >= _AS_GOOD * peak)[0]))
    if round(_LASTS * lag) + lag // 4 < r.size:  # noise with a resonance is soon forgotten
        later = r[round(_LASTS * lag) - lag // 4 : round(_LASTS * lag) + lag // 4 + 1]
        if later.max() < by_chance:
            peak = max(0.0, float(later.max()))
    return Repetition(rate_hz / _refine(r, lag), min(1.0, peak), by_chance)


@lru_cache(maxsize=4)  # the channels of a recording are mostly of one length
def _fewer(count: int, last: int) -> FloatArray:
    """All samples over those that meet at each lag 0 .. last."""
    share: FloatArray = count / (count - np.arange(last + 1))
    share.setflags(write=False)
    return share


@lru_cache(maxsize=4)
def _gaussian_top(size: int, rate_hz: float) -> FloatArray:
    """A Gaussian top as wide as the band: a steep one would ring, and look like a repeat."""
    turn_hz = BAND_TOP_HZ * 2.0 / math.sqrt(math.pi)
    weight: FloatArray = np.exp(-np.square(np.arange(size // 2 + 1) * (rate_hz / size / turn_hz)))
    weight.setflags(write=False)
    return weight


def find_in_pieces(slow: FloatArray, rate_hz: float) -> Repetition | None:
    """The repetition of the whole, or, when the speed changes too much, of its best quarter."""
    whole = find_repetition(slow, rate_hz)
    if whole is None or whole.found:
        return whole
    quarter = slow.size // 4
    found = [find_repetition(slow[i * quarter : (i + 1) * quarter], rate_hz) for i in range(4)]
    there = [f for f in found if f is not None and f.found and f.rate_hz * quarter > 6 * rate_hz]
    return max(there, key=lambda f: f.correlation, default=whole)


def _climb(r: FloatArray, start: int) -> int:
    """Top of the peak that begins at `start`: the greatest within a tenth of the lag."""
    stop = min(r.size, start + max(3, start // 10) + 1)
    return start + int(np.argmax(r[start:stop]))


def _refine(r: FloatArray, lag: int) -> float:
    """The lag from the furthest multiple (at most 8) that can still be followed."""
    period = _vertex(r, lag)
    for multiple in range(2, 9):
        guess = multiple * period
        half = max(1, round(0.2 * period))
        low, high = math.floor(guess) - half, math.ceil(guess) + half
        if high >= r.size - 1:
            break
        place = low + int(np.argmax(r[low : high + 1]))
        if r[place] < 0.5 * r[lag] or place in (low, high):
            break
        period = _vertex(r, place) / multiple
    return period


def _vertex(r: FloatArray, lag: int) -> float:
    if lag < 1 or lag + 1 >= r.size:
        return float(max(lag, 1))
    before, here, after = float(r[lag - 1]), float(r[lag]), float(r[lag + 1])
    bend = before - 2.0 * here + after
    return lag + (0.5 * (before - after) / bend if bend < 0.0 else 0.0)


def rough_rpm(
    repetition: Repetition, engine: EngineSpec, role: ChannelRole, condition: Condition
) -> float | None:
    """Crank speed when the signal repeats once per firing, or per several, or per cycle.

    The highest count of repeats per cycle that puts the speed inside the range the condition
    allows; None when none does.
    """
    heard = engine.cylinders
    if role is ChannelRole.EXHAUST:
        heard = len(engine.positions_on_outlet(1)) or heard
    elif role is ChannelRole.EXHAUST_2:
        heard = len(engine.positions_on_outlet(2)) or heard
    low, high = SPEED_RANGE_RPM[condition]
    for repeats in range(heard, 0, -1):
        if heard % repeats:
            continue
        rpm = 60.0 * engine.revolutions_per_cycle * repetition.rate_hz / repeats
        if low <= rpm <= high:
            return rpm
    return None


@lru_cache(maxsize=8)
def _taper(half: int) -> FloatArray:
    taper: FloatArray = np.cos(0.5 * np.pi * np.arange(-half, half + 1) / (half + 1)) ** 2
    taper.setflags(write=False)
    return taper


def track_phase(slow: FloatArray, rate_hz: float, repeat_hz: float) -> PhaseTrack | None:
    """Demodulate the strongest of the first four lines of the repetition, +-0.4 of its spacing."""
    n = slow.size
    duration_s = n / rate_hz
    half_width = 0.4 * repeat_hz
    if half_width * duration_s < 4.0 or 1.5 * repeat_hz > 0.5 * rate_hz:
        return None
    size = scipy.fft.next_fast_len(n, real=True)
    spectrum = scipy.fft.rfft(slow - slow.mean(), size)
    bin_hz = rate_hz / size
    half = max(2, round(half_width / bin_hz))
    best, best_power = 0, -1.0
    for multiple in (1, 2, 3, 4):
        centre = round(multiple * repeat_hz / bin_hz)
        if centre + half >= spectrum.size or centre - half < 1:
            continue
        band = spectrum[centre - half : centre + half + 1]
        power = float(np.square(np.abs(band)).sum())
        if power > best_power:
            best, best_power = centre, power
    if best == 0 or best_power <= 0.0:
        return None
    length = 4 * half
    band = spectrum[best - half : best + half + 1] * _taper(half)
    baseband = np.zeros(length, dtype=np.complex128)
    baseband[: half + 1], baseband[-half:] = band[half:], band[:half]
    z = scipy.fft.ifft(baseband)
    time_s = np.arange(length, dtype=np.float64) * (size / rate_hz / length)
    edge = _EDGE_KNOTS * (time_s[1] - time_s[0])  # there start and end run into one another
    inside = (time_s >= edge) & (time_s <= duration_s - edge)
    z, time_s = z[inside], time_s[inside]
    line_hz = best * bin_hz
    turns = np.angle(z) / (2.0 * np.pi)
    turns[1:] -= np.cumsum(np.round(np.diff(turns)))  # never more than half a turn between knots
    turns += line_hz * time_s
    return PhaseTrack(
        time_s,
        np.asarray(turns, dtype=np.float64),
        np.asarray(np.abs(z), dtype=np.float64),
        line_hz,
    )

"""Lines at the mains frequency and its multiples, and whether the engine may have made them."""

import math
from dataclasses import dataclass

import numba
import numpy as np

from ringland.quality._repetition import find_repetition
from ringland.quality._types import FloatArray, Hum, Limit, Repetition, Scan

__all__ = [
    "ABOVE_FLOOR",
    "ENGINE_NEAR",
    "LEAST_DURATION",
    "SHARE_SUSPECT",
    "STEADY",
    "line_amplitude",
    "measure_hum",
]

SHARE_SUSPECT = Limit(0.1, "1", "hum over everything else, both RMS")
LEAST_DURATION = Limit(1.0, "s", "shortest recording in which the line can be told")
ABOVE_FLOOR = Limit(6.0, "1", "line over the median of its surroundings to count as a line")
ENGINE_NEAR = Limit(0.025, "1", "an engine line this near, as a share of its frequency, may be it")
STEADY = Limit(0.05, "1", "power beside the line over power in it, beyond which it wanders")
_ABOVE_FLOOR = ABOVE_FLOOR.value
_LEAST_RATE_HZ = 130.0
_MAINS_HZ = (50.0, 60.0)
_MULTIPLES = (1, 2, 3, 4, 5)
_MAINS_TOLERANCE = 0.01
_RENEW = 1024  # samples after which the turning of a line is calculated afresh


@dataclass(frozen=True)
class _Line:
    frequency_hz: float
    amplitude: float


@dataclass(frozen=True, eq=False)
class _Spectrum:
    amplitude: FloatArray
    bin_hz: float

    def near(self, line_hz: float, half_width_hz: float) -> slice:
        """Bins no further than `half_width_hz` from a frequency."""
        low = math.ceil((line_hz - half_width_hz) / self.bin_hz)
        high = math.floor((line_hz + half_width_hz) / self.bin_hz)
        return slice(max(low, 0), max(high + 1, 0))


def line_amplitude(
    amplitude: FloatArray, bin_hz: float, target_hz: float, tolerance_hz: float
) -> _Line | None:
    """The line nearest in strength to a target, None when nothing stands out there.

    Between bins the Hann window's own shape is used: with a the ratio of the larger neighbour to
    the peak, the offset is (2 a - 1) / (1 + a) bins and the amplitude the peak times
    pi d (1 - d^2) / sin(pi d). Source: Harris, Proc. IEEE 66 (1978) 51.
    """
    line_hz, size = _line_near(amplitude, bin_hz, target_hz, tolerance_hz)
    return None if math.isnan(line_hz) else _Line(line_hz, size)


@numba.njit(cache=True)
def _line_near(
    amplitude: FloatArray, bin_hz: float, target_hz: float, tolerance_hz: float
) -> tuple[float, float]:  # pragma: no cover - compiled
    """Frequency and amplitude as `line_amplitude` says, NaN where there is none."""
    low = math.floor((target_hz - tolerance_hz) / bin_hz)
    high = math.ceil((target_hz + tolerance_hz) / bin_hz)
    if low < 2 or high + 2 >= amplitude.size:
        return math.nan, math.nan
    k = low + int(np.argmax(amplitude[low : high + 1]))
    peak, before, after = amplitude[k], amplitude[k - 1], amplitude[k + 1]
    if not peak > max(before, after):
        return math.nan, math.nan
    around = np.concatenate((amplitude[max(1, k - 12) : k - 2], amplitude[k + 3 : k + 13]))
    if around.size and peak < _ABOVE_FLOOR * np.median(around):
        return math.nan, math.nan
    side, sign = (after, 1.0) if after >= before else (before, -1.0)
    a = side / peak
    d = min(0.5, max(0.0, (2.0 * a - 1.0) / (1.0 + a)))
    gain = 1.0 if d < 1e-6 else math.pi * d * (1.0 - d * d) / math.sin(math.pi * d)
    line_hz = (k + sign * d) * bin_hz
    if abs(line_hz - target_hz) > tolerance_hz:
        return math.nan, math.nan
    return line_hz, peak * gain


def measure_hum(scan: Scan, rate_hz: float, duration_s: float, amplitude: FloatArray) -> Hum | None:
    """Hum of one channel from its slow copy at `rate_hz` and that copy's amplitude spectrum.

    None when the recording is too short or too slow to tell. What the engine may have to do with
    it is looked at only when the hum is beyond the limit.
    """
    if duration_s < LEAST_DURATION.value or rate_hz < _LEAST_RATE_HZ:
        return None
    spectrum = _Spectrum(amplitude, rate_hz / scan.slow.size)
    worst_hz, worst = 0.0, 0.0
    lines: list[_Line] = []
    for mains_hz in _MAINS_HZ:
        found = _lines(spectrum, mains_hz)
        size = math.sqrt(sum(0.5 * line.amplitude**2 for line in found))
        if size > worst:
            worst_hz, worst, lines = mains_hz, size, found
    total = float(np.sqrt(np.mean(np.square(scan.slow - scan.slow.mean()))))
    rest = math.sqrt(max(total * total - worst * worst, 0.0))
    share = worst / max(rest, 1e-9 * worst, 1e-300)
    first = next((line for line in lines if abs(line.frequency_hz - worst_hz) < 1.0), None)
    size = first.amplitude if first is not None else worst * math.sqrt(2.0)
    if share <= SHARE_SUSPECT.value:
        return Hum(worst_hz, share, size)
    strongest = max(lines, key=lambda line: line.amplitude)
    if _restless(spectrum, strongest) > STEADY.value:
        return Hum(worst_hz, share, size, strongest.frequency_hz, wanders=True)
    left = find_repetition(_without(scan, rate_hz, lines), rate_hz)
    return Hum(
        worst_hz,
        share,
        size,
        strongest.frequency_hz,
        rest=left,
        rest_wanders=_own_line_wanders(spectrum, left, lines),
    )


def _lines(spectrum: _Spectrum, mains_hz: float) -> list[_Line]:
    found = []
    for multiple in _MULTIPLES:
        target = multiple * mains_hz
        tolerance = max(_MAINS_TOLERANCE * target, 0.5 * spectrum.bin_hz)
        line = line_amplitude(spectrum.amplitude, spectrum.bin_hz, target, tolerance)
        if line is not None:
            found.append(line)
        elif multiple == 1:
            return []  # hum without its first line is too rare to be worth false alarms
    return found


def _without(scan: Scan, rate_hz: float, lines: list[_Line]) -> FloatArray:
    """The slow copy, swing 1, with the lines taken out by least squares."""
    rest = (scan.slow - scan.slow.mean()) / scan.swing
    for line in lines:
        _take_out(rest, 2.0 * math.pi * line.frequency_hz / rate_hz)
    return np.asarray(rest, dtype=np.float64)


@numba.njit(cache=True, fastmath={"reassoc", "contract"})
def _products(
    x: FloatArray, cosine: FloatArray, sine: FloatArray
) -> tuple[float, float]:  # pragma: no cover - compiled
    """Sums of x times each of the two; several terms at a time."""
    along = across = 0.0
    for j in range(x.shape[0]):
        along += x[j] * cosine[j]
        across += x[j] * sine[j]
    return along, across


@numba.njit(cache=True)
def _take_out(x: FloatArray, step: float) -> None:  # pragma: no cover - compiled
    """Take the line of `step` radians per sample from x, in place.

    Every stretch of _RENEW samples sees the same turns, begun at another angle.
    """
    n = x.shape[0]
    size = min(n, _RENEW)
    cosine, sine = np.empty(size), np.empty(size)
    turn, by = 1.0 + 0j, complex(np.cos(step), np.sin(step))
    for j in range(size):
        cosine[j], sine[j] = turn.real, turn.imag
        turn *= by
    line = 0j
    for first in range(0, n, _RENEW):
        along, across = _products(x[first : first + _RENEW], cosine, sine)
        line += complex(along, -across) * complex(np.cos(step * first), -np.sin(step * first))
    line *= 2.0 / n
    for first in range(0, n, _RENEW):
        own = x[first : first + _RENEW]
        here = line * complex(np.cos(step * first), np.sin(step * first))
        for j in range(own.shape[0]):
            own[j] -= here.real * cosine[j] - here.imag * sine[j]


def _restless(spectrum: _Spectrum, line: _Line) -> float:
    """Power just beside a line over that in it; an engine's line wanders, the mains do not."""
    bin_hz, line_hz = spectrum.bin_hz, line.frequency_hz
    power = np.square(spectrum.amplitude)
    inside = spectrum.near(line_hz, max(2.5 * bin_hz, 0.1))
    wide = spectrum.near(line_hz, max(8.0 * bin_hz, ENGINE_NEAR.value * line_hz))
    around = spectrum.near(line_hz, max(30.0 * bin_hz, 0.1 * line_hz))
    floor = float(np.median(power[around])) / 0.693
    within, beside = power[inside], power[wide].size - power[inside].size
    excess = float(power[wide].sum() - within.sum()) - floor * beside
    return max(0.0, excess) / max(float(within.sum()), 1e-300)


def _own_line_wanders(spectrum: _Spectrum, rest: Repetition | None, lines: list[_Line]) -> bool:
    """True when the strongest of the first multiples of the rate of what is left is smeared."""
    if rest is None or not rest.found:
        return False
    best: _Line | None = None
    for multiple in range(1, 7):
        target = multiple * rest.rate_hz
        if any(abs(target - line.frequency_hz) < 0.06 * target for line in lines):
            continue
        near = spectrum.near(target, max(2.0 * spectrum.bin_hz, 0.01 * target))
        sizes = spectrum.amplitude[near]
        if sizes.size:
            k = near.start + int(np.argmax(sizes))
            line = _Line(k * spectrum.bin_hz, float(spectrum.amplitude[k]))
            if best is None or line.amplitude > best.amplitude:
                best = line
    strongest = max(lines, key=lambda line: line.amplitude)
    if best is None or best.frequency_hz > 1.5 * strongest.frequency_hz:
        return False  # higher lines are smeared more: no fair comparison
    return _restless(spectrum, best) > 4.0 * STEADY.value

"""Which multiple of the tracked comb is the engine cycle?

Each hypothesis "a cycle lasts c tracked periods" says at which orders an engine with these firing
angles must show lines (what the cylinders share) and at which it may (imbalance). The lines of the
warped recording are weighed by a Gaussian line model with a smooth pulse spectrum and an unknown
size of imbalance. See docs/theory/cycle_from_pulses.md, equations (4) to (8).
"""

from dataclasses import dataclass

import numba
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from ringland.cycles.track import PhaseTrack
from ringland.signals import interpolate_rising, resample_at

__all__ = ["LineSpectrum", "cycle_log_evidence", "firing_pattern", "line_spectrum"]

FloatArray = NDArray[np.float64]

_IMBALANCE = (0.003, 0.01, 0.03, 0.1, 0.3, 1.0)  # imbalance over shared amplitude, tried in turn
_RIDGE = (1e-6, 0.05, 0.3, 1.0)  # stiffness of the pulse spectrum, by degree
_EVEN_IMBALANCE = (0.0, 1e-4, 1e-3, 1e-2)  # the same at all orders, over the strongest line
_DYNAMIC_RANGE = 1e-4  # lines 40 dB under the strongest say more of the machine than of the firing
_NEAR_BINS = 3  # the main lobe of the window ends here
_FAR_BINS = 13
_FEWEST_BINS = 3  # on one side from which a median is taken
_LOBE_BINS = 5.0
_SHARED = 0.15  # pattern height from which a line counts as shared
_SAG = 0.03
_SAG_WIDTH = 0.7
_LOG_2 = 0.6931471805599453
_LARGE = 1e150
_BESIDE_EXHAUST = 0.1  # a crankcase says more of leaks and of displacement than of firing
_TAIL_COST = 1.5  # extra cost of a line far stronger than the model allows


@dataclass(frozen=True)
class LineSpectrum:
    """Power over local noise of a warped channel. `ratio` (n,); `per_period` bins per unit of
    frequency (1 / tracked period); frequencies above `highest` are not to be used."""

    ratio: FloatArray
    per_period: float
    highest: float


def line_spectrum(
    signal: FloatArray,
    rate_hz: float,
    track: PhaseTrack,
    highest_hz: float,
    *,
    alone: bool = False,
) -> LineSpectrum:
    """Spectrum against order of one channel, warped by the track and whitened.

    Lines up to about `highest_hz` are kept, so that tracks of different period compare. `alone`:
    the track is compared with no other one, and the points may lie a little closer.
    """
    periods = float(track.phase[-1])
    period_hz = periods / float(track.time_s[-1] - track.time_s[0])
    highest = highest_hz / period_hz
    points = float(max(4, int(np.ceil(2.5 * highest))))
    count = int(periods * points)
    if alone:  # a number of large prime factors would cost ten times as much
        count = scipy.fft.next_fast_len(count, real=True)
        points = max(points, count / periods)
    phase: FloatArray = np.asarray((np.arange(count) + 0.5) / points, dtype=np.float64)
    time = interpolate_rising(phase, track.phase, track.time_s)
    warped = resample_at(signal, rate_hz, time, min(0.5 * rate_hz, 0.45 * points * period_hz))
    mean = warped.mean()
    if np.isfinite(mean):
        warped -= mean
    else:  # some points lie outside the samples
        warped = np.nan_to_num(warped - np.nanmean(warped))
    warped *= 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(count) + 0.5) / count)
    line = scipy.fft.rfft(warped)
    power: FloatArray = line.real**2 + line.imag**2
    per_period = count / points
    noise = np.empty_like(power)
    _two_sided_floor(power, noise)
    floor = power.max() * _DYNAMIC_RANGE + 1e-300
    return LineSpectrum(power / (noise / np.log(2.0) + floor), per_period, highest)


@numba.njit(cache=True)
def _two_sided_floor(power: FloatArray, out: FloatArray) -> None:  # pragma: no cover - compiled
    """Noise level at each bin: the higher of the medians on its two sides.

    On the skirt of a strong line the side towards that line is higher than the bin itself, so a
    skirt never looks like a line.
    """
    n = power.shape[0]
    width = _FAR_BINS - _NEAR_BINS + 1
    whole = _running_medians(power, width)
    for i in range(n):
        level = 0.0
        for first in (i - _FAR_BINS, i + _NEAR_BINS):
            if 0 <= first <= n - width:
                level = max(level, whole[first])
                continue
            low, high = max(first, 0), min(first + width, n)  # cut at an end
            if high - low >= _FEWEST_BINS:
                level = max(level, np.median(power[low:high]))
        out[i] = level


@numba.njit(cache=True)
def _running_medians(values: FloatArray, width: int) -> FloatArray:  # pragma: no cover - compiled
    """Median of values[i : i + width] for every i where it fits; `width` is odd."""
    n = values.shape[0]
    out = np.empty(max(n - width + 1, 0))
    if out.shape[0] == 0:
        return out
    ordered = np.sort(values[:width])
    out[0] = ordered[width // 2]
    for i in range(1, out.shape[0]):
        leaves, comes = values[i - 1], values[i + width - 1]
        k = 0
        while k < width - 1 and ordered[k] < leaves:
            k += 1
        while k < width - 1 and ordered[k + 1] < comes:
            ordered[k] = ordered[k + 1]
            k += 1
        while k > 0 and ordered[k - 1] > comes:
            ordered[k] = ordered[k - 1]
            k -= 1
        ordered[k] = comes
        out[i] = ordered[width // 2]
    return out


@numba.njit(cache=True)
def firing_pattern(
    angles_deg: FloatArray, cycle_deg: float, harmonics: int
) -> FloatArray:  # pragma: no cover - compiled
    """|mean of exp(-i k angle)| of the firing angles for cycle harmonics k = 1 .. `harmonics`."""
    step = np.exp(-2j * np.pi * angles_deg / cycle_deg)
    turn = step.copy()
    out = np.empty(harmonics)
    for k in range(harmonics):
        out[k] = abs(turn.mean())
        turn *= step
    return out


def cycle_log_evidence(
    spectra: tuple[LineSpectrum, ...],
    patterns: tuple[tuple[FloatArray, float], ...],
    periods_per_cycle: float,
    exhaust_count: int | None = None,
) -> float:
    """Log evidence that one engine cycle lasts `periods_per_cycle` tracked periods.

    `patterns` per channel: firing angles (positions heard), cycle_deg. The first `exhaust_count`
    channels (default: all) hear what every cylinder does alike; where there are such, the others
    count little.
    """
    total = 0.0
    exhausts = len(spectra) if exhaust_count is None else exhaust_count
    for number, (spectrum, (angles_deg, cycle_deg)) in enumerate(
        zip(spectra, patterns, strict=True)
    ):
        harmonics = int(spectrum.highest * periods_per_cycle)
        if harmonics < 1:
            return -np.inf
        pattern = firing_pattern(np.asarray(angles_deg), cycle_deg, harmonics)
        pulses = number < exhausts
        evidence = _evidence(
            spectrum.ratio, spectrum.per_period, periods_per_cycle, pattern, pulses
        )
        total += evidence if pulses or exhausts == 0 else _BESIDE_EXHAUST * evidence
    return total


@numba.njit(cache=True)
def _evidence(
    spectrum: FloatArray,
    per_period: float,
    periods_per_cycle: float,
    pattern: FloatArray,
    pulses: bool,
) -> float:  # pragma: no cover - compiled
    """Log evidence of one channel; `pattern` of its firing angles."""
    ratio = _read(spectrum, per_period, periods_per_cycle, pattern.shape[0])
    ratio = _count_once(ratio, per_period / periods_per_cycle)
    return float(_line_evidence(ratio, pattern, pulses))


@numba.njit(cache=True)
def _read(
    spectrum: FloatArray, per_period: float, periods_per_cycle: float, harmonics: int
) -> FloatArray:  # pragma: no cover - compiled
    """Line power ratio at harmonics 1, 2 ... of the cycle: the larger of the two nearest bins."""
    out = np.empty(harmonics)
    for k in range(harmonics):
        low = min(max(int((k + 1) / periods_per_cycle * per_period), 0), spectrum.shape[0] - 2)
        out[k] = max(spectrum[low], spectrum[low + 1])
    return out


@numba.njit(cache=True)
def _count_once(ratio: FloatArray, bins_apart: float) -> FloatArray:  # pragma: no cover - compiled
    """Where few cycles make lines overlap, only the strongest within one main lobe counts."""
    reach = int(np.ceil(_LOBE_BINS / bins_apart)) - 1
    kept = ratio.copy()
    n = ratio.shape[0]
    for i in range(n):
        for k in range(max(0, i - reach), min(n, i + reach + 1)):
            if ratio[k] > ratio[i]:
                kept[i] = min(ratio[i], 1.0)
                break
    return kept


@numba.njit(cache=True)
def _cubic_terms(at: float) -> tuple[float, float, float, float]:  # pragma: no cover - compiled
    """Legendre polynomials of degree 0 to 3."""
    return 1.0, at, 1.5 * at * at - 0.5, (2.5 * at * at - 1.5) * at


@numba.njit(cache=True)
def _smooth_spectrum(
    ratio: FloatArray, pattern: FloatArray
) -> FloatArray:  # pragma: no cover - compiled
    """Pulse spectrum at every harmonic from the shared ones: a stiff cubic in logarithms.

    A pulse short against its interval has a smooth spectrum; the ridge keeps few lines from
    bending it.
    """
    n = ratio.shape[0]
    scale = max(n, 2)
    gram = np.diag(np.array(_RIDGE))
    right = np.zeros(4)
    for k in range(n):
        if pattern[k] <= _SHARED:
            continue
        # mean of the logarithm of an exponential variable is 0.577 below the logarithm of its mean
        level = np.log(max(ratio[k] / max(pattern[k] ** 2, 1e-3), 1.0)) + 0.577
        terms = _cubic_terms(2.0 * (k + 1) / scale - 1.0)
        for i in range(4):
            right[i] += terms[i] * level
            for j in range(4):
                gram[i, j] += terms[i] * terms[j]
    for i in range(4):  # Gauss; positive definite by the ridge
        for j in range(i + 1, 4):
            factor = gram[j, i] / gram[i, i]
            gram[j, i:] -= factor * gram[i, i:]
            right[j] -= factor * right[i]
    for i in range(3, -1, -1):
        for j in range(i + 1, 4):
            right[i] -= gram[i, j] * right[j]
        right[i] /= gram[i, i]
    out = np.empty(n)
    for k in range(n):
        terms = _cubic_terms(2.0 * (k + 1) / scale - 1.0)
        total = 0.0
        for i in range(4):
            total += right[i] * terms[i]
        out[k] = np.exp(total)
    return out


@numba.njit(cache=True)
def _sag_cost(
    ratio: FloatArray, pattern: FloatArray, pulses: bool
) -> float:  # pragma: no cover - compiled
    """Cost of shared lines far below a stronger one of higher order, or below pure imbalance.

    Pulses are strongest at low orders; sensors with a low corner or a resonance may lift the
    higher ones by some 15 dB, not by 30. The second holds for blow-downs (`pulses`): in a crankcase
    a single leak may outweigh all that the cylinders share.
    """
    top, top_at, imbalance = 0.0, -1, 0.0
    for k in range(ratio.shape[0]):
        height = max(ratio[k], 1.0)
        if pattern[k] <= _SHARED:
            imbalance = max(imbalance, height)
        elif height > top:
            top, top_at = height, k
    cost = 0.0
    for k in range(top_at):
        if pattern[k] > _SHARED:
            cost += max(np.log(_SAG * top / max(ratio[k], 1.0)), 0.0) ** 2
    if pulses and imbalance > 0.0:
        # even a dead cylinder leaves what the cylinders share the strongest line
        cost += max(np.log(imbalance / top), 0.0) ** 2
    return 0.5 * cost / _SAG_WIDTH**2


@numba.njit(cache=True)
def _line_evidence(
    ratio: FloatArray, pattern: FloatArray, pulses: bool
) -> float:  # pragma: no cover - compiled
    """Sum over lines of log p(ratio | model) - log p(ratio | noise), best imbalance size."""
    if not np.any(pattern > _SHARED):
        return -np.inf
    level = _smooth_spectrum(ratio, pattern)
    free = np.maximum(ratio - 1.0, 0.0)
    unforeseen = free - np.log1p(free) - _TAIL_COST
    best, strongest = -np.inf, ratio.max()
    for imbalance in _IMBALANCE:
        for even in _EVEN_IMBALANCE:
            total, product = 0.0, 1.0  # logarithms are added as the logarithm of a product
            for k in range(ratio.shape[0]):
                above = 1.0 + level[k] * (pattern[k] ** 2 + imbalance**2) + even * strongest
                value = ratio[k] * (1.0 - 1.0 / above)
                # a line may be stronger than foreseen, at a cost in logarithms; a weak one never
                # gains by that: free > variance > 0 makes its usual share at least 0, the other
                # one at most unforeseen - log 2
                if unforeseen[k] > _LOG_2 and ratio[k] > above:
                    spread = np.log(above)
                    tail = unforeseen[k] - np.log(ratio[k] + above) + spread
                    total += max(value - spread, tail)
                    continue
                total += value
                product *= above
                if product > _LARGE:
                    total -= np.log(product)
                    product = 1.0
            total -= np.log(product)
            best = max(best, total)
    return best - _sag_cost(ratio, pattern, pulses)

"""Which multiple of the tracked comb is the engine cycle?

Each hypothesis "a cycle lasts c tracked periods" says at which orders an engine with these firing
angles must show lines (what the cylinders share) and at which it may (imbalance). The lines of the
warped recording are weighed by a Gaussian line model with a smooth pulse spectrum and an unknown
size of imbalance. See docs/theory/cycle_from_pulses.md, equations (4) to (8).
"""

import itertools
from dataclasses import dataclass

import numba
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from ringland.cycles.track import PhaseTrack
from ringland.signals import resample_at

__all__ = ["LineSpectrum", "cycle_log_evidence", "firing_pattern", "line_spectrum"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

_IMBALANCE = (0.003, 0.01, 0.03, 0.1, 0.3, 1.0)  # imbalance over shared amplitude, tried in turn
_RIDGE = (1e-6, 0.05, 0.3, 1.0)  # stiffness of the pulse spectrum, by degree
_EVEN_IMBALANCE = (0.0, 1e-4, 1e-3, 1e-2)  # the same at all orders, over the strongest line
_DYNAMIC_RANGE = 1e-4  # lines 40 dB under the strongest say more of the machine than of the firing
_NEAR_BINS = 3  # the main lobe of the window ends here
_FAR_BINS = 13
_LOBE_BINS = 5.0
_SHARED = 0.15  # pattern height from which a line counts as shared
_SAG = 0.03
_SAG_WIDTH = 0.7
_TAIL_COST = 1.5  # extra cost of a line far stronger than the model allows


@dataclass(frozen=True)
class LineSpectrum:
    """Power over local noise of a warped channel. `ratio` (n,); `per_period` bins per unit of
    frequency (1 / tracked period); frequencies above `highest` are not to be used."""

    ratio: FloatArray
    per_period: float
    highest: float


def line_spectrum(
    signal: FloatArray, rate_hz: float, track: PhaseTrack, highest_hz: float
) -> LineSpectrum:
    """Spectrum against order of one channel, warped by the track and whitened.

    Lines up to about `highest_hz` are kept, so that tracks of different period compare.
    """
    periods = float(track.phase[-1])
    period_hz = periods / float(track.time_s[-1] - track.time_s[0])
    highest = highest_hz / period_hz
    points = max(4, int(np.ceil(2.5 * highest)))
    count = int(periods * points)
    phase = (np.arange(count) + 0.5) / points
    time = np.interp(phase, track.phase, track.time_s)
    warped = resample_at(signal, rate_hz, time, min(0.5 * rate_hz, 0.45 * points * period_hz))
    warped = np.nan_to_num(warped - np.nanmean(warped))
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(count) + 0.5) / count)
    power = np.abs(scipy.fft.rfft(warped * window)) ** 2
    per_period = count / points
    noise = np.empty_like(power)
    _two_sided_floor(power, noise)
    floor = power.max() * _DYNAMIC_RANGE + 1e-300
    return LineSpectrum(power / (noise / np.log(2.0) + floor), per_period, highest)


@numba.njit(cache=True)
def _two_sided_floor(power: FloatArray, out: FloatArray) -> None:
    """Noise level at each bin: the higher of the medians on its two sides.

    On the skirt of a strong line the side towards that line is higher than the bin itself, so a
    skirt never looks like a line.
    """
    n = power.shape[0]
    for i in range(n):
        level = 0.0
        for side in (-1, 1):
            first = i + side * _NEAR_BINS
            last = i + side * _FAR_BINS
            low = max(min(first, last), 0)
            high = min(max(first, last) + 1, n)
            if high - low >= 3:
                level = max(level, np.median(power[low:high]))
        out[i] = level


def firing_pattern(angles_deg: FloatArray, cycle_deg: float, harmonics: int) -> FloatArray:
    """|mean of exp(-i k angle)| of the firing angles for cycle harmonics k = 1 .. `harmonics`."""
    k = np.arange(1, harmonics + 1)[:, None]
    turn = np.exp(-2j * np.pi * k * np.asarray(angles_deg)[None, :] / cycle_deg)
    return np.asarray(np.abs(turn.mean(axis=1)))


def cycle_log_evidence(
    spectra: tuple[LineSpectrum, ...],
    patterns: tuple[tuple[FloatArray, float], ...],
    periods_per_cycle: float,
) -> float:
    """Log evidence that one engine cycle lasts `periods_per_cycle` tracked periods.

    `patterns` per channel: firing angles (positions heard), cycle_deg.
    """
    total = 0.0
    for spectrum, (angles_deg, cycle_deg) in zip(spectra, patterns, strict=True):
        harmonics = int(spectrum.highest * periods_per_cycle)
        if harmonics < 1:
            return -np.inf
        pattern = firing_pattern(angles_deg, cycle_deg, harmonics)
        ratio = _read(spectrum, np.arange(1, harmonics + 1) / periods_per_cycle)
        ratio = _count_once(ratio, spectrum.per_period / periods_per_cycle)
        total += _line_evidence(ratio, pattern)
    return total


def _read(spectrum: LineSpectrum, frequency: FloatArray) -> FloatArray:
    """Line power ratio at given frequencies: the larger of the two nearest bins."""
    position = frequency * spectrum.per_period
    low = np.clip(position.astype(np.int64), 0, len(spectrum.ratio) - 2)
    return np.maximum(spectrum.ratio[low], spectrum.ratio[low + 1])


def _count_once(ratio: FloatArray, bins_apart: float) -> FloatArray:
    """Where few cycles make lines overlap, only the strongest within one main lobe counts."""
    reach = int(np.ceil(_LOBE_BINS / bins_apart)) - 1
    kept = ratio
    for step in range(1, reach + 1):
        higher = np.zeros_like(ratio)
        higher[step:] = ratio[:-step]
        higher[:-step] = np.maximum(higher[:-step], ratio[step:])
        kept = np.where(higher > ratio, np.minimum(kept, 1.0), kept)
    return kept


def _smooth_spectrum(harmonic: IntArray, log_level: FloatArray, highest: int) -> FloatArray:
    """Log pulse spectrum at harmonics 1 .. `highest` from the shared ones, as a stiff cubic.

    A pulse short against its interval has a smooth spectrum; the ridge keeps few lines from
    bending it.
    """
    scale = max(highest, 2)
    known = np.polynomial.legendre.legvander(2.0 * harmonic / scale - 1.0, 3)
    gram = known.T @ known + np.diag(_RIDGE)
    # mean of the logarithm of an exponential variable is 0.577 below the logarithm of its mean
    coefficient = np.linalg.solve(gram, known.T @ (log_level + 0.577))
    everywhere = 2.0 * np.arange(1, highest + 1) / scale - 1.0
    return np.asarray(np.polynomial.legendre.legvander(everywhere, 3) @ coefficient)


def _sag_cost(ratio: FloatArray, shared: BoolArray) -> float:
    """Cost of shared lines far below a stronger one of higher order, or below pure imbalance.

    Pulses are strongest at low orders; sensors with a low corner or a resonance may lift the
    higher ones by some 15 dB, not by 30.
    """
    heights = np.maximum(ratio[shared], 1.0)
    lower = heights[: int(np.argmax(heights))]
    depth = np.log(_SAG * float(heights.max()) / lower)
    cost = float((np.maximum(depth, 0.0) ** 2).sum())
    if not shared.all():
        # even a dead cylinder leaves what the cylinders share the strongest line
        excess = np.log(max(float(ratio[~shared].max()), 1.0) / float(heights.max()))
        cost += max(excess, 0.0) ** 2
    return 0.5 * cost / _SAG_WIDTH**2


def _line_evidence(ratio: FloatArray, pattern: FloatArray) -> float:
    """Sum over lines of log p(ratio | model) - log p(ratio | noise), best imbalance size."""
    shared = pattern > _SHARED
    if not shared.any():
        return -np.inf
    where = np.flatnonzero(shared)
    # pulse spectrum at every line: smooth in log through the shared lines
    excess = np.log(np.maximum(ratio[where] / np.maximum(pattern[where] ** 2, 1e-3), 1.0))
    level = np.exp(_smooth_spectrum(where + 1, excess, len(ratio)))
    sag = _sag_cost(ratio, shared)
    best = -np.inf
    strongest = float(ratio.max())
    for imbalance, even in itertools.product(_IMBALANCE, _EVEN_IMBALANCE):
        variance = level * (pattern**2 + imbalance**2) + even * strongest
        usual = -np.log1p(variance) + ratio * variance / (1.0 + variance)
        free = np.maximum(ratio - 1.0, 0.0)
        # heavy tail: a line may be stronger than foreseen, at a cost in logarithms
        unusual = (
            -np.log1p(free) + free - np.log((1.0 + free) / (1.0 + variance) + 1.0) - _TAIL_COST
        )
        unusual = np.where(free > variance, unusual, -np.inf)
        best = max(best, float(np.maximum(usual, unusual).sum()))
    return best - sag

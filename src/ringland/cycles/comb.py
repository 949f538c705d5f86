"""Where in the spectrum is the firing comb? Coarse candidates for the firing frequency.

A train of pulses at frequency F has lines at F, 2F, 3F ... and valleys half-way between. The mean
height of lines over valleys, in logarithms, is large at F, about half at F / 2 (every second line
is a valley) and near zero at 2 F (every valley is a line). See docs/theory/cycle_from_pulses.md.
"""

from dataclasses import dataclass
from functools import lru_cache

import numba
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from ringland.signals import block_decimate

__all__ = ["Ridge", "candidate_ridges"]

FloatArray = NDArray[np.float64]
SingleArray = NDArray[np.float32]

_GRID_RATIO = 1.004  # step of the logarithmic frequency grid
_PERIODS_PER_FRAME = 8.0  # pulses in one frame at the bottom of an octave band
_MOST_HARMONICS = 8
_FLOOR_DB = 70.0  # lines further below the strongest count no more
_CAP_NEPER = 3.0  # one strong line may not outvote a whole comb
_WANDER = 0.08  # widest excursion of the speed around its middle that the ridge follows
_STEP_COST = 0.25  # score lost for each grid step between frames: speed has inertia
_REACH = 3  # most grid steps between frames
_OVERLAP = 4  # frames begin this often in the length of one
_PAD = 4  # bins per bin of the frame, by zeros
_RATE_OVER_TOP = 2.6  # least sampling rate over the highest line looked at


@dataclass(frozen=True)
class Ridge:
    """Firing frequency against time: `time_s` (m,), `frequency_hz` (m,), and its mean contrast."""

    time_s: FloatArray
    frequency_hz: FloatArray
    contrast: float


@numba.njit(cache=True)
def _contrast(
    log_power: SingleArray, bins_per_hz: float, grid_hz: FloatArray, harmonics: int, out: FloatArray
) -> None:  # pragma: no cover - compiled
    """Add to out[grid, frame]: mean over harmonics of log line minus log valleys, capped.

    `log_power` (bins, frames): frames last, so that a few are looked at together.
    """
    bins, frames = log_power.shape
    low = np.empty(2 * harmonics + 1, dtype=np.int64)
    part = np.empty(2 * harmonics + 1, dtype=np.float32)
    before, after = np.empty(frames, dtype=np.float32), np.empty(frames, dtype=np.float32)
    line, total = np.empty(frames, dtype=np.float32), np.empty(frames)
    for g in range(grid_hz.shape[0]):
        # places 0, 2, 4 ... are valleys, 1, 3, 5 ... lines
        count = 0
        for k in range(2 * harmonics + 1):
            position = 0.5 * (k + 1) * grid_hz[g] * bins_per_hz
            if position > bins - 2:
                break
            low[k] = int(position)
            part[k] = position - low[k]
            count = k // 2
        if count == 0:
            continue
        _between(log_power, low[0], part[0], before)
        total[:] = 0.0
        for h in range(count):
            _between(log_power, low[2 * h + 1], part[2 * h + 1], line)
            _between(log_power, low[2 * h + 2], part[2 * h + 2], after)
            _add_capped(line, before, after, total)
            before, after = after, before
        # the square root keeps a comb of few lines from winning on luck
        scale = 1.0 / np.sqrt(count)
        for t in range(frames):
            out[g, t] += total[t] * scale


@numba.njit(cache=True)
def _between(
    log_power: SingleArray, low: int, part: float, out: SingleArray
) -> None:  # pragma: no cover - compiled
    for t in range(out.shape[0]):
        out[t] = log_power[low, t] + part * (log_power[low + 1, t] - log_power[low, t])


@numba.njit(cache=True)
def _add_capped(
    line: SingleArray, before: SingleArray, after: SingleArray, total: FloatArray
) -> None:  # pragma: no cover - compiled
    half, cap = np.float32(0.5), np.float32(_CAP_NEPER)
    for t in range(total.shape[0]):
        height = line[t] - half * (before[t] + after[t])
        height = cap if height > cap else height
        total[t] += -cap if height < -cap else height


@numba.njit(cache=True)
def _best_path(score: FloatArray, reach: int) -> NDArray[np.int64]:
    """Path through score (frames, states) with the largest sum, moving at most `reach` a frame."""
    frames, states = score.shape
    best = score[0].copy()
    back = np.zeros((frames, states), dtype=np.int64)
    for t in range(1, frames):
        updated = np.empty(states)
        for s in range(states):
            top = -1e300
            where = s
            for r in range(max(0, s - reach), min(states, s + reach + 1)):
                value = best[r] - _STEP_COST * abs(r - s)
                if value > top:
                    top = value
                    where = r
            updated[s] = top + score[t, s]
            back[t, s] = where
        best = updated
    path = np.zeros(frames, dtype=np.int64)
    path[frames - 1] = np.argmax(best)
    for t in range(frames - 1, 0, -1):
        path[t - 1] = back[t, path[t]]
    return path


@numba.njit(cache=True, fastmath={"reassoc"})
def _mean(values: SingleArray) -> float:  # pragma: no cover - compiled
    total = 0.0
    for n in range(values.shape[0]):
        total += values[n]
    return float(total / values.shape[0])


@numba.njit(cache=True)
def _frames(
    signal: SingleArray, hop: int, window: SingleArray, out: SingleArray
) -> None:  # pragma: no cover - compiled
    """Fill each row of `out` with a frame of the signal less its mean, windowed, then zeros."""
    frame = window.shape[0]
    for t in range(out.shape[0]):
        own = signal[t * hop : t * hop + frame]
        mean = np.float32(_mean(own))
        for n in range(frame):
            out[t, n] = (own[n] - mean) * window[n]
        out[t, frame:] = 0.0


@numba.njit(cache=True)
def _turned_power(
    lines: NDArray[np.complex64], out: SingleArray
) -> None:  # pragma: no cover - compiled
    """Power of the first lines (frames, lines) as out (lines, frames)."""
    for t in range(lines.shape[0]):
        for k in range(out.shape[0]):
            out[k, t] = lines[t, k].real ** 2 + lines[t, k].imag ** 2


@lru_cache(maxsize=16)  # the bands of one search, which the next recording asks for again
def _hann(count: int) -> SingleArray:
    hann = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(count) + 0.5) / count)
    window: SingleArray = hann.astype(np.float32)
    window.flags.writeable = False
    return window


def _log_spectra(
    signals: tuple[FloatArray, ...],
    rate_hz: float,
    frame_s: float,
    highest_hz: float,
    *,
    coarser: int,
) -> tuple[tuple[SingleArray, ...], float, FloatArray]:
    """Log power spectra per channel, (bins, frames) each; bins per hertz; frame centres, s.

    Bins beyond `highest_hz` are left out. Single precision: lines 70 dB down count no more.
    """
    factor = max(1, int(rate_hz / (_RATE_OVER_TOP * highest_hz)))
    offset_s = (factor - 1) / 2.0 / rate_hz
    small = tuple(block_decimate(s, factor).astype(np.float32) for s in signals)
    rate_hz /= factor
    length = len(small[0])
    frame = min(length, max(16, round(frame_s * rate_hz)))
    hop = max(1, frame * coarser // _OVERLAP)
    starts = np.arange(0, max(1, length - frame + 1), hop)
    size = scipy.fft.next_fast_len(_PAD * frame // coarser, real=True)
    window = _hann(frame)
    last = min(int(highest_hz * size / rate_hz) + 3, size // 2 + 1)
    spectra = []
    frames = np.empty((len(starts), size), dtype=np.float32)
    for signal in small:
        _frames(signal, hop, window, frames)
        power = np.empty((last, len(starts)), dtype=np.float32)
        _turned_power(scipy.fft.rfft(frames, axis=1), power)
        power += power.max() * np.float32(10.0 ** (-_FLOOR_DB / 10.0)) + np.float32(1e-37)
        spectra.append(np.log(power, out=power))
    centres: FloatArray = np.asarray((starts + frame / 2.0) / rate_hz + offset_s, dtype=np.float64)
    return tuple(spectra), size / rate_hz, centres


def candidate_ridges(
    signals: tuple[FloatArray, ...],
    rate_hz: float,
    low_hz: float,
    high_hz: float,
    *,
    fine: bool = True,
) -> tuple[Ridge, ...]:
    """Candidate firing-frequency ridges, at most one per octave of [low_hz, high_hz].

    `signals` are channels of equal length (n,) on one clock at `rate_hz`. The best candidate
    comes first. `fine` False looks half as finely in time and in frequency. Octave errors are left
    to `octave.py`, which sees all of them.
    """
    ridges = []
    bottom = low_hz
    coarser = 1 if fine else 2
    step = _GRID_RATIO**coarser
    high_hz = min(high_hz, rate_hz / 3.2)
    while bottom < high_hz:
        top = min(bottom * 2.0, high_hz)
        margin = 1.0 + _WANDER
        count = max(2, int(np.log(top / bottom * margin**2) / np.log(step)) + 1)
        grid: FloatArray = np.asarray(bottom / margin * step ** np.arange(count), dtype=np.float64)
        spectra, bins_per_hz, centres = _log_spectra(
            signals,
            rate_hz,
            _PERIODS_PER_FRAME / bottom,
            (_MOST_HARMONICS + 0.5) * float(grid[-1]),
            coarser=coarser,
        )
        by_grid = np.zeros((count, len(centres)))
        for spectrum in spectra:
            _contrast(spectrum, bins_per_hz, grid, _MOST_HARMONICS, by_grid)
        score = by_grid.T
        middle = int(np.argmax(by_grid.mean(axis=1)))
        reach_states = int(np.log1p(_WANDER) / np.log(step))
        first = max(0, middle - reach_states)
        last = min(count, middle + reach_states + 1)
        path = first + _best_path(np.ascontiguousarray(score[:, first:last]), _REACH)
        contrast = float(score[np.arange(len(centres)), path].mean())
        ridges.append(Ridge(centres, grid[path], contrast))
        bottom = top
    return tuple(sorted(ridges, key=lambda ridge: -ridge.contrast))

"""Where in the spectrum is the firing comb? Coarse candidates for the firing frequency.

A train of pulses at frequency F has lines at F, 2F, 3F ... and valleys half-way between. The mean
height of lines over valleys, in logarithms, is large at F, about half at F / 2 (every second line
is a valley) and near zero at 2 F (every valley is a line). See docs/theory/cycle_from_pulses.md.
"""

from dataclasses import dataclass

import numba
import numpy as np
import scipy.fft
from numpy.typing import NDArray

__all__ = ["Ridge", "candidate_ridges"]

FloatArray = NDArray[np.float64]

_GRID_RATIO = 1.004  # step of the logarithmic frequency grid
_PERIODS_PER_FRAME = 8.0  # pulses in one frame at the bottom of an octave band
_MOST_HARMONICS = 8
_FLOOR_DB = 70.0  # lines further below the strongest count no more
_CAP_NEPER = 3.0  # one strong line may not outvote a whole comb
_WANDER = 0.08  # widest excursion of the speed around its middle that the ridge follows
_STEP_COST = 0.25  # score lost for each grid step between frames: speed has inertia
_REACH = 3  # most grid steps between frames


@dataclass(frozen=True)
class Ridge:
    """Firing frequency against time: `time_s` (m,), `frequency_hz` (m,), and its mean contrast."""

    time_s: FloatArray
    frequency_hz: FloatArray
    contrast: float


@numba.njit(cache=True)
def _contrast(
    log_power: FloatArray, bins_per_hz: float, grid_hz: FloatArray, harmonics: int, out: FloatArray
) -> None:
    """out[frame, grid]: mean over harmonics of log line minus log valleys, capped."""
    frames, bins = log_power.shape
    for t in range(frames):
        for g in range(grid_hz.shape[0]):
            total = 0.0
            count = 0
            for h in range(1, harmonics + 1):
                above = (h + 0.5) * grid_hz[g] * bins_per_hz
                if above > bins - 2:
                    break
                line = _at(log_power[t], h * grid_hz[g] * bins_per_hz)
                valley = 0.5 * (
                    _at(log_power[t], (h - 0.5) * grid_hz[g] * bins_per_hz)
                    + _at(log_power[t], above)
                )
                total += min(max(line - valley, -_CAP_NEPER), _CAP_NEPER)
                count += 1
            # the square root keeps a comb of few lines from winning on luck
            out[t, g] = total / np.sqrt(count) if count > 0 else 0.0


@numba.njit(cache=True)
def _at(values: FloatArray, position: float) -> float:
    low = int(position)
    return float(values[low] + (position - low) * (values[low + 1] - values[low]))


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


def _log_spectra(
    signals: tuple[FloatArray, ...], rate_hz: float, frame_s: float, highest_hz: float
) -> tuple[tuple[FloatArray, ...], float, FloatArray]:
    """Log power spectra per channel, (frames, bins) each; bins per hertz; frame centres, s.

    Bins beyond `highest_hz` are left out.
    """
    length = len(signals[0])
    frame = min(length, max(16, round(frame_s * rate_hz)))
    hop = max(1, frame // 4)
    starts = np.arange(0, max(1, length - frame + 1), hop)
    size = scipy.fft.next_fast_len(4 * frame, real=True)
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(frame) + 0.5) / frame)
    spectra = []
    for signal in signals:
        frames = np.lib.stride_tricks.sliding_window_view(signal, frame)[starts]
        frames = frames - frames.mean(axis=1, keepdims=True)
        line = scipy.fft.rfft(frames * window, size, axis=1)
        power = line.real**2 + line.imag**2
        floor = power.max() * 10.0 ** (-_FLOOR_DB / 10.0) + 1e-300
        last = int(highest_hz * size / rate_hz) + 3
        spectra.append(np.log(power[:, :last] + floor))
    centres: FloatArray = np.asarray((starts + frame / 2.0) / rate_hz, dtype=np.float64)
    return tuple(spectra), size / rate_hz, centres


def candidate_ridges(
    signals: tuple[FloatArray, ...], rate_hz: float, low_hz: float, high_hz: float
) -> tuple[Ridge, ...]:
    """Candidate firing-frequency ridges, at most one per octave of [low_hz, high_hz].

    `signals` are channels of equal length (n,) on one clock at `rate_hz`. The best candidate
    comes first. Octave errors are left to `octave.py`, which sees all of them.
    """
    ridges = []
    bottom = low_hz
    high_hz = min(high_hz, rate_hz / 3.2)
    while bottom < high_hz:
        top = min(bottom * 2.0, high_hz)
        margin = 1.0 + _WANDER
        count = max(2, int(np.log(top / bottom * margin**2) / np.log(_GRID_RATIO)) + 1)
        grid: FloatArray = np.asarray(
            bottom / margin * _GRID_RATIO ** np.arange(count), dtype=np.float64
        )
        spectra, bins_per_hz, centres = _log_spectra(
            signals, rate_hz, _PERIODS_PER_FRAME / bottom, (_MOST_HARMONICS + 0.5) * float(grid[-1])
        )
        score = np.zeros((len(centres), count))
        one = np.empty_like(score)
        for spectrum in spectra:
            _contrast(spectrum, bins_per_hz, grid, _MOST_HARMONICS, one)
            score += one
        middle = int(np.argmax(score.mean(axis=0)))
        reach_states = int(np.log1p(_WANDER) / np.log(_GRID_RATIO))
        first = max(0, middle - reach_states)
        last = min(count, middle + reach_states + 1)
        path = first + _best_path(np.ascontiguousarray(score[:, first:last]), _REACH)
        contrast = float(score[np.arange(len(centres)), path].mean())
        ridges.append(Ridge(centres, grid[path], contrast))
        bottom = top
    return tuple(sorted(ridges, key=lambda ridge: -ridge.contrast))

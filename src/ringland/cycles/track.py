"""Follow the phase of a firing comb through the recording.

The signal is demodulated at every harmonic of a first guess; the local shift of each pulse against
the common pulse is read from the phases of all harmonics at once and smoothed; the guess is
corrected and the pass repeated. See docs/theory/cycle_from_pulses.md.
"""

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from ringland.cycles._phase import align, settle
from ringland.cycles.comb import Ridge
from ringland.signals import block_decimate, interpolate_rising

__all__ = ["PhaseTrack", "track_phase"]

FloatArray = NDArray[np.float64]

_SAMPLES_PER_PERIOD = 28.0
_SAME_PHASE = 0.02  # periods by which two starts may differ and still end at the same


@dataclass(frozen=True)
class PhaseTrack:
    """Phase in periods against time.

    `time_s` (m,) and `phase` (m,), both increasing, phase 0 at the first knot and one unit per
    period; `phase_se` the standard error of the smoothed phase at a knot; `shift_sd` the scatter
    of single pulses about it. `likeness`: share of the pulses' power that all of them have in
    common, near 1 when the period is one, or a whole number, of firing intervals, and near 0 when
    the track runs at a fraction of it.
    """

    time_s: FloatArray
    phase: FloatArray
    phase_se: float
    shift_sd: float
    likeness: float = 1.0

    @property
    def period_hz(self) -> float:
        """Mean number of periods per second."""
        return float(self.phase[-1]) / float(self.time_s[-1] - self.time_s[0])


def track_phase(
    signals: tuple[FloatArray, ...],
    rate_hz: float,
    guess: Ridge,
    cylinders: int,
    *,
    quick: bool = False,
) -> PhaseTrack | None:
    """Refine a frequency ridge to a phase track. None when fewer than four periods are there.

    `signals` (n,) each, same clock, `rate_hz`; `cylinders` is the number of periods after which
    the pattern of unequal cylinders repeats. Three starts are tried (the ridge as it is, its
    straight line, its mean), because a start that is off can settle a whole period away; the one
    whose pulses agree best wins. With `quick` only the ridge itself is tried, and
    passes end when they change little.
    """
    middle_hz = float(np.mean(guess.frequency_hz))
    factor = max(1, int(rate_hz / (_SAMPLES_PER_PERIOD * middle_hz)))
    small = np.stack([block_decimate(s, factor) for s in signals])
    rate = rate_hz / factor
    offset = (factor - 1) / 2.0 / rate_hz
    time = offset + np.arange(small.shape[1]) / rate
    if len(time) < 8:
        return None
    starts = [interpolate_rising(time, guess.time_s, guess.frequency_hz)]
    if len(guess.time_s) > 2 and not quick:
        slope, level = np.polyfit(guess.time_s, guess.frequency_hz, 1)
        starts.append(np.maximum(level + slope * time, 0.5 * middle_hz))
    if not quick:
        starts.append(np.full(len(time), middle_hz))
    best: tuple[float, FloatArray, float, float] | None = None
    settled: list[FloatArray] = []
    for frequency, neighbours in product(starts, (True,) if quick else (True, False)):
        phase = settle(small, rate, frequency, cylinders, neighbours, quick)
        if len(phase) == 0 or any(np.ptp(phase - other) < _SAME_PHASE for other in settled):
            continue
        settled.append(phase)
        refined = align(small, rate, phase, cylinders, quick)
        if refined[0] >= 0.0 and (best is None or refined[0] > best[0]):
            best = refined
    if best is None:
        return None
    _, phase, sd, likeness = best
    step = max(1, int(rate / (4.0 * (phase[-1] - phase[0]) / (time[-1] - time[0]))))
    knots = np.arange(0, len(time), step)
    if knots[-1] < len(time) - 1:
        knots = np.append(knots, len(time) - 1)
    knots = knots[np.concatenate([[True], np.diff(phase[knots]) > 1e-9])]
    return PhaseTrack(time[knots], phase[knots] - phase[knots[0]], sd / 2.0, sd, likeness)

"""How many slots lie between two firing strokes, from the ripple of the speed."""

import numpy as np

from ringland.model._arrays import FloatArray, IntArray

__all__ = ["firing_period_slots"]

_DOMINANCE = 4.0
_SMALLEST_RIPPLE = 0.01


def firing_period_slots(time_s: FloatArray, slot: IntArray) -> float | None:
    """Period in slots of the strongest speed ripple, None unless it stands out.

    `time_s`, `slot` (n,): teeth and their slot numbers. Speed per slot is resampled to whole
    slots, freed of its trend, and searched for the line of greatest power between periods of 2
    slots and a fifth of the train, and its harmonics are left aside when it is compared.
    """
    grid = np.arange(slot[0], slot[-1] + 1, dtype=np.float64)
    if len(grid) < 32:
        return None
    moment = np.interp(grid, slot, time_s)
    log_speed = -np.log(np.diff(moment))
    x = np.linspace(-1.0, 1.0, len(log_speed))
    basis = np.polynomial.legendre.legvander(x, 5)
    trend = np.linalg.solve(basis.T @ basis, basis.T @ log_speed)  # well posed: Legendre
    flat = log_speed - basis @ trend
    window = np.hanning(len(flat))
    padded = 1 << (int(np.ceil(np.log2(len(flat)))) + 2)
    power = np.abs(np.fft.rfft(flat * window, padded)) ** 2
    frequency = np.arange(len(power)) / padded
    able = (frequency > 5.0 / len(flat)) & (frequency < 0.5)
    if not np.any(able):
        return None
    power = np.where(able, power, 0.0)
    top = int(np.argmax(power))
    amplitude = 2.0 * np.sqrt(power[top]) / window.sum()
    width = int(np.ceil(4.0 * padded / len(flat)))
    rest = power.copy()
    for harmonic in range(1, 1 + int(0.5 / frequency[top])):
        centre = top * harmonic
        rest[max(0, centre - width) : centre + width + 1] = 0.0
    if amplitude < _SMALLEST_RIPPLE or power[top] < _DOMINANCE * rest.max(initial=0.0):
        return None
    return float(1.0 / frequency[top])

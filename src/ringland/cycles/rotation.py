"""Where in the cycle does the first firing position lie, when only pulses are known?

For even firing every rotation by one firing interval fits alike; for uneven firing, or when each
outlet hears only some cylinders, the pattern of intervals narrows it down.
See docs/theory/cycle_from_pulses.md, equation (9).
"""

import numpy as np
from numpy.typing import NDArray

from ringland.model import EngineSpec, arrival_prior

__all__ = ["pulse_rotation_deg"]

FloatArray = NDArray[np.float64]


def pulse_rotation_deg(
    averaged: tuple[FloatArray, ...],
    heard_deg: tuple[FloatArray, ...],
    engine: EngineSpec,
    speed_rpm: float,
) -> float:
    """Angle to add to an arbitrary crank angle so that position 1 fires near zero.

    `averaged` per channel (angles,): cyclic mean over an arbitrary cycle, even steps; `heard_deg`
    the firing angles of the cylinders that channel hears.
    """
    cycle = engine.cycle_deg
    points = len(averaged[0])
    step = cycle / points
    width = max(3, round(min(60.0, cycle / engine.cylinders) / step))
    window = np.ones(width) / width
    energy = np.zeros(points)
    mean_pulse = np.zeros(points)
    for signal, angles in zip(averaged, heard_deg, strict=True):
        together = np.zeros(points)
        for angle in angles:
            together += np.roll(signal, -round(angle / step))
        together /= max(1, len(angles))
        scale = float(signal @ signal) / points + 1e-300
        energy += _circular(together**2, window) / scale
        mean_pulse += together / np.sqrt(scale)
    arrival = arrival_prior(engine, speed_rpm).rise_deg
    best = float(energy.max())
    # all places where the pulses fall together as well as at the best one, and the rise there
    rise = np.gradient(_circular(mean_pulse, window))
    good = energy > 0.92 * best
    top = int(np.argmax(np.where(good, rise, -np.inf)))
    return float((arrival - top * step) % cycle)


def _circular(values: FloatArray, window: FloatArray) -> FloatArray:
    n = len(values)
    padded = np.zeros(n)
    padded[: len(window)] = window
    padded = np.roll(padded, -(len(window) // 2))
    return np.asarray(np.fft.irfft(np.fft.rfft(values) * np.fft.rfft(padded), n))

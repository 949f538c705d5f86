"""Measured and simulated cycle over each other, one per channel."""

import numpy as np
from numpy.typing import NDArray

from ringland.model import CycleOverlay
from ringland.model._arrays import FloatArray
from ringland.severity.emulator import HARMONICS, FaultCycles, turned
from ringland.severity.evidence import Explanation
from ringland.severity.measured import MeasuredChannel

__all__ = ["OVERLAY_POINTS", "overlay", "simulated_band", "simulated_cycle"]

ComplexArray = NDArray[np.complex128]

OVERLAY_POINTS = 360
"""Points of every array over one engine cycle."""


def simulated_cycle(
    channel: MeasuredChannel,
    path: ComplexArray,
    cycles: FaultCycles,
    unknown: FloatArray,
    severity: float,
) -> FloatArray:
    """(OVERLAY_POINTS,): the simulated source through the path, in the channel's unit (eq 10)."""
    lines = cycles.at(severity)
    change = cycles.change_at(lines)[:, channel.row]
    source = lines[channel.row] + (unknown - cycles.centre) @ change
    return _back(source * path)


def simulated_band(channel: MeasuredChannel, path: ComplexArray, cycles: FaultCycles) -> FloatArray:
    """(OVERLAY_POINTS,): half the 90 % band of the differences between sound cylinders."""
    harmonic = np.arange(HARMONICS + 1)
    spread = turned(cycles.spread[:, channel.row], harmonic, cycles.engine)
    each = np.array([_back(row * path) for row in spread])
    return np.asarray(1.645 * np.sqrt((each**2).sum(axis=0)))


def _back(lines: ComplexArray) -> FloatArray:
    full = np.zeros(OVERLAY_POINTS // 2 + 1, dtype=np.complex128)
    full[1 : HARMONICS + 1] = lines[1:] * (OVERLAY_POINTS / 2.0)
    return np.asarray(np.fft.irfft(full, OVERLAY_POINTS))


def overlay(
    channel: MeasuredChannel, index: int, cycles: FaultCycles, best: Explanation, severity: float
) -> CycleOverlay:
    """The arrays of one channel; `index` is its place in `best.paths`."""
    signal, path = channel.signal, best.paths[index]
    cycle_deg = cycles.engine.cycle_deg
    angle = np.arange(OVERLAY_POINTS) * cycle_deg / OVERLAY_POINTS
    whole = signal.values[np.isfinite(signal.values).all(axis=1)]
    mean = whole.mean(axis=0)
    highest = int(channel.harmonic[-1])
    lines = np.fft.rfft(mean)
    lines[0] = 0.0
    lines[highest + 1 :] = 0.0
    smooth = np.fft.irfft(lines, len(mean))

    def at(values: FloatArray) -> FloatArray:
        return np.interp(angle, signal.angle_deg, values, period=cycle_deg)

    simulated = simulated_cycle(channel, path, cycles, best.unknown, severity)
    half = simulated_band(channel, path, cycles)
    return CycleOverlay(
        channel=signal.channel,
        role=signal.role,
        unit=signal.unit,
        harmonics=highest,
        angle_deg=angle,
        measured=at(smooth),
        measured_low=at(smooth + np.minimum(signal.low - mean, 0.0)),
        measured_high=at(smooth + np.maximum(signal.high - mean, 0.0)),
        simulated=simulated,
        simulated_low=simulated - half,
        simulated_high=simulated + half,
        sound=simulated_cycle(channel, path, cycles, best.unknown, 0.0),
    )

"""Order spectrum: what the cylinders share, what is pure imbalance, and is there any?

See docs/theory/orders.md. For an even-firing engine the orders that are multiples of the firing
order are shared and all others are imbalance; for uneven firing the split follows the firing
angles (discrete Fourier series of the pulse train).
"""

from functools import lru_cache

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.special import betainc

from ringland.model import AngleSignal, Estimate, OrderLine, OrderSpectrum
from ringland.model._arrays import read_only

__all__ = ["firing_weights", "imbalance_part", "order_spectrum", "shared_part"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

_SHARED = 0.05  # |pattern|^2 from which an order counts as shared
_RIDGE = 0.02  # softness of the split where the pattern is neither 0 nor 1
_MOST_LINES_PER_CYLINDER = 4


def firing_weights(heard_deg: FloatArray, cycle_deg: float, harmonics: int) -> FloatArray:
    """|mean of exp(-i k angle)|^2 over the cylinders heard, for cycle harmonics 0 .. harmonics."""
    return _firing_weights(tuple(heard_deg.tolist()), cycle_deg, harmonics)


@lru_cache(maxsize=32)  # a recording asks for the same few again and again
def _firing_weights(heard_deg: tuple[float, ...], cycle_deg: float, harmonics: int) -> FloatArray:
    k = np.arange(harmonics + 1)[:, None]
    turn = np.exp(-2j * np.pi * k * np.array(heard_deg)[None, :] / cycle_deg)
    return read_only(np.abs(turn.mean(axis=1)) ** 2)


@lru_cache(maxsize=32)
def _shared_gain(heard_deg: tuple[float, ...], cycle_deg: float, harmonics: int) -> FloatArray:
    weight = _firing_weights(heard_deg, cycle_deg, harmonics)
    return read_only((weight / (weight + _RIDGE)) * (1.0 + _RIDGE))


def shared_part(cycle: FloatArray, heard_deg: FloatArray, cycle_deg: float) -> FloatArray:
    """The part of an averaged cycle (angles,) that equal cylinders would make."""
    line = scipy.fft.rfft(cycle)
    line *= _shared_gain(tuple(heard_deg.tolist()), cycle_deg, len(line) - 1)
    return np.asarray(scipy.fft.irfft(line, len(cycle)))


def imbalance_part(cycle: FloatArray, heard_deg: FloatArray, cycle_deg: float) -> FloatArray:
    """An averaged cycle less its shared part."""
    return np.asarray(cycle - shared_part(cycle, heard_deg, cycle_deg))


def order_spectrum(signal: AngleSignal, heard_deg: FloatArray, cycle_deg: float) -> OrderSpectrum:
    """Order lines of one channel and the probability of its imbalance arising from scatter.

    The statistic is the power of the averaged imbalance lines over the scatter of the same lines
    from cycle to cycle; under scatter alone it follows an F distribution (block scatter is used,
    so that slow change from cycle to cycle does not count as evidence).
    """
    cycles = signal.values.shape[0]
    harmonics = min(signal.values.shape[1] // 2 - 1, _MOST_LINES_PER_CYLINDER * len(heard_deg))
    line = scipy.fft.rfft(signal.values, axis=1)[:, 1 : harmonics + 1] * (
        2.0 / signal.values.shape[1]
    )
    mean = line.mean(axis=0)
    variance = _variance_of_mean(line)
    shared = firing_weights(heard_deg, cycle_deg, harmonics)[1:] > _SHARED
    per_revolution = 360.0 / cycle_deg
    lines = tuple(
        OrderLine(*one)
        for one in zip(
            (np.arange(1, harmonics + 1) * per_revolution).tolist(),
            np.abs(mean).tolist(),
            np.angle(mean).tolist(),
            np.sqrt(variance).tolist(),
            shared.tolist(),
            strict=True,
        )
    )
    return OrderSpectrum(
        signal.channel,
        signal.unit,
        lines,
        _ratio(mean, variance, shared),
        _imbalance_p(mean, variance, shared, cycles),
    )


def _variance_of_mean(line: ComplexArray) -> FloatArray:
    """Variance of the mean of each complex line (real plus imaginary), cycles possibly correlated.

    The larger of the plain estimate and one from the means of blocks of two cycles.
    """
    cycles = line.shape[0]
    if cycles < 2:
        return np.full(line.shape[1], np.inf)
    plain = line.var(axis=0, ddof=1) / cycles
    if cycles < 8:
        return np.asarray(plain)
    blocks = line[: cycles // 2 * 2].reshape(cycles // 2, 2, -1).mean(axis=1)
    return np.asarray(np.maximum(plain, blocks.var(axis=0, ddof=1) / len(blocks)))


def _ratio(mean: ComplexArray, variance: FloatArray, shared: NDArray[np.bool_]) -> Estimate:
    imbalance = float((np.abs(mean[~shared]) ** 2).sum())
    noise = float(variance[~shared].sum())
    common = float((np.abs(mean[shared]) ** 2).sum())
    if common <= 0.0 or not np.isfinite(noise):
        return Estimate(None, None, None, "1", reason="fewer than two cycles, or no shared orders")
    value = np.sqrt(max(imbalance - noise, 0.0) / common)
    se = np.sqrt(noise / common) / 2.0
    return Estimate(
        float(value), float(max(0.0, value - 1.645 * se)), float(value + 1.645 * se), "1"
    )


def _imbalance_p(
    mean: ComplexArray, variance: FloatArray, shared: NDArray[np.bool_], cycles: int
) -> float:
    count = int((~shared).sum())
    if count == 0 or cycles < 3 or not np.isfinite(variance).all():
        return 1.0
    ratio = np.abs(mean[~shared]) ** 2 / np.maximum(variance[~shared], 1e-300)
    f = float(ratio.mean())
    d1, d2 = 2.0 * count, 2.0 * (cycles - 1)
    # survival function of F(d1, d2) by the incomplete beta function
    return float(betainc(d2 / 2.0, d1 / 2.0, d2 / (d2 + d1 * f)))

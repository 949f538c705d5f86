"""Amplitudes at the multiples of the pulse rate, with the noise level around them."""

import numba
import numpy as np

from ringland.quality._types import ChannelFacts, FloatArray

__all__ = ["harmonics"]

_MOST = 20
_MEDIAN_OF_POWER = 0.693  # of noise whose mean power is 1


def harmonics(facts: ChannelFacts, rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """(amplitude, noise) at multiples 1, 2, ... of `rate_hz`, at most 20, below 0.45 of the slow
    rate. A line may wander by 2 % of its frequency, so the root of the summed squares there is
    taken and the noise in as many bins given beside it."""
    bin_hz = facts.slow_rate_hz / facts.scan.slow.size
    count = min(_MOST, int(0.45 * facts.slow_rate_hz / rate_hz))
    size, noise = np.zeros(count), np.zeros(count)
    there = _lines(facts.line_amplitude, rate_hz / bin_hz, size, noise)
    return size[:there], noise[:there]


@numba.njit(cache=True)
def _lines(
    amplitude: FloatArray, apart: float, size: FloatArray, noise: FloatArray
) -> int:  # pragma: no cover - compiled
    """Fill `size` and `noise` for lines `apart` bins from one another; how many fit."""
    for i in range(size.shape[0]):
        centre = (i + 1) * apart
        half = min(max(2.0, 0.02 * centre), 0.25 * apart)
        low, high = int(np.rint(centre - half)), int(np.rint(centre + half)) + 1
        left, right = int(np.rint(centre - 0.5 * apart)), int(np.rint(centre + 0.5 * apart)) + 1
        if low < 1 or right > amplitude.shape[0] or left >= right:
            return i
        power = 0.0
        for k in range(low, high):
            power += amplitude[k] ** 2
        floor = np.median(amplitude[left:right]) ** 2 / _MEDIAN_OF_POWER
        size[i] = np.sqrt(power)
        noise[i] = np.sqrt(floor * (high - low))
    return int(size.shape[0])

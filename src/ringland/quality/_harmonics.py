"""Amplitudes at the multiples of the pulse rate, with the noise level around them."""

import numpy as np

from ringland.quality._types import ChannelFacts, FloatArray

__all__ = ["harmonics"]

_MOST = 20


def harmonics(facts: ChannelFacts, rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """(amplitude, noise) at multiples 1, 2, ... of `rate_hz`, at most 20, below 0.45 of the slow
    rate. A line may wander by 2 % of its frequency, so the root of the summed squares there is
    taken and the noise in as many bins given beside it."""
    amplitude = facts.line_amplitude
    bin_hz = facts.slow_rate_hz / facts.scan.slow.size
    count = min(_MOST, int(0.45 * facts.slow_rate_hz / rate_hz))
    size, noise = np.zeros(count), np.zeros(count)
    for i in range(count):
        centre = (i + 1) * rate_hz / bin_hz
        half = min(max(2.0, 0.02 * centre), 0.25 * rate_hz / bin_hz)
        low, high = round(centre - half), round(centre + half) + 1
        left = round(centre - 0.5 * rate_hz / bin_hz)
        right = round(centre + 0.5 * rate_hz / bin_hz) + 1
        if low < 1 or right > amplitude.size or left >= right:
            return size[:i], noise[:i]
        power = np.square(amplitude[low:high])
        size[i] = np.sqrt(power.sum())
        noise[i] = np.sqrt(float(np.median(np.square(amplitude[left:right]))) * power.size / 0.693)
    return size, noise

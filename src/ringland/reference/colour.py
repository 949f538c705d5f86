"""Random linear paths in front of the sensors, so that no one way a pipe sounds is learnt.

Real exhausts have bends, cross pipes and boxes that the simulator's do not. Echoes and a shelf
stand for what is left out; ranges are our own, set wide. See docs/theory/reference.md, section 1.
"""

from dataclasses import replace

import numpy as np
from scipy.signal import lfilter

from ringland.model import ChannelRole, Recording
from ringland.model._arrays import FloatArray

__all__ = ["coloured"]

_EXHAUSTS = (ChannelRole.EXHAUST, ChannelRole.EXHAUST_2)
_SHARE = {ChannelRole.EXHAUST: 0.6, ChannelRole.EXHAUST_2: 0.6, ChannelRole.CRANKCASE: 0.3}
_MOST_ECHOES = 3
_ECHO_GAIN = {True: 0.5, False: 0.2}  # exhaust, crankcase: before division by root of their number
_ECHO_S = {True: (0.002, 0.04), False: (0.0005, 0.01)}
_CORNER_HZ = (4.0, 300.0)
_MOST_SHELF = 3.0  # a corner pair is at most this factor apart, up or down


def coloured(rng: np.random.Generator, recording: Recording) -> Recording:
    """The recording with its exhaust and crankcase channels behind random linear paths."""
    return replace(
        recording,
        channels=tuple(
            replace(c, samples=_behind_path(rng, c.samples, c.rate_hz, c.role in _EXHAUSTS))
            if rng.random() < _SHARE.get(c.role, 0.0)
            else c
            for c in recording.channels
        ),
    )


def _behind_path(
    rng: np.random.Generator, samples: FloatArray, rate_hz: float, exhaust: bool
) -> FloatArray:
    """Echoes, then a shelf."""
    count = int(rng.integers(1, _MOST_ECHOES + 1))
    heard = np.array(samples)
    for _ in range(count):
        low, high = np.log(_ECHO_S[exhaust])
        late = round(float(np.exp(rng.uniform(low, high))) * rate_hz)
        gain = float(rng.uniform(-1.0, 1.0)) * _ECHO_GAIN[exhaust] / np.sqrt(count)
        if 0 < late < len(samples):
            heard[late:] += gain * samples[:-late]
    return _shelf(rng, heard, rate_hz)


def _shelf(rng: np.random.Generator, samples: FloatArray, rate_hz: float) -> FloatArray:
    """(s + a) / (s + b) by the bilinear transform, gain 1 at high frequencies."""
    corner = float(np.exp(rng.uniform(*np.log(_CORNER_HZ))))
    other = corner * float(np.exp(rng.uniform(-1.0, 1.0) * np.log(_MOST_SHELF)))
    a, b = (np.tan(np.pi * min(f / rate_hz, 0.45)) for f in (corner, other))
    level = float(samples.mean())
    found: FloatArray = lfilter([1.0 + a, a - 1.0], [1.0 + b, b - 1.0], samples - level)
    return found + level

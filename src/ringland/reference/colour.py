"""Random linear paths in front of the sensors, so that no one way a pipe sounds is learnt.

Real exhausts have bends, cross pipes and boxes that the simulator's do not. Echoes and a shelf
stand for what is left out. A crankcase with its filler open lets gas go within milliseconds, so its
pressure follows the flow past the rings and not its sum: a high-pass filter, by equation (1) of
docs/theory/crankcase.md. Ranges are our own, set wide. See docs/theory/reference.md, section 1.
"""

from dataclasses import replace

import numpy as np
from scipy.signal import lfilter

from ringland.model import Channel, ChannelRole, Recording
from ringland.model._arrays import FloatArray

__all__ = ["coloured"]

_EXHAUSTS = (ChannelRole.EXHAUST, ChannelRole.EXHAUST_2)
_SHARE = {ChannelRole.EXHAUST: 0.6, ChannelRole.EXHAUST_2: 0.6, ChannelRole.CRANKCASE: 0.3}
_MOST_ECHOES = 3
_ECHO_GAIN = {True: 0.5, False: 0.2}  # exhaust, crankcase: before division by root of their number
_ECHO_S = {True: (0.002, 0.04), False: (0.0005, 0.01)}
_CORNER_HZ = (4.0, 300.0)
_MOST_SHELF = 3.0  # a corner pair is at most this factor apart, up or down
_VENTED_SHARE = 0.35
_VENT_CORNER_HZ = (5.0, 120.0)  # time constant 30 to 1.3 ms


def coloured(rng: np.random.Generator, recording: Recording) -> Recording:
    """The recording with its exhaust and crankcase channels behind random linear paths."""
    return replace(recording, channels=tuple(_channel(rng, c) for c in recording.channels))


def _channel(rng: np.random.Generator, channel: Channel) -> Channel:
    samples = channel.samples
    if channel.role is ChannelRole.CRANKCASE and rng.random() < _VENTED_SHARE:
        corner = float(np.exp(rng.uniform(*np.log(_VENT_CORNER_HZ))))
        samples = _first_order(samples, channel.rate_hz, 0.0, corner)
    if rng.random() < _SHARE.get(channel.role, 0.0):
        samples = _behind_path(rng, samples, channel.rate_hz, channel.role in _EXHAUSTS)
    return replace(channel, samples=samples)


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
    """Low frequencies raised or lowered against high ones."""
    corner = float(np.exp(rng.uniform(*np.log(_CORNER_HZ))))
    other = corner * float(np.exp(rng.uniform(-1.0, 1.0) * np.log(_MOST_SHELF)))
    return _first_order(samples, rate_hz, corner, other)


def _first_order(samples: FloatArray, rate_hz: float, zero_hz: float, pole_hz: float) -> FloatArray:
    """(s + zero) / (s + pole) by the bilinear transform; the mean level is kept."""
    a, b = (np.tan(np.pi * min(f / rate_hz, 0.45)) for f in (zero_hz, pole_hz))
    level = float(samples.mean())
    found: FloatArray = lfilter([1.0 + a, a - 1.0], [1.0 + b, b - 1.0], samples - level)
    return found + level

"""An instrument on the bench for a self-check: a real one, or the simulated one with a person who
does what is asked. Invented data."""

from collections.abc import Callable
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from ringland.instruments.calibration import CalibrationKind
from ringland.instruments.labelled import LABEL, Labelled
from ringland.instruments.played import Played
from ringland.instruments.protocol import InputInfo, Instrument, InstrumentInfo, Wanted
from ringland.instruments.registry import open_instrument, option_number
from ringland.live.kinds import SIMULATOR, all_kinds, simulator_options
from ringland.live.simulated import NOTICE, TITLE
from ringland.model import Channel, ChannelRole, Recording

__all__ = ["open_on_bench"]

FloatArray = NDArray[np.float64]

_INPUTS = (ChannelRole.EXHAUST, ChannelRole.CRANKCASE, ChannelRole.IGNITION, ChannelRole.INTAKE)
_NOISE_V = 0.002
_HUM_V = 0.001
_PERSON_ACTS_AT = 0.4
"""Share of the time after which the puff or the step comes."""
_RISE_S = 0.002
_LEAK_S = 1.5
_SPAN_V = (-10.0, 10.0)


def open_on_bench(address: str, what: CalibrationKind, seconds: float) -> Instrument:
    """The instrument at an address, for a check of so many seconds. Raises SettingError.

    The simulated one has no fault of its own: noise of 2 mV with a little mains, no skew, polarity
    as it should be, a step that rises in 4 ms and leaks away.
    """
    options = simulator_options(address)
    if options is None:
        return open_instrument(address, all_kinds())
    label = options.get(LABEL)
    seed, pace = option_number(options, "seed"), option_number(options, "pace")
    info = InstrumentInfo(
        SIMULATOR,
        TITLE,
        tuple(InputInfo(role.value) for role in _INPUTS),
        (1000.0, 200_000.0),
        (NOTICE,),
    )
    made = Played(
        info,
        lambda wanted: _played(what, wanted, seconds, 0 if seed is None else int(seed)),
        pace=1.0 if pace is None else pace,
        endless=True,
    )
    return made if label is None else Labelled(made, label)


def _played(what: CalibrationKind, wanted: Wanted, seconds: float, seed: int) -> Recording:
    rate = wanted.rate_hz
    rng = np.random.default_rng([seed, 941])
    time_s = np.arange(max(round(seconds * rate), 1)) / rate
    common = _ON_THE_INPUTS[what](time_s, rate, rng)
    hum = _HUM_V * np.sin(2.0 * np.pi * 50.0 * time_s)
    return Recording(
        tuple(
            Channel(
                role.value,
                role,
                common + hum + _NOISE_V * rng.standard_normal(len(time_s)),
                rate,
                "V",
                full_scale=_SPAN_V,
            )
            for role in _INPUTS
        ),
        notes=(NOTICE,),
    )


def _nothing(time_s: FloatArray, rate_hz: float, rng: np.random.Generator) -> FloatArray:
    return np.zeros(len(time_s))


def _lively(time_s: FloatArray, rate_hz: float, rng: np.random.Generator) -> FloatArray:
    """A hundred lines up to a fifth of the rate."""
    lines = rng.uniform(5.0, min(2000.0, 0.2 * rate_hz), 100)
    phases = rng.uniform(0.0, 2.0 * np.pi, 100)
    out = np.zeros(len(time_s))
    for line, phase in zip(lines, phases, strict=True):
        out += np.sin(2.0 * np.pi * line * time_s + phase)
    return 0.1 * out


def _puff(time_s: FloatArray, rate_hz: float, rng: np.random.Generator) -> FloatArray:
    since = time_s - _PERSON_ACTS_AT * time_s[-1]
    hump: FloatArray = np.where(
        (since > 0.0) & (since < 0.4), 0.25 * (1.0 - np.cos(2.0 * np.pi * since / 0.4)), 0.0
    )
    return hump


def _step(time_s: FloatArray, rate_hz: float, rng: np.random.Generator) -> FloatArray:
    since = np.maximum(time_s - _PERSON_ACTS_AT * time_s[-1], 0.0)
    step: FloatArray = (1.0 - np.exp(-since / _RISE_S)) * np.exp(-since / _LEAK_S)
    return step


_ON_THE_INPUTS: MappingProxyType[
    CalibrationKind, Callable[[FloatArray, float, np.random.Generator], FloatArray]
] = MappingProxyType(
    {
        CalibrationKind.NOISE: _nothing,
        CalibrationKind.SKEW: _lively,
        CalibrationKind.POLARITY: _puff,
        CalibrationKind.STEP: _step,
    }
)

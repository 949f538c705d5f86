"""What the crank's speed says of each firing position, where there is a tooth wheel.

Every burn drives the crank on and every compression holds it back: equations (10) to (12) of
docs/theory/reference.md.
"""

from functools import lru_cache
from importlib.resources import files

import numpy as np

from ringland.model import AngleSignal, ChannelRole, CylinderSet, EngineSpec, Fuel
from ringland.model._arrays import FloatArray
from ringland.reference.network import PulseNetwork, read_network
from ringland.reference.turned import NUMBERS, others_from_each, own_and_shared, wave_columns

__all__ = ["CRANK_NETWORK", "CRANK_PARTS", "FUEL_COLUMNS", "crank_features", "load_crank_network"]

CRANK_NETWORK = files("ringland").joinpath("data", "crank_network.npz")
"""The network of the crank's speed that comes with the package."""

CRANK_PARTS = (60, 60, 30, 30, 30, 30)
"""Bins of: own part of the usual cycle, shared part, what the mean has over the usual cycle, own
part of the scatter, shared scatter, own part of the skewness."""

_FINE = 120
_OTHERS = 36
_USUAL_SWING = 0.02
"""Size of the ripple, as a share of the speed, that counts as 0 in the logarithm."""

_COLUMNS = sum(CRANK_PARTS) + _OTHERS + len(NUMBERS) + 5
FUEL_COLUMNS = (_COLUMNS - 3, _COLUMNS - 2)
"""Where the fuel stands in a row."""


def crank_features(
    cylinders: CylinderSet,
    engine: EngineSpec,
    *,
    speed_rpm: float,
    sound: CylinderSet | None = None,
) -> FloatArray | None:
    """(positions, columns) the crank's speed over the cycle as seen from each position.

    `sound`: a recording of the same engine run the same way while it was sound, whose own parts are
    taken off. None for two-strokes and single cylinders, without a tooth wheel, or where `sound`
    has none.
    """
    if engine.strokes != 4 or engine.cylinders < 2:
        return None
    signal = _speed_over_cycle(cylinders)
    if signal is None:
        return None
    seen = own_and_shared(signal, engine.firing_angles_deg, engine.cycle_deg, _FINE)
    if seen is None:
        return None
    own, shared, size = seen
    own_before = None
    if sound is not None:
        then = _speed_over_cycle(sound)
        if then is None:
            return None
        before = own_and_shared(then, engine.firing_angles_deg, engine.cycle_deg, _FINE)
        if before is None:
            return None
        own_before = before[0]
    nearest = min(NUMBERS, key=lambda n: abs(n - engine.cylinders))
    told = np.array(
        [
            *(float(n == nearest) for n in NUMBERS),
            np.log(speed_rpm / 1000.0),
            np.log(len(signal.values) / 30.0),
            float(engine.fuel is Fuel.DIESEL),
            float(engine.fuel is Fuel.PETROL),
            np.log(size / speed_rpm / _USUAL_SWING),
        ]
    )
    return np.concatenate(
        [
            wave_columns(own, shared, own_before, CRANK_PARTS[0]),
            others_from_each(engine, _OTHERS),
            np.broadcast_to(told, (engine.cylinders, len(told))),
        ],
        axis=1,
    )


def _speed_over_cycle(cylinders: CylinderSet) -> AngleSignal | None:
    return next((s for s in cylinders.signals if s.role is ChannelRole.CRANK_TOOTH), None)


@lru_cache(maxsize=1)
def load_crank_network() -> PulseNetwork:
    """The network of the crank's speed that comes with the package."""
    return read_network(CRANK_NETWORK)

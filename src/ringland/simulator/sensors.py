"""What a pressure sensor makes of a pressure: sensitivity, corners, resonance, a wet hose.

Equations: docs/theory/sensors.md.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringland.errors import SettingError

__all__ = ["PulseSensor", "sensor_output", "sensor_response"]

Array = NDArray[np.float64]

_SLOPE_REFERENCE_HZ = 30.0  # a sensor with a spectral slope has its stated sensitivity here
_SLOPE_BAND_HZ = (0.3, 3000.0)  # where the slope holds
_SLOPE_STAGES = 8


@dataclass(frozen=True)
class PulseSensor:
    """A pressure sensor and the short hose to it.

    `sensitivity` in `unit` per pascal. `low_corner_hz` of its AC coupling (0: measures steady
    pressure too). `resonance_hz` and `damping_ratio` of diaphragm or hose (None: beyond hearing).
    `hose_corner_hz`: a wet or blocked hose passes only below it. `spectral_slope` s from 0 to 1:
    the output falls with frequency as f^-s against pressure, 1 at 30 Hz; 0 is a pressure sensor, 1
    one that answers to the flow in an open pipe. `polarity` +1 or -1.
    """

    name: str = "pulse sensor"
    sensitivity: float = 1.0e-3
    unit: str = "V"
    low_corner_hz: float = 0.5
    resonance_hz: float | None = None
    damping_ratio: float = 0.3
    hose_corner_hz: float | None = None
    spectral_slope: float = 0.0
    polarity: int = 1

    def __post_init__(self) -> None:
        if not 0.0 <= self.spectral_slope <= 1.0:
            raise SettingError(
                "a sensor's spectral slope is out of range",
                got=f"{self.spectral_slope}",
                allowed="0 (pressure) to 1 (flow)",
            )
        if self.low_corner_hz < 0.0 or self.damping_ratio <= 0.0 or self.polarity not in (-1, 1):
            raise SettingError(
                f"sensor '{self.name}' cannot exist",
                got=f"low corner {self.low_corner_hz} Hz, damping ratio {self.damping_ratio}, "
                f"polarity {self.polarity}",
                allowed="corner >= 0, damping ratio > 0, polarity +1 or -1",
            )


def _first_order(numerator: tuple[float, float], pole: float, rate_hz: float) -> Array:
    """Second-order-section row of (n1 s + n0) / (s + pole), bilinear."""
    k = 2.0 * rate_hz
    n1, n0 = numerator
    scale = k + pole
    return np.array(
        [(n1 * k + n0) / scale, (n0 - n1 * k) / scale, 0.0, 1.0, (pole - k) / scale, 0.0]
    )


def _resonance(frequency_hz: float, damping_ratio: float, rate_hz: float) -> Array:
    """Row of w^2 / (s^2 + 2 z w s + w^2), bilinear, exact at the resonance."""
    k = math.tan(math.pi * frequency_hz / rate_hz)
    scale = 1.0 + 2.0 * damping_ratio * k + k * k
    return np.array(
        [
            k * k / scale,
            2.0 * k * k / scale,
            k * k / scale,
            1.0,
            2.0 * (k * k - 1.0) / scale,
            (1.0 - 2.0 * damping_ratio * k + k * k) / scale,
        ]
    )


def _slope_stages(slope: float, rate_hz: float) -> list[Array]:
    """f^-slope from poles and zeros spaced evenly in log frequency (Oustaloup et al. 2000)."""
    low, high = (2.0 * math.pi * f for f in _SLOPE_BAND_HZ)
    ratio = (high / low) ** (1.0 / _SLOPE_STAGES)
    rows = []
    for k in range(_SLOPE_STAGES):
        pole = low * ratio ** (k + 0.5 - slope / 2.0)
        zero = low * ratio ** (k + 0.5 + slope / 2.0)
        rows.append(_first_order((1.0, zero), pole, rate_hz))
    at = np.exp(-2j * math.pi * _SLOPE_REFERENCE_HZ / rate_hz)
    gain = abs(math.prod((r[0] + r[1] * at) / (1.0 + r[4] * at) for r in rows))
    rows[0][:3] /= gain
    return rows


def _stages(sensor: PulseSensor, rate_hz: float) -> Array:
    rows: list[Array] = []
    if sensor.spectral_slope > 0.0:
        rows += _slope_stages(sensor.spectral_slope, rate_hz)
    if sensor.low_corner_hz > 0.0:
        rows.append(_first_order((1.0, 0.0), 2.0 * math.pi * sensor.low_corner_hz, rate_hz))
    if sensor.hose_corner_hz is not None:
        corner = 2.0 * math.pi * sensor.hose_corner_hz
        rows += [_first_order((0.0, corner), corner, rate_hz)] * 2
    if sensor.resonance_hz is not None and sensor.resonance_hz < 0.45 * rate_hz:
        rows.append(_resonance(sensor.resonance_hz, sensor.damping_ratio, rate_hz))
    scale = sensor.sensitivity * sensor.polarity
    rows.append(np.array([scale, 0.0, 0.0, 1.0, 0.0, 0.0]))
    return np.vstack(rows)


def sensor_output(pressure_pa: Array, rate_hz: float, sensor: PulseSensor) -> Array:
    """Output in `sensor.unit`, (n,), for a gauge pressure (n,) at `rate_hz`.

    An AC-coupled sensor has been connected long before the first sample: it starts at rest at the
    mean pressure.
    """
    from scipy.signal import sosfilt, sosfilt_zi

    pressure = np.asarray(pressure_pa, dtype=np.float64)
    stages = _stages(sensor, rate_hz)
    if sensor.low_corner_hz > 0.0:
        return np.asarray(sosfilt(stages, pressure - pressure.mean()), dtype=np.float64)
    settled = sosfilt_zi(stages) * pressure[0]
    return np.asarray(sosfilt(stages, pressure, zi=settled)[0], dtype=np.float64)


def sensor_response(
    frequency_hz: Array, rate_hz: float, sensor: PulseSensor
) -> NDArray[np.complex128]:
    """Complex response, `unit` per pascal, at the given frequencies (n,), as sampled."""
    z1 = np.exp(-2j * math.pi * np.asarray(frequency_hz) / rate_hz)
    response = np.ones(len(z1), dtype=np.complex128)
    for b0, b1, b2, _, a1, a2 in _stages(sensor, rate_hz):
        response *= (b0 + b1 * z1 + b2 * z1**2) / (1.0 + a1 * z1 + a2 * z1**2)
    return response

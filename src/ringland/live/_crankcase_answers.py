"""What a sound crankcase hook-up can show of one cylinder, line by line.

The piston displaces gas, some is blown past the rings (late by the gas kept between them), the
vent lets go, and the dipstick tube resonates with the sensor's dead volume. The ranges are in
docs/theory/hook_up.md.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["crankcase_answers"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

_DRAWS = 3000
_GAMMA = 1.32
_TUBE_K, _AMBIENT_PA, _AIR = 330.0, 101_325.0, 287.0


@dataclass(frozen=True, eq=False)
class _Cases:
    """Drawn crankcases and tubes, all (draws, 1)."""

    blown_by: FloatArray  # of one stroke volume per cycle
    vent_s: FloatArray
    rings_s: FloatArray
    burn: FloatArray  # pressure after over before top dead centre
    inlet: FloatArray  # of ambient pressure, throttled
    tube_m: FloatArray
    bore_m: FloatArray
    dead_m3: FloatArray
    slope: FloatArray


@lru_cache(maxsize=1)
def _cases() -> _Cases:
    rng = np.random.default_rng(20_732)

    def draw(low: float, high: float) -> FloatArray:
        return rng.uniform(low, high, (_DRAWS, 1))

    return _Cases(
        10.0 ** draw(-2.7, -1.0), 10.0 ** draw(-2.5, -0.5), 10.0 ** draw(-3.5, -2.0),
        draw(1.0, 2.5), draw(0.3, 0.6), draw(0.3, 1.0), draw(0.006, 0.012),
        10.0 ** draw(-6.7, -5.5), draw(0.0, 0.3),
    )  # fmt: skip


def crankcase_answers(
    order: NDArray[np.int64], frequency_hz: FloatArray, diesel: bool
) -> ComplexArray:
    """(draws, lines): one cylinder's share of the pressure, firing top dead centre at 0.

    `order` (lines,) multiples of the cycle rate of a four-stroke, `frequency_hz` (lines,).
    """
    case = _cases()
    angle = np.arange(720.0)
    wave = np.exp(np.outer(order, angle) * (-2j * np.pi / 720.0)).astype(np.complex128) / 720.0
    turn, rod = np.radians(angle), 3.3
    travel = 0.5 * (rod + 1.0 - np.cos(turn) - np.sqrt(rod**2 - np.sin(turn) ** 2))
    inlet = np.ones_like(case.inlet) if diesel else case.inlet
    past = _past_rings(wave, travel, 17.5 if diesel else 10.0, case.burn, inlet)
    omega = 2.0 * np.pi * frequency_hz[None, :]
    past = past / (1.0 + 1j * omega * case.rings_s)
    cycle_s = float(np.mean(order / frequency_hz))
    inflow = 1j * omega * (wave @ travel)[None, :] + case.blown_by / cycle_s * past
    pressure = inflow / (1j * omega + 1.0 / case.vent_s)
    sensor = (1j * frequency_hz[None, :] / 30.0) ** -case.slope
    return np.asarray(pressure * _tube(frequency_hz, case) * sensor)


def _past_rings(
    wave: ComplexArray, travel: FloatArray, ratio: float, burn: FloatArray, inlet: FloatArray
) -> ComplexArray:
    """Lines of the flow past the rings, in proportion to the cylinder's gauge pressure."""
    off = (np.arange(720.0) + 360.0) % 720.0 - 360.0
    volume = 1.0 / (ratio - 1.0) + travel
    closed = (off > -140.0) & (off < 135.0)
    press = np.where(closed, (volume.max() / volume) ** _GAMMA, 0.0)
    unit = 720.0 / float((press - closed).sum())
    later = 1.0 / (1.0 + np.exp((12.0 - off) / 6.0))
    drawn = 1.0 / (1.0 + np.exp((365.0 - off % 720.0) / 6.0))
    drawn /= 1.0 + np.exp((off % 720.0 - 575.0) / 6.0)
    parts = [np.asarray(wave @ (x * unit))[None, :] for x in (press, press * later, closed, drawn)]
    flow = inlet * (parts[0] + (burn - 1.0) * parts[1]) - parts[2] + (inlet - 1.0) * parts[3]
    return np.asarray(flow / inlet)


def _tube(frequency_hz: FloatArray, case: _Cases) -> ComplexArray:
    """Pressure at the end of a closed tube over that at its mouth (docs/theory/gas_path.md)."""
    speed, density = np.sqrt(1.4 * _AIR * _TUBE_K), _AMBIENT_PA / (_AIR * _TUBE_K)
    viscosity = 1.458e-6 * _TUBE_K**1.5 / (_TUBE_K + 110.4)
    loss = np.sqrt(np.pi * viscosity / density) * (1.0 + 0.4 / np.sqrt(0.71))
    loss = loss / (0.5 * case.bore_m * speed) * np.sqrt(frequency_hz)[None, :]
    omega = 2.0 * np.pi * frequency_hz[None, :]
    length = case.tube_m + 0.8217 * case.bore_m / 2.0
    angle = (1j * omega / speed + (1.0 + 1.0j) * loss) * length
    impedance = density * speed / (np.pi * case.bore_m**2 / 4.0)
    dead = 1j * omega * case.dead_m3 / (1.4 * _AMBIENT_PA)
    return np.asarray(1.0 / (np.cosh(angle) + dead * impedance * np.sinh(angle)))

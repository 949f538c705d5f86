"""Heat transfer coefficient from the gas to the cylinder wall."""

import math

from numba import njit

__all__ = [
    "hohenberg_w_m2k",
    "woschni_bore_factor",
    "woschni_core",
    "woschni_speed_m_s",
    "woschni_w_m2k",
]


@njit(cache=True, error_model="numpy")
def woschni_bore_factor(bore_m: float) -> float:
    """The part of Woschni's coefficient that does not change: 3.26 B^-0.2."""
    return 3.26 * math.exp(-0.2 * math.log(bore_m))


@njit(cache=True, error_model="numpy")
def woschni_core(pressure_kpa: float, temperature_k: float, speed: float) -> float:
    """p^0.8 T^-0.55 w^0.8."""
    return math.exp(0.8 * math.log(pressure_kpa * speed) - 0.55 * math.log(temperature_k))


@njit(cache=True, error_model="numpy")
def woschni_w_m2k(bore_m: float, pressure_kpa: float, temperature_k: float, speed: float) -> float:
    """Woschni: 3.26 B^-0.2 p^0.8 T^-0.55 w^0.8 (p in kPa; Heywood 1988, eqs 12.36 to 12.38)."""
    return woschni_bore_factor(bore_m) * woschni_core(pressure_kpa, temperature_k, speed)


@njit(cache=True, error_model="numpy")
def woschni_speed_m_s(
    piston_speed_m_s: float, flowing: float, combustion_m_s_pa: float, excess_pa: float
) -> float:
    """Woschni's gas speed w: 6.18 Sp in gas exchange, else 2.28 Sp + C2 Vd Tr/(pr Vr) (p - pm).

    `flowing` 0: valves closed, 1: gas exchange, in between on the way.
    """
    closed = 2.28 * piston_speed_m_s + combustion_m_s_pa * max(excess_pa, 0.0)
    return closed + flowing * (6.18 * piston_speed_m_s - closed)


@njit(cache=True, error_model="numpy")
def hohenberg_w_m2k(
    volume_m3: float, pressure_bar: float, temperature_k: float, piston_speed_m_s: float
) -> float:
    """Hohenberg: 130 V^-0.06 p^0.8 T^-0.4 (Sp + 1.4)^0.8 (p in bar; SAE 790825)."""
    exponent = (
        0.8 * math.log(pressure_bar * (piston_speed_m_s + 1.4))
        - 0.06 * math.log(volume_m3)
        - 0.4 * math.log(temperature_k)
    )
    return 130.0 * math.exp(exponent)

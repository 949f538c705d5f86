"""Gas properties of air and of stoichiometric combustion products, frozen, ideal.

cp is a fifth-order polynomial in T/1000 K fitted to tabulated NASA thermodynamic data (262 to 2900
K; within 0.2 % below 1100 K, 0.65 % above). A mixture is linear in the burned mass fraction.
Internal energy counts from 298.15 K.
"""

import math

import numpy as np
from numba import njit

from ringland.model._arrays import FloatArray

__all__ = [
    "R_AIR",
    "R_BURNED",
    "energy_and_heat_capacity",
    "gas_constant",
    "gas_enthalpy",
    "gas_gamma",
    "gas_heat_capacity",
    "gas_internal_energy",
    "gas_temperature",
]

R_AIR = 287.037
R_BURNED = 287.640
REFERENCE_K = 298.15

_A0, _A1, _A2, _A3, _A4, _A5 = 1045.171, -403.2181, 1116.765, -872.5724, 290.6825, -35.39967
_B0, _B1, _B2, _B3, _B4, _B5 = 1016.511, 36.93432, 502.4263, -386.7233, 110.8065, -11.05588


def _integral_at_reference(coefficients: tuple[float, ...], constant: float) -> float:
    x = REFERENCE_K / 1000.0
    h = sum(c * x ** (k + 1) / (k + 1) for k, c in enumerate(coefficients)) * 1000.0
    return h - constant * REFERENCE_K


_U_AIR = _integral_at_reference((_A0, _A1, _A2, _A3, _A4, _A5), R_AIR)
_U_BURNED = _integral_at_reference((_B0, _B1, _B2, _B3, _B4, _B5), R_BURNED)
_D0, _D1, _D2, _D3, _D4, _D5 = _B0 - _A0, _B1 - _A1, _B2 - _A2, _B3 - _A3, _B4 - _A4, _B5 - _A5
_THIRD, _SIXTH = 1.0 / 3.0, 1.0 / 6.0


@njit(cache=True, error_model="numpy")
def gas_constant(burned: float) -> float:
    """Specific gas constant, J/(kg K), of a mixture with this burned mass fraction."""
    return R_AIR + burned * (R_BURNED - R_AIR)


@njit(cache=True, error_model="numpy")
def gas_heat_capacity(temperature_k: float, burned: float) -> float:
    """cp, J/(kg K)."""
    x = temperature_k * 1e-3
    a = _A0 + x * (_A1 + x * (_A2 + x * (_A3 + x * (_A4 + x * _A5))))
    b = _B0 + x * (_B1 + x * (_B2 + x * (_B3 + x * (_B4 + x * _B5))))
    return a + burned * (b - a)


@njit(cache=True, error_model="numpy")
def gas_internal_energy(temperature_k: float, burned: float) -> float:
    """u, J/kg, from 298.15 K."""
    x = temperature_k * 1e-3
    a = _A3 / 4 + x * (_A4 / 5 + x * _A5 / 6)
    a = x * (_A0 + x * (_A1 / 2 + x * (_A2 / 3 + x * a)))
    b = _B3 / 4 + x * (_B4 / 5 + x * _B5 / 6)
    b = x * (_B0 + x * (_B1 / 2 + x * (_B2 / 3 + x * b)))
    air = 1000.0 * a - R_AIR * temperature_k - _U_AIR
    products = 1000.0 * b - R_BURNED * temperature_k - _U_BURNED
    return air + burned * (products - air)


@njit(cache=True, error_model="numpy")
def energy_and_heat_capacity(temperature_k: float, burned: float) -> tuple[float, float]:
    """(u, cp) together: what one Newton step for the temperature needs."""
    x = temperature_k * 1e-3
    c0, c1, c2 = _A0 + burned * _D0, _A1 + burned * _D1, _A2 + burned * _D2
    c3, c4, c5 = _A3 + burned * _D3, _A4 + burned * _D4, _A5 + burned * _D5
    cp = c0 + x * (c1 + x * (c2 + x * (c3 + x * (c4 + x * c5))))
    h = c2 * _THIRD + x * (c3 * 0.25 + x * (c4 * 0.2 + x * c5 * _SIXTH))
    h = temperature_k * (c0 + x * (c1 * 0.5 + x * h))
    r = R_AIR + burned * (R_BURNED - R_AIR)
    return h - r * temperature_k - (_U_AIR + burned * (_U_BURNED - _U_AIR)), cp


@njit(cache=True, error_model="numpy")
def gas_enthalpy(temperature_k: float, burned: float) -> float:
    """h = u + RT, J/kg."""
    return gas_internal_energy(temperature_k, burned) + gas_constant(burned) * temperature_k


@njit(cache=True, error_model="numpy")
def gas_gamma(temperature_k: float, burned: float) -> float:
    """Ratio of specific heats."""
    cp = gas_heat_capacity(temperature_k, burned)
    return cp / (cp - gas_constant(burned))


@njit(cache=True, error_model="numpy")
def gas_temperature(energy_j_kg: float, burned: float, guess_k: float) -> float:
    """Temperature, K, with this internal energy: Newton from a near guess."""
    t = guess_k
    r = gas_constant(burned)
    for _ in range(30):
        step = (gas_internal_energy(t, burned) - energy_j_kg) / (gas_heat_capacity(t, burned) - r)
        t -= step
        if abs(step) < 1e-9 * t:
            break
    return t


def sound_speed_m_s(temperature_k: float, burned: float) -> float:
    """Speed of sound, m/s."""
    return math.sqrt(gas_gamma(temperature_k, burned) * gas_constant(burned) * temperature_k)


def properties(temperature_k: FloatArray, burned: float) -> tuple[FloatArray, FloatArray]:
    """(cp J/(kg K), gamma) for an array of temperatures."""
    cp = np.array([gas_heat_capacity(float(t), burned) for t in temperature_k])
    return cp, cp / (cp - gas_constant(burned))

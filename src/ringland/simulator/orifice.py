"""Compressible flow through an orifice, and its form that stays stable at small differences."""

import math

from numba import njit

__all__ = [
    "choked_function",
    "critical_ratio",
    "flow_function",
    "flow_function_squared",
    "linear_range_pa",
    "orifice_flow_kg_s",
    "stable_flow_kg_s",
]

# Share of a pressure difference that one step may take away; two open valves together stay below 1
RELAXATION = 0.45


@njit(cache=True, error_model="numpy")
def critical_ratio(gamma: float) -> float:
    """Pressure ratio at which the flow chokes: (2 / (gamma + 1)) ** (gamma / (gamma - 1))."""
    return math.exp(gamma / (gamma - 1.0) * math.log(2.0 / (gamma + 1.0)))


@njit(cache=True, error_model="numpy")
def choked_function(gamma: float) -> float:
    """Largest value of the flow function, reached at the critical ratio."""
    power = (gamma + 1.0) / (2.0 * (gamma - 1.0))
    return math.sqrt(gamma) * math.exp(power * math.log(2.0 / (gamma + 1.0)))


@njit(cache=True, error_model="numpy")
def flow_function(ratio: float, gamma: float) -> float:
    """psi = mass flow * sqrt(R T0) / (Cd A p0) at this pressure ratio (Heywood eqs C.8, C.9)."""
    if ratio >= 1.0:
        return 0.0
    # 0.5283 at gamma 1.4 up to 0.555 at 1.25: only between 0.50 and 0.58 must we look closer
    if ratio < 0.5 or (ratio < 0.58 and ratio <= critical_ratio(gamma)):
        return choked_function(gamma)
    root = math.exp(math.log(ratio) / gamma)
    term = 2.0 * gamma / (gamma - 1.0) * (1.0 - ratio / root)
    return root * math.sqrt(max(term, 0.0))


@njit(cache=True, error_model="numpy")
def orifice_flow_kg_s(
    area_m2: float, pressure_pa: float, gas_rt: float, gamma: float, downstream_pa: float
) -> float:
    """Mass flow through an effective area (discharge coefficient included)."""
    ratio = downstream_pa / pressure_pa
    return area_m2 * pressure_pa / math.sqrt(gas_rt) * flow_function(ratio, gamma)


@njit(cache=True, error_model="numpy")
def flow_function_squared(drop: float, gamma: float) -> float:
    """psi squared at a pressure drop (p0 - p) / p0, from a polynomial: no logarithms.

    psi**2 = 2 x (1 + x (k1 + x (k2 + x (k3 + x k4)))) with x the drop, at most the choked one, and
    each k a cubic in 1/gamma - 0.75. Least-squares fit to `flow_function` for gamma 1.19 to 1.45;
    psi within 1.3e-6 of it.
    """
    inverse = 1.0 / gamma
    choked = 0.885155874 + inverse * (-0.90642409 + inverse * (0.56914601 - inverse * 0.154685097))
    x = min(drop, choked)
    g = inverse - 0.75
    k1 = -1.125120167 + g * (-1.500197337 + g * (2.839507984e-3 - g * 1.325430865e-3))
    k2 = 3.343209993e-2 + g * (0.9218009629 + g * (1.116401679 + g * 2.023874859e-2))
    k3 = 1.322318997e-2 + g * (0.2612819958 + g * (0.1514856938 - g * 0.7046592046))
    k4 = 4.077233518e-2 + g * (0.2307495097 + g * (-0.684357099 - g * 0.1741042983))
    return 2.0 * x * (1.0 + x * (k1 + x * (k2 + x * (k3 + x * k4))))


@njit(cache=True, error_model="numpy")
def linear_range_pa(
    area_m2: float,
    pressure_pa: float,
    gas_rt: float,
    gamma: float,
    per_volume: float,
    step_s: float,
) -> float:
    """Pressure difference below which one step would take away more than `RELAXATION` of it.

    `per_volume` is 1/V1 + 1/V2 of the two volumes joined (0 for the open air). Shrinks with the
    square of the step.
    """
    reach = gamma * area_m2 * step_s * per_volume / RELAXATION
    return 2.0 * pressure_pa * gas_rt * reach * reach


@njit(cache=True, error_model="numpy")
def stable_flow_kg_s(
    area_m2: float,
    pressure_pa: float,
    gas_rt: float,
    gamma: float,
    difference_pa: float,
    linear_pa: float,
) -> float:
    """Orifice flow from `pressure_pa` against a difference >= 0, linear well below `linear_pa`.

    The square-root law is steeper near zero than any explicit step can follow; below `linear_pa`
    it is replaced by a line. As that range shrinks with the square of the step the scheme stays
    second order.
    """
    squared = flow_function_squared(difference_pa / pressure_pa, gamma)
    softened = difference_pa / ((difference_pa + linear_pa + 1e-6) * gas_rt)
    return area_m2 * pressure_pa * math.sqrt(squared * softened)

"""Compressible flow through an orifice, and its form that stays stable at small differences."""

import math

from numba import njit

__all__ = ["critical_ratio", "flow_function", "orifice_flow_kg_s", "stable_flow_kg_s"]


@njit(cache=True)
def critical_ratio(gamma: float) -> float:
    """Pressure ratio at which the flow chokes: (2 / (gamma + 1)) ** (gamma / (gamma - 1))."""
    return math.exp(gamma / (gamma - 1.0) * math.log(2.0 / (gamma + 1.0)))


@njit(cache=True)
def flow_function(ratio: float, gamma: float) -> float:
    """psi = mass flow * sqrt(R T0) / (Cd A p0) at this pressure ratio (Heywood eqs C.8, C.9)."""
    if ratio >= 1.0:
        return 0.0
    # 0.5283 at gamma 1.4 up to 0.555 at 1.25: only between 0.50 and 0.58 must we look closer
    if ratio < 0.5 or (ratio < 0.58 and ratio <= critical_ratio(gamma)):
        power = (gamma + 1.0) / (2.0 * (gamma - 1.0))
        return math.sqrt(gamma) * math.exp(power * math.log(2.0 / (gamma + 1.0)))
    root = math.exp(math.log(ratio) / gamma)
    term = 2.0 * gamma / (gamma - 1.0) * (1.0 - ratio / root)
    return root * math.sqrt(max(term, 0.0))


@njit(cache=True)
def orifice_flow_kg_s(
    area_m2: float, pressure_pa: float, gas_rt: float, gamma: float, downstream_pa: float
) -> float:
    """Mass flow through an effective area (discharge coefficient included)."""
    ratio = downstream_pa / pressure_pa
    return area_m2 * pressure_pa / math.sqrt(gas_rt) * flow_function(ratio, gamma)


@njit(cache=True)
def stable_flow_kg_s(
    area_m2: float,
    pressure_pa: float,
    gas_rt: float,
    gamma: float,
    downstream_pa: float,
    per_volume: float,
    step_s: float,
) -> float:
    """Orifice flow, linear in the pressure difference where one step would overshoot.

    `per_volume` is 1/V1 + 1/V2 of the two volumes joined (0 for the open air). The square-root law
    is replaced by a line below `linear_pa`, which shrinks with the square of the step, so the
    scheme stays second order.
    """
    difference = pressure_pa - downstream_pa
    reach = gamma * area_m2 * step_s * per_volume
    linear_pa = 2.0 * pressure_pa * gas_rt * reach * reach
    flow = orifice_flow_kg_s(area_m2, pressure_pa, gas_rt, gamma, downstream_pa)
    return flow * math.sqrt(difference / (difference + linear_pa + 1e-3))

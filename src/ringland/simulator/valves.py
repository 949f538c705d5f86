"""Valve lift from cam timing and lash, and the flow area it opens."""

import math

from numba import njit

__all__ = ["valve_area_m2", "valve_lift_m"]


@njit(cache=True, error_model="numpy")
def valve_lift_m(
    angle_deg: float, opens_deg: float, closes_deg: float, lift_m: float, lash_m: float
) -> float:
    """Lift (1 - s^2)^2 of the cam between opening and closing, less the lash, never negative."""
    if angle_deg <= opens_deg or angle_deg >= closes_deg:
        return 0.0
    s = (2.0 * angle_deg - opens_deg - closes_deg) / (closes_deg - opens_deg)
    cam = 1.0 - s * s
    return max(lift_m * cam * cam - lash_m, 0.0)


@njit(cache=True, error_model="numpy")
def valve_area_m2(lift_m: float, diameter_m: float, count: float) -> float:
    """Effective area (discharge coefficient included) of `count` poppet valves at this lift.

    Curtain (0.7 pi D L) and port (0.75 pi/4 (0.85 D)^2) in series: the discharge coefficient
    referred to the curtain falls from 0.7 at small lift to about 0.43 at L/D = 0.25, as in Heywood
    (1988) sec. 6.3.2.
    """
    if lift_m <= 0.0:
        return 0.0
    curtain = 0.7 * math.pi * diameter_m * lift_m
    port = 0.75 * math.pi / 4.0 * 0.7225 * diameter_m * diameter_m
    return count * curtain * port / math.sqrt(curtain * curtain + port * port)

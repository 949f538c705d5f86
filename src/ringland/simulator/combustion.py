"""Burned fraction against crank angle (Wiebe), and how residual gas slows the flame."""

import math

from numba import njit

__all__ = ["residual_speed_ratio", "wiebe"]


@njit(cache=True, error_model="numpy")
def wiebe(progress: float, a: float, form: float) -> float:
    """Burned fraction 1 - exp(-a y**(form + 1)) for y = (angle - start) / duration.

    Heywood (1988) eq 9.30. 0 before the start; holds its end value after y = 1.
    """
    if progress <= 0.0:
        return 0.0
    y = min(progress, 1.0)
    if form == 2.0:
        power = y * y * y
    elif form == 1.0:
        power = y * y
    else:
        power = math.exp((form + 1.0) * math.log(y))
    return 1.0 - math.exp(-a * power)


@njit(cache=True, error_model="numpy")
def residual_speed_ratio(burned: float) -> float:
    """Laminar flame speed with residual gas over that without: 1 - 2.06 x**0.77.

    x is the residual mole fraction, here taken as the mass fraction (molar masses within 1 %).
    Rhodes and Keck, SAE 850047 (1985), from memory. Never below 0.15.
    """
    if burned <= 0.0:
        return 1.0
    return max(0.15, 1.0 - 2.06 * math.exp(0.77 * math.log(burned)))

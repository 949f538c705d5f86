"""Slider-crank with pin offset (Heywood 1988, sec. 2.2)."""

import math

from numba import njit

__all__ = ["crank_radius_m", "piston_travel", "top_centre_shift_rad"]


@njit(cache=True, error_model="numpy")
def piston_travel(
    sin_angle: float, cos_angle: float, radius_m: float, rod_m: float, offset_m: float
) -> tuple[float, float, float]:
    """Distance of the piston from its top position, and its first two derivatives by angle.

    The angle is that of the crank from the line through the crank axis along the bore; the pin is
    `offset_m` towards the thrust side. Returns (m, m/rad, m/rad2).
    """
    side = radius_m * sin_angle + offset_m
    side_1 = radius_m * cos_angle
    root = math.sqrt(rod_m * rod_m - side * side)
    reach = rod_m + radius_m
    top = math.sqrt(reach * reach - offset_m * offset_m)
    slope = side * side_1 / root
    x = top - radius_m * cos_angle - root
    dx = radius_m * sin_angle + slope
    d2x = (
        radius_m * cos_angle
        + (side_1 * side_1 - side * radius_m * sin_angle) / root
        + slope * slope / root
    )
    return x, dx, d2x


def top_centre_shift_rad(radius_m: float, rod_m: float, offset_m: float) -> float:
    """Crank angle from the bore line at which the piston is highest (0 without pin offset)."""
    return -math.asin(offset_m / (rod_m + radius_m))


def crank_radius_m(stroke_m: float, rod_m: float, offset_m: float) -> float:
    """Crank radius that gives this stroke with this pin offset."""
    radius = stroke_m / 2
    for _ in range(20):
        top = math.sqrt((rod_m + radius) ** 2 - offset_m**2)
        bottom = math.sqrt((rod_m - radius) ** 2 - offset_m**2)
        radius *= stroke_m / (top - bottom)
    return radius

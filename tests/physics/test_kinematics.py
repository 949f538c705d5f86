"""Slider-crank against printed geometry.

Heywood, Internal Combustion Engine Fundamentals (1988), sec. 2.2, eqs 2.4 to 2.11 (equation numbers
from memory; numbers computed from the equations). Pulkrabek, Example 2-1 (inputs from memory).
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from ringland.model import EngineSpec
from ringland.simulator import layout as at
from ringland.simulator.kinematics import crank_radius_m, piston_travel, top_centre_shift_rad
from ringland.simulator.parameters import SimulatedEngine, simulated_engine
from ringland.simulator.rates import crank_state, initial_guess
from ringland.simulator.run import simulate


def travel(angle_deg: float, radius: float, rod: float, offset: float = 0.0) -> float:
    a = math.radians(angle_deg)
    return piston_travel(math.sin(a), math.cos(a), radius, rod, offset)[0]


def engine(cylinders: int, angles: tuple[float, ...]) -> SimulatedEngine:
    return simulated_engine(EngineSpec("test", cylinders, tuple(range(1, cylinders + 1)), angles))


def swing_cc(parameters: SimulatedEngine) -> float:
    c, e = parameters.cylinder_table(), parameters.engine_vector()
    gas, geo = initial_guess(parameters.volumes), np.zeros((len(c), 5))
    volumes = []
    for angle in np.radians(np.arange(0.0, 720.0, 0.5)):
        crank_state(float(angle), parameters.phase_table(), c, e, geo, gas)
        volumes.append(gas[len(c) + 1, at.VOLUME])
    return float(np.ptp(volumes)) * 1e6


@pytest.mark.parametrize(
    ("angle_deg", "x_mm"),
    [(0, 0.0), (10, 0.84834), (30, 7.3864), (45, 15.86431), (60, 26.43389), (90, 49.61818),
     (120, 69.43389), (150, 81.86459), (180, 86.0)],
)  # fmt: skip
def test_piston_travel_of_the_square_half_litre_cylinder(angle_deg: float, x_mm: float) -> None:
    # bore = stroke = 86 mm, rod 143 mm
    assert travel(angle_deg, 0.043, 0.143) * 1e3 == pytest.approx(x_mm, rel=1e-5, abs=1e-9)


@pytest.mark.parametrize(
    ("angle_deg", "volume_cc"),
    [(0, 55.5064), (30, 98.4125), (60, 209.0557), (90, 343.7287), (180, 555.0636),
     (270, 343.7287), (360, 55.5064), (540, 555.0636)],
)  # fmt: skip
def test_cylinder_volume_at_ratio_ten(angle_deg: float, volume_cc: float) -> None:
    p = engine(1, (0.0,))
    c, e = p.cylinder_table(), p.engine_vector()
    gas, geo = initial_guess(p.volumes), np.zeros((1, 5))
    crank_state(math.radians(angle_deg), p.phase_table(), c, e, geo, gas)
    assert gas[0, at.VOLUME] * 1e6 == pytest.approx(volume_cc, rel=1e-5)


def test_pulkrabek_example_2_1() -> None:
    # 3 L V6, bore = stroke, compression ratio 9.5, rod 166 mm, 3600 rpm, 20 deg after top centre
    bore = (3e-3 / 6 * 4 / math.pi) ** (1 / 3)
    assert bore * 1e3 == pytest.approx(86.025, rel=1e-3)
    radius, speed = bore / 2, 3600 * math.pi / 30
    a = math.radians(20)
    x, dx, _ = piston_travel(math.sin(a), math.cos(a), radius, 0.166, 0.0)
    assert x * 1e3 == pytest.approx(3.2471, rel=1e-3)
    assert dx * speed == pytest.approx(6.9017, rel=1e-3)
    clearance = 5e-4 / 8.5
    assert (clearance + math.pi / 4 * bore**2 * x) * 1e6 == pytest.approx(77.697, rel=1e-3)


@pytest.mark.parametrize(
    ("ratio", "largest", "at_deg"),
    [(3.0, 1.656624, 73.1753), (3.5, 1.634012, 75.1356), (4.0, 1.619307, 76.721)],
)
def test_largest_piston_speed_over_mean(ratio: float, largest: float, at_deg: float) -> None:
    # Heywood eq 2.11 maximised: mean piston speed per radian is 2 * stroke / (2 pi)
    angles = np.radians(np.linspace(60, 90, 30001))
    speeds = np.array(
        [piston_travel(math.sin(a), math.cos(a), 1.0, ratio, 0.0)[1] for a in angles]
    ) / (2 * 2.0 / (2 * math.pi))
    assert speeds.max() == pytest.approx(largest, rel=1e-5)
    assert math.degrees(angles[speeds.argmax()]) == pytest.approx(at_deg, abs=2e-3)


def test_derivatives_agree_with_differences_with_pin_offset() -> None:
    step = 1e-5
    for angle in np.linspace(0.1, 6.0, 25):
        x = [
            piston_travel(math.sin(a), math.cos(a), 0.04, 0.14, 0.0012)
            for a in (angle - step, angle, angle + step)
        ]
        assert x[1][1] == pytest.approx((x[2][0] - x[0][0]) / (2 * step), abs=1e-8)
        assert x[1][2] == pytest.approx((x[2][1] - x[0][1]) / (2 * step), abs=1e-8)


def test_pin_offset_moves_top_centre_and_keeps_the_stroke() -> None:
    offset, rod, stroke = 0.0015, 0.143, 0.086
    radius = crank_radius_m(stroke, rod, offset)
    angles = np.linspace(-math.pi, math.pi, 20001)
    x = np.array([piston_travel(math.sin(a), math.cos(a), radius, rod, offset)[0] for a in angles])
    assert np.ptp(x) == pytest.approx(stroke, rel=1e-6)
    top = top_centre_shift_rad(radius, rod, offset)
    assert angles[x.argmin()] == pytest.approx(top, abs=5e-4)
    assert top == pytest.approx(-math.asin(offset / (rod + radius)))


@pytest.mark.parametrize(
    ("cylinders", "angles", "swing"),
    [
        (1, (0.0,), 499.5572),
        (2, (0.0, 360.0), 999.1144),  # boxer or parallel twin
        (2, (0.0, 180.0), 76.8875),
        (3, (0.0, 240.0, 480.0), 0.0081),
        (4, (0.0, 180.0, 360.0, 540.0), 153.7749),
        (5, (0.0, 144.0, 288.0, 432.0, 576.0), 0.0),
        (6, (0.0, 120.0, 240.0, 360.0, 480.0, 600.0), 0.0162),
        (8, tuple(90.0 * k for k in range(8)), 1.8211),
    ],
)
def test_crankcase_volume_swing(cylinders: int, angles: tuple[float, ...], swing: float) -> None:
    # slider-crank sums for 86 x 86 mm, rod 143 mm; I4 closed form 4 Ap (l - sqrt(l^2 - a^2))
    assert swing_cc(engine(cylinders, angles)) == pytest.approx(swing, rel=1e-3, abs=1e-3)


def test_i4_swing_has_the_closed_form() -> None:
    area, rod, a = math.pi / 4 * 0.086**2, 0.143, 0.043
    closed = 4 * area * (rod - math.sqrt(rod**2 - a**2)) * 1e6
    assert swing_cc(engine(4, (0.0, 180.0, 360.0, 540.0))) == pytest.approx(closed, rel=1e-6)


def test_bay_of_a_six_pulses_though_the_sum_does_not() -> None:
    # fastest piston speed is 1.63 times the mean (table above): 13 m/s through the window
    p = replace(engine(6, tuple(120.0 * k for k in range(6))), bay_window_m2=15e-4)
    whole = simulate(replace(p, bay_window_m2=0.0), seconds=0.5, settle_s=1.0)
    bay = simulate(p, seconds=0.5, settle_s=1.0)
    extra = bay.crankcase_pressure_pa - whole.crankcase_pressure_pa
    piston = 1.63 * 2 * 0.086 * bay.speed_rpm.max() / 60
    fastest = piston * math.pi / 4 * 0.086**2 / 15e-4
    density = 101325 / (287.0 * 360.0)
    assert extra.max() == pytest.approx(0.5 * density * fastest**2, rel=0.1)
    assert np.ptp(extra) > 5 * np.ptp(whole.crankcase_pressure_pa)

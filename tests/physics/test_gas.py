"""Gas properties and orifice flow against tables.

Property values: Cantera 3.2.0, gri30.yaml (NASA polynomials), ideal gas, frozen composition.
Isentropic flow: NACA Report 1135 (1953). Orifice: Heywood (1988) appendix C, eqs C.8 and C.9.
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ringland.simulator.gas import (
    R_AIR,
    energy_and_heat_capacity,
    gas_constant,
    gas_enthalpy,
    gas_gamma,
    gas_heat_capacity,
    gas_internal_energy,
    gas_temperature,
    sound_speed_m_s,
)
from ringland.simulator.orifice import (
    choked_function,
    critical_ratio,
    flow_function,
    flow_function_squared,
    linear_range_pa,
    orifice_flow_kg_s,
    stable_flow_kg_s,
)

AIR = [
    (273.15, 1000.75, 1.40218, 331.567), (300.0, 1003.47, 1.40065, 347.292),
    (400.0, 1015.4, 1.39408, 400.077), (500.0, 1030.94, 1.38586, 445.978),
    (600.0, 1050.35, 1.37604, 486.812), (700.0, 1073.07, 1.36517, 523.735),
    (800.0, 1097.71, 1.35408, 557.616), (900.0, 1121.99, 1.34378, 589.189),
    (1000.0, 1142.81, 1.33541, 619.123), (1100.0, 1159.12, 1.32914, 647.815),
]  # fmt: skip
# stoichiometric products of CH1.87
PETROL = [
    (300.0, 1063.29, 1.37084, 343.936), (500.0, 1119.03, 1.34597, 439.975),
    (700.0, 1178.92, 1.32272, 516.069), (900.0, 1242.43, 1.30126, 580.4),
    (1100.0, 1293.9, 1.28585, 637.846),
]  # fmt: skip
# products of CH1.8 at lambda 1.5, 2, 4, 6
DIESEL = [
    (1.5, 300.0, 1044.86, 1.37944), (1.5, 700.0, 1146.19, 1.33467), (1.5, 900.0, 1205.17, 1.31316),
    (2.0, 300.0, 1036.45, 1.38405), (2.0, 700.0, 1130.28, 1.34129), (2.0, 900.0, 1186.98, 1.31977),
    (4.0, 300.0, 1023.48, 1.39137), (4.0, 700.0, 1105.74, 1.352), (4.0, 900.0, 1158.93, 1.33051),
    (6.0, 300.0, 1019.06, 1.39392), (6.0, 700.0, 1097.38, 1.3558), (6.0, 900.0, 1149.37, 1.33433),
]  # fmt: skip


@pytest.mark.parametrize(("t", "cp", "gamma", "sound"), AIR)
def test_air(t: float, cp: float, gamma: float, sound: float) -> None:
    assert gas_heat_capacity(t, 0.0) == pytest.approx(cp, rel=2e-3)
    assert gas_gamma(t, 0.0) == pytest.approx(gamma, rel=2e-3)
    assert sound_speed_m_s(t, 0.0) == pytest.approx(sound, rel=2e-3)


@pytest.mark.parametrize(("t", "cp", "gamma", "sound"), PETROL)
def test_stoichiometric_products(t: float, cp: float, gamma: float, sound: float) -> None:
    assert gas_heat_capacity(t, 1.0) == pytest.approx(cp, rel=5e-3)
    assert gas_gamma(t, 1.0) == pytest.approx(gamma, rel=5e-3)
    assert sound_speed_m_s(t, 1.0) == pytest.approx(sound, rel=5e-3)


@pytest.mark.parametrize(("ratio", "t", "cp", "gamma"), DIESEL)
def test_lean_diesel_products_as_a_mixture_of_the_two(
    ratio: float, t: float, cp: float, gamma: float
) -> None:
    # a kilogram of fuel leaves 1 + 14.4 kg of stoichiometric products in 1 + 14.4 lambda kg
    burned = 15.4 / (1.0 + 14.4 * ratio)
    assert gas_gamma(t, burned) == pytest.approx(gamma, rel=5e-3)
    # The table's air is O2 + 3.76 N2 without argon, 0.65 % above dry air in cp per kilogram (1010.0
    # against 1003.5 J/kgK at 300 K); only the share that is air differs by that.
    without_argon = 1.0 + 0.0065 * (1.0 - burned)
    assert gas_heat_capacity(t, burned) * without_argon == pytest.approx(cp, rel=5e-3)


@pytest.mark.parametrize("t", [1500.0, 2000.0, 2500.0])
def test_gamma_of_hot_products(t: float) -> None:
    # iso-octane products, which differ from those of petrol by 1 % in cp but not in gamma
    printed = {1500.0: 1.26653, 2000.0: 1.25244, 2500.0: 1.24468}
    assert gas_gamma(t, 1.0) == pytest.approx(printed[t], rel=5e-3)


@given(st.floats(265.0, 2900.0), st.floats(0.0, 1.0))
def test_energy_is_the_integral_of_its_heat_capacity_and_inverts(t: float, burned: float) -> None:
    slope = (gas_internal_energy(t + 0.5, burned) - gas_internal_energy(t - 0.5, burned)) / 1.0
    assert slope == pytest.approx(gas_heat_capacity(t, burned) - gas_constant(burned), rel=1e-6)
    u = gas_internal_energy(t, burned)
    assert gas_temperature(u, burned, 600.0) == pytest.approx(t, rel=1e-8)
    assert gas_enthalpy(t, burned) - u == pytest.approx(gas_constant(burned) * t)
    both = energy_and_heat_capacity(t, burned)
    assert both[0] == pytest.approx(u, rel=1e-9, abs=1e-6)
    assert both[1] == pytest.approx(gas_heat_capacity(t, burned), rel=1e-12)


@pytest.mark.parametrize(
    ("gamma", "ratio", "choked"),
    [(1.4, 0.5282818, 0.6847315), (1.35, 0.5368512, 0.6761449), (1.33, 0.540364, 0.6726284),
     (1.3, 0.5457277, 0.6672624), (1.25, 0.554929, 0.6580648)],
)  # fmt: skip
def test_critical_ratio_and_choked_flow(gamma: float, ratio: float, choked: float) -> None:
    assert critical_ratio(gamma) == pytest.approx(ratio, abs=1e-6)
    assert choked_function(gamma) == pytest.approx(choked, abs=1e-6)


@pytest.mark.parametrize(
    ("mach", "pressure", "area"),
    [(0.3, 0.93947, 2.035065), (0.5, 0.843019, 1.339844), (1.0, 0.528282, 1.0)],
)
def test_naca_1135_area_ratio(mach: float, pressure: float, area: float) -> None:
    # at the same mass flow A/A* is the choked flow function over that at this pressure ratio
    assert choked_function(1.4) / flow_function(pressure, 1.4) == pytest.approx(area, rel=2e-5)
    assert pressure == pytest.approx((1 + 0.2 * mach**2) ** -3.5, rel=1e-5)


@pytest.mark.parametrize(
    ("ratio", "psi"),
    [(1.0, 0.0), (0.99, 0.140662), (0.95, 0.307641), (0.9, 0.422581), (0.8, 0.560661),
     (0.7, 0.638317), (0.6, 0.676915), (0.55, 0.684021), (0.5283, 0.684731), (0.2, 0.684731)],
)  # fmt: skip
def test_flow_function(ratio: float, psi: float) -> None:
    assert flow_function(ratio, 1.4) == pytest.approx(psi, abs=1e-5)
    assert math.sqrt(flow_function_squared(1.0 - ratio, 1.4)) == pytest.approx(psi, abs=1e-5)


def test_polynomial_flow_function_follows_the_closed_form() -> None:
    worst = 0.0
    for gamma in np.linspace(1.2, 1.44, 49):
        for ratio in np.linspace(0.05, 0.9999, 400):
            exact = flow_function(float(ratio), float(gamma))
            fit = math.sqrt(flow_function_squared(1.0 - float(ratio), float(gamma)))
            worst = max(worst, abs(fit / exact - 1.0))
    assert worst < 3e-6


@pytest.mark.parametrize(
    ("pressure_bar", "t", "flow_g_s"), [(3.0, 300.0, 0.700003), (10.0, 288.15, 2.380839)]
)
def test_choked_air_leak_of_one_square_millimetre(
    pressure_bar: float, t: float, flow_g_s: float
) -> None:
    flow = orifice_flow_kg_s(1e-6, pressure_bar * 1e5, 287.053 * t, 1.4, 1.0e5)
    assert flow * 1e3 == pytest.approx(flow_g_s, rel=1e-4)


def test_stable_flow_tends_to_the_orifice_as_the_step_shrinks() -> None:
    exact = orifice_flow_kg_s(2e-4, 1.02e5, 287.0 * 700, 1.33, 1.0e5)
    errors = []
    for step in (2e-6, 1e-6):
        linear = linear_range_pa(2e-4, 1.02e5, 287.0 * 700, 1.33, 1 / 3e-4, step)
        flow = stable_flow_kg_s(2e-4, 1.02e5, 287.0 * 700, 1.33, 2e3, linear)
        errors.append(abs(flow / exact - 1))
    assert errors[1] < 1e-3
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=0.05)  # second order in the step
    assert stable_flow_kg_s(1e-4, 1e5, 1e5, 1.4, 0.0, 10.0) == 0.0
    assert pytest.approx(287.037) == R_AIR

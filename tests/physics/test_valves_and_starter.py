"""Valve lift and area, and the starter: limits that must hold whatever the numbers."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ringland.model import EngineSpec
from ringland.simulator.parameters import simulated_engine
from ringland.simulator.run import simulate
from ringland.simulator.valves import valve_area_m2, valve_lift_m

OPENS, CLOSES, LIFT = 130.0, 370.0, 0.009


def lift(angle_deg: float, lash_m: float = 0.0) -> float:
    return valve_lift_m(angle_deg, OPENS, CLOSES, LIFT, lash_m)


def test_lift_is_highest_in_the_middle_and_starts_and_ends_without_a_jerk() -> None:
    assert lift(250.0) == pytest.approx(LIFT)
    assert lift(OPENS) == lift(CLOSES) == 0.0
    assert lift(OPENS + 1.0) < 2e-3 * LIFT
    angles = np.arange(OPENS, CLOSES, 0.5)
    rise = np.diff([lift(float(a)) for a in angles])
    assert np.abs(np.diff(rise)).max() < 1e-5


@given(st.floats(0.0, 0.5e-3), st.floats(100.0, 400.0))
def test_lash_only_takes_away(lash_m: float, angle_deg: float) -> None:
    assert lift(angle_deg, lash_m) <= lift(angle_deg)
    assert lift(angle_deg, lash_m) == pytest.approx(max(lift(angle_deg) - lash_m, 0.0))


def test_lash_opens_late_and_closes_early() -> None:
    angles = np.arange(OPENS, CLOSES, 0.1)
    open_with = angles[[lift(float(a), 0.3e-3) > 0.0 for a in angles]]
    assert open_with[0] > OPENS + 5.0
    assert open_with[-1] < CLOSES - 5.0
    assert open_with[0] - OPENS == pytest.approx(CLOSES - open_with[-1], abs=0.3)


@pytest.mark.parametrize(("ratio", "low", "high"), [(0.02, 0.65, 0.70), (0.25, 0.38, 0.50)])
def test_discharge_coefficient_of_the_curtain_falls_with_lift(
    ratio: float, low: float, high: float
) -> None:
    # Heywood (1988) fig. 6-18: about 0.65 to 0.7 at small lift, about 0.4 to 0.5 at L/D 0.25
    # (read from memory)
    diameter = 0.03
    area = valve_area_m2(ratio * diameter, diameter, 1.0)
    assert low < area / (math.pi * diameter * ratio * diameter) < high
    assert valve_area_m2(0.0, diameter, 2.0) == 0.0


def test_starter_gives_no_more_than_it_takes() -> None:
    parameters = simulated_engine(EngineSpec("four", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0)))
    result = simulate(parameters, condition="cranking", seconds=2.0)
    e = parameters.engine
    speed = result.speed_rpm * math.pi / 30.0
    torque = e.starter_efficiency * e.starter_emf_v / e.starter_free_rad_s
    delivered = torque * result.starter_current_a * speed
    assert (delivered <= result.battery_v * result.starter_current_a + 1e-9).all()
    # voltage dips where the current is highest, by the battery's resistance
    dip = e.starter_emf_v - e.battery_ohm * result.starter_current_a.max()
    assert result.battery_v.min() == pytest.approx(dip)


def test_cylinders_that_are_off_pass_no_gas() -> None:
    spec = EngineSpec(
        "eight on four", 8, (1, 8, 4, 3, 6, 5, 7, 2), tuple(90.0 * k for k in range(8)),
        inactive_cylinders=(1, 4, 6, 7),
    )  # fmt: skip
    cycles = simulate(simulated_engine(spec), seconds=2.0).cycles
    off = [0, 3, 5, 6]
    assert np.nanmax(cycles.heat_j[:, off]) == 0.0
    assert not cycles.misfired.any()
    # a sealed cylinder breathes past its rings until it swings around crankcase pressure, and then
    # does almost no work
    work = np.nanmean(cycles.imep_pa, axis=0)
    assert np.abs(work[off]).max() < 0.2 * work[[1, 2, 4, 7]].min()

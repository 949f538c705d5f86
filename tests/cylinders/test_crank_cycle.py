"""Crank speed over the cycle: against speeds that follow from the energy theorem."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray

from ringland.cylinders.crank_cycle import crank_speed_cycles
from ringland.model import (
    ChannelRole,
    CycleSet,
    CycleUse,
    EngineSpec,
    Estimate,
    PhaseSource,
    Reference,
    ToothWheel,
)

Floats = NDArray[np.float64]
FOUR = EngineSpec("four", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0))
MEAN_RPM = 800.0


def turned_by(torque_over_inertia: Floats, turns: int, slots: int = 60) -> CycleSet:
    """A rigid crank driven by a torque given for every degree of the cycle: the kinetic energy
    gained is the work done, d(w^2 / 2) = (T / J) d(angle). Any textbook of dynamics."""
    per_cycle = torque_over_inertia - torque_over_inertia.mean()
    degree = np.deg2rad(1.0)
    half_square = np.cumsum(np.tile(per_cycle, turns)) * degree
    speed = np.sqrt((MEAN_RPM * np.pi / 30.0) ** 2 + 2.0 * half_square)  # rad/s
    time = np.concatenate([[0.0], np.cumsum(degree / speed)])
    angle = np.arange(len(time), dtype=np.float64)
    knots = np.arange(0.0, angle[-1], 360.0 / slots)
    at = np.interp(knots, angle, time)
    bounds = np.interp(np.arange(turns) * 720.0, angle, time)
    return CycleSet(
        cycle_deg=720.0,
        phase_source=PhaseSource.TOOTH_WHEEL,
        reference=Reference.CYLINDER,
        reference_reason="made",
        time_s=at,
        angle_deg=knots,
        speed_rpm=np.full(len(at), MEAN_RPM),
        speed_se_rpm=np.zeros(len(at)),
        angle_se_deg=0.0,
        mean_speed_rpm=Estimate.from_se(MEAN_RPM, 0.1, "rpm"),
        cycles=tuple(CycleUse(float(a), float(b)) for a, b in pairwise(bounds)),
        wheel=ToothWheel("60", slots, ()),
    )


def burns(strength: tuple[float, ...]) -> Floats:
    """Torque over inertia, rad/s^2, at every degree: a half sine after each firing."""
    torque = np.zeros(720)
    push = np.sin(np.pi * np.arange(120) / 120.0)
    for firing, one in zip((0, 180, 360, 540), strength, strict=True):
        torque[firing : firing + 120] += one * push
    return torque


def test_speed_is_what_the_work_of_the_burns_makes_it() -> None:
    torque = burns((900.0, 900.0, 900.0, 500.0))
    signal = crank_speed_cycles(turned_by(torque, 12), FOUR)
    assert not isinstance(signal, str)
    assert signal.role is ChannelRole.CRANK_TOOTH and signal.unit == "rpm"
    assert len(signal.values) == 10  # of 11: the first has no half cycle before it
    degree = np.deg2rad(1.0)
    square = 2.0 * np.cumsum(torque - torque.mean()) * degree + (MEAN_RPM * np.pi / 30.0) ** 2
    exact = np.sqrt(square) * 30.0 / np.pi
    wanted = np.interp(signal.angle_deg, np.arange(0.5, 720.5), exact, period=720.0)
    got = signal.mean / signal.mean.mean()
    wanted /= wanted.mean()
    # teeth six degrees apart round the corners off
    assert np.max(np.abs(got - wanted)) < 0.01 * np.ptp(wanted)


def test_a_drift_of_the_speed_leaves_the_ripple_as_it_is() -> None:
    steady = crank_speed_cycles(turned_by(burns((900.0,) * 4), 12), FOUR)
    cycles = turned_by(burns((900.0,) * 4), 12)
    # ever faster, by a tenth over the recording
    stretched = cycles.time_s * (1.0 - 0.05 * cycles.time_s / cycles.time_s[-1])
    bounds = np.interp([c.start_s for c in cycles.cycles], cycles.time_s, stretched)
    drifting = replace(
        cycles,
        time_s=stretched,
        cycles=tuple(CycleUse(float(a), float(b)) for a, b in pairwise(bounds)),
    )
    found = crank_speed_cycles(drifting, FOUR)
    assert not isinstance(steady, str) and not isinstance(found, str)
    swing = np.ptp(steady.mean)
    assert np.max(np.abs(found.mean - steady.mean)) < 0.05 * swing


def test_cycles_before_the_engine_ran_are_left_out() -> None:
    cycles = turned_by(burns((900.0,) * 4), 12)
    from_s = cycles.cycles[5].start_s
    found = crank_speed_cycles(cycles, FOUR, running_from_s=from_s)
    assert not isinstance(found, str)
    assert min(found.cycle_index) == 5


def test_too_few_teeth_are_said() -> None:
    found = crank_speed_cycles(turned_by(burns((900.0,) * 4), 12, slots=4), FOUR)
    assert isinstance(found, str) and "too coarse" in found


def test_without_a_wheel_there_is_no_speed() -> None:
    cycles = replace(turned_by(burns((900.0,) * 4), 6), phase_source=PhaseSource.TRIGGER)
    found = crank_speed_cycles(cycles, FOUR)
    assert isinstance(found, str) and "tooth wheel" in found


@pytest.mark.parametrize("weak", range(4))
def test_a_weak_burn_drives_less_than_the_others(weak: int) -> None:
    strength = [900.0] * 4
    strength[weak] = 450.0
    signal = crank_speed_cycles(turned_by(burns(tuple(strength)), 10), FOUR)
    assert not isinstance(signal, str)
    at = np.array([[f + 10.0, f + 120.0] for f in (0.0, 180.0, 360.0, 540.0)])
    speed = np.interp(at, signal.angle_deg, signal.mean, period=720.0)
    gained = speed[:, 1] ** 2 - speed[:, 0] ** 2
    assert int(np.argmin(gained)) == weak

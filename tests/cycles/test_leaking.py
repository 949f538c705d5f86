"""The speed of an engine with a leak, from its pulses alone and with nothing said of how it ran."""

from dataclasses import replace

import numpy as np
import pytest

from ringland.cycles import find_cycles
from ringland.engines import layout
from ringland.model import Condition
from ringland.simulator.faults import Fault
from ringland.simulator.hookup import HookUp, described, record
from ringland.simulator.hookup_random import random_path
from ringland.simulator.parameters import simulated_engine
from ringland.simulator.recorder import Recorder
from ringland.simulator.run import simulate


@pytest.mark.parametrize(
    ("layout_id", "cylinder"), [("I6-153624", 3), ("I5-12453", 2), ("V8-90-18436572", 4)]
)
def test_a_leak_is_not_taken_for_a_slower_engine(layout_id: str, cylinder: int) -> None:
    """Once a cycle a push in the crankcase, far above what the cylinders share there: the exhaust,
    in which all cylinders are heard alike, decides. Truth: the simulator's own speed."""
    spec = layout(layout_id).engine
    result = simulate(
        simulated_engine(spec), seconds=6.0, faults=(Fault("ring_leak", (cylinder,), 4.0),)
    )
    hookup = replace(HookUp(), trigger=None)
    recording = record(result, hookup, recorder=Recorder(rate_hz=10_000.0, snr_db=25.0))
    found = find_cycles(replace(recording, condition=Condition.UNKNOWN), described(spec, hookup))
    assert not isinstance(found, str)
    true = float(result.speed_rpm.mean())
    assert found.mean_speed_rpm.value == pytest.approx(true, rel=0.01)


@pytest.mark.parametrize("rate", [0.3, 0.67, 0.9])
def test_a_six_that_misfires_is_followed_beat_for_beat(rate: float) -> None:
    """At 1500 rpm the swing after a missed pulse outweighs the pulses, and half the time it looks
    as good half a firing interval off. Truth: the crank angle of the simulator."""
    spec = layout("I6-153624").engine
    result = simulate(
        simulated_engine(spec),
        condition="held",
        held_rpm=1500.0,
        seconds=8.0,
        faults=(Fault("misfire", (3,), rate),),
    )
    hookup = replace(HookUp(), trigger=None)
    recording = record(result, hookup, recorder=Recorder(rate_hz=10_000.0, snr_db=20.0))
    found = find_cycles(recording, described(spec, hookup))
    assert not isinstance(found, str)
    true = float(result.speed_rpm.mean())
    assert found.mean_speed_rpm.value == pytest.approx(true, rel=0.003)
    # the angle may be late by one delay, but by the same one all the time
    late_deg = found.angle_deg - np.interp(found.time_s, result.time_s, result.crank_angle_deg)
    inside = (found.time_s > 0.2) & (found.time_s < 7.8)
    assert np.ptp(late_deg[inside]) < 60.0  # half a firing interval: whose pulse it is


@pytest.mark.parametrize(
    ("layout_id", "cylinder", "rate", "seed"),
    [
        ("I6-153624", 6, 0.4, 4),
        ("I6-153624", 6, 0.4, 9),
        ("I3-132", 2, 0.5, 10),
        ("I3-132", 2, 0.5, 13),
    ],
)
def test_misfire_is_not_taken_for_a_slower_engine(
    layout_id: str, cylinder: int, rate: float, seed: int
) -> None:
    """Held at 1450 rpm and not said so: once a cycle something is wrong, and every low line fits a
    half, a third or a sixth of the speed too. Truth: the simulator's own speed."""
    spec = layout(layout_id).engine
    result = simulate(
        simulated_engine(spec),
        condition="held",
        held_rpm=1450.0,
        seconds=6.0,
        faults=(Fault("misfire", (cylinder,), rate),),
        seed=seed,
    )
    path = random_path(np.random.default_rng(seed), spec.cylinders)
    hookup = replace(HookUp(), trigger=None, paths=(path,))
    recording = record(result, hookup, recorder=Recorder(rate_hz=10_000.0, snr_db=20.0), seed=seed)
    found = find_cycles(replace(recording, condition=Condition.UNKNOWN), described(spec, hookup))
    assert not isinstance(found, str)
    true = float(result.speed_rpm.mean())
    assert found.mean_speed_rpm.value == pytest.approx(true, rel=0.01)

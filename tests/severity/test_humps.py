"""The size of a leak by the starter's current, against the simulator's truth."""

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from ringland.cylinders.starter import hump_sizes
from ringland.engines import layout
from ringland.model import Analysis, Cause, Condition, Diagnosis, Fuel, Geometry, RecordedEvidence
from ringland.pipeline import analyse, join_all, recorded_evidence
from ringland.severity import fit_severity
from ringland.severity.fit import severity_from_all, severity_steps
from ringland.severity.humps import HUMP_DISCREPANCY, hump_evidence, hump_reading
from ringland.severity.measured import why_not
from ringland.simulator.faults import Fault
from ringland.simulator.hookup import HookUp, described, record
from ringland.simulator.hookup_wired import Trigger
from ringland.simulator.parameters import simulated_engine, with_healthy_spread
from ringland.simulator.run import simulate

LEAK_MM2 = 4.0
CYLINDER = 3
ENGINE = replace(
    layout("I4-1342").engine,
    fuel=Fuel.PETROL,
    geometry=Geometry(bore_m=0.084, stroke_m=0.09, rod_m=0.145, compression_ratio=10.3),
)
HOOK_UP = HookUp(trigger=Trigger(cylinder=1), starter_clamp=True)
TOLD = described(ENGINE, HOOK_UP)


@cache
def analysed(condition: str) -> Analysis:
    """The leaking engine with a weak battery, which nobody told of."""
    usual = with_healthy_spread(simulated_engine(ENGINE), seed=6)
    weak = replace(usual.engine, starter_emf_v=11.9, starter_stall_a=500.0)
    result = simulate(
        replace(usual, engine=weak),
        condition=condition,
        seconds=6.0,
        faults=(Fault("exhaust_valve_leak", (CYLINDER,), LEAK_MM2),),
        seed=7,
    )
    made = record(result, HOOK_UP, seed=8).with_condition(Condition(condition))
    return analyse(replace(made, source=replace(made.source, name=condition)), TOLD)


def cause_of(diagnosis: Diagnosis | None, mode: str = "exhaust_valve_leak") -> Cause:
    assert diagnosis is not None
    return next(c for c in diagnosis.causes if c.failure_mode == mode and c.cylinder == CYLINDER)


def test_the_simulated_humps_are_those_that_the_pipeline_finds() -> None:
    usual = with_healthy_spread(simulated_engine(ENGINE), seed=6)
    run = simulate(usual, condition="cranking", seconds=6.0, seed=7)
    sizes = hump_sizes(run.starter_current_a, run.crank_angle_deg, run.rate_hz, ENGINE)
    found = analyse(record(run, HOOK_UP, seed=8).with_condition(Condition.CRANKING), TOLD)
    assert found.cylinders is not None
    (ripple,) = found.cylinders.ripples
    strength = [e.value for e in ripple.segments[0].strength]
    assert sizes == pytest.approx(np.array(strength), abs=0.02)
    assert sizes.mean() == pytest.approx(1.0, abs=1e-9)


def test_a_leak_is_sized_from_cranking_alone() -> None:
    """Though nobody said that the battery is weak: the speed says so."""
    cranked = analysed("cranking")
    fit = fit_severity(cranked, cause_of(cranked.diagnosis))
    assert fit.method == "fitted" and fit.overlays == ()
    e = fit.estimate
    assert e.low is not None and e.high is not None and e.value is not None
    assert e.low < LEAK_MM2 < e.high
    assert e.value == pytest.approx(LEAK_MM2, rel=0.4)
    assert e.high / e.low < 3.0
    said = " ".join(fit.notes).replace("\u00a0", " ")
    assert re.search(r"lies \d+ % \(\d+ % to \d+ %\) below the others'", said), "with its interval"


def test_cranking_counts_beside_the_pulses_it_was_ranked_with() -> None:
    idle = analysed("idle")
    alone = fit_severity(idle, cause_of(idle.diagnosis)).estimate
    joined = join_all([idle, analysed("cranking")])
    fit = fit_severity(joined, cause_of(joined.diagnosis))
    both = fit.estimate
    assert fit.overlays, "the curves are those of the pulses"
    assert alone.low is not None and alone.high is not None
    assert both.low is not None and both.high is not None
    assert both.low < LEAK_MM2 < both.high
    assert both.high / both.low < 0.8 * alone.high / alone.low
    burn = fit_severity(joined, replace(cause_of(joined.diagnosis), failure_mode="lean_cylinder"))
    assert "starter" not in " ".join(burn.notes), "no leak: compression says nothing of its size"


def test_a_hump_is_taken_only_from_the_right_cylinder() -> None:
    cranked = analysed("cranking")
    evidence = recorded_evidence(cranked)
    assert isinstance(evidence, RecordedEvidence)
    at = ENGINE.firing_order.index(CYLINDER) + 1
    own, other = hump_reading(cranked, None, at), hump_reading(evidence, CYLINDER, at)
    assert own == other and own is not None and own.deviation < -0.3
    assert hump_reading(evidence, None, at) is None, "positions of another recording"
    assert hump_reading(replace(evidence, numbers=None), CYLINDER, at) is None
    assert hump_reading(replace(evidence, condition=Condition.IDLE), CYLINDER, at) is None
    assert hump_reading(analysed("idle"), None, at) is None
    said_idle = cranked.recording.with_condition(Condition.IDLE)
    assert hump_reading(replace(cranked, recording=said_idle), None, at) is None, "a start"
    nothing_said = replace(cranked, recording=cranked.recording.with_condition(Condition.UNKNOWN))
    assert "cranking" in (why_not(nothing_said) or ""), "by its speed"


def test_work_is_told_and_can_be_stopped() -> None:
    cranked = analysed("cranking")
    reading = hump_reading(cranked, None, ENGINE.firing_order.index(CYLINDER) + 1)
    assert reading is not None
    told: list[float] = []

    def stop(done: float) -> None:
        told.append(done)
        if done > 0.3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        hump_evidence(TOLD, "exhaust_valve_leak", CYLINDER, reading, progress=stop)
    assert told == sorted(told) and len(told) > 3


def test_two_that_agree_say_more_than_one() -> None:
    """Two normal densities in log s multiply to one of half the variance."""
    steps = np.log(severity_steps("ring_leak"))
    one = -0.5 * ((steps - np.log(3.0)) / 0.5) ** 2
    alone = severity_from_all("ring_leak", [(one, 0.0)])
    both = severity_from_all("ring_leak", [(one, 0.0), (one, 0.0)])

    def width(e: object) -> float:
        return float(np.log(e.high / e.low))  # type: ignore[attr-defined]

    assert width(both) == pytest.approx(width(alone) / np.sqrt(2.0), rel=0.05)
    assert both.value == pytest.approx(3.0, rel=0.03)


def test_the_displacement_is_worth_saying() -> None:
    """Of a 1.0 L engine taken for the usual 2 L one the same hole looks twice as large."""
    small = replace(
        ENGINE,
        geometry=Geometry(bore_m=0.068, stroke_m=0.0715, rod_m=0.12, compression_ratio=10.0),
    )
    run = simulate(
        with_healthy_spread(simulated_engine(small), seed=6),
        condition="cranking",
        seconds=6.0,
        faults=(Fault("exhaust_valve_leak", (CYLINDER,), 2.5),),
        seed=7,
    )
    made = record(run, HOOK_UP, seed=8).with_condition(Condition.CRANKING)
    untold = replace(described(small, HOOK_UP), geometry=None)
    position = ENGINE.firing_order.index(CYLINDER) + 1
    found = {}
    for litres in (None, 1.0):
        told = replace(untold, displacement_m3=None if litres is None else litres * 1e-3)
        reading = hump_reading(analyse(made, told), None, position)
        assert reading is not None
        evidence = hump_evidence(told, "exhaust_valve_leak", CYLINDER, reading)
        found[litres] = severity_from_all("exhaust_valve_leak", [(evidence, HUMP_DISCREPANCY)])
    nothing, said = found[None], found[1.0]
    assert nothing.value is not None and nothing.low is not None and nothing.high is not None
    assert said.value is not None and said.low is not None and said.high is not None
    assert nothing.value > 3.5 and nothing.low < 2.5 < nothing.high
    assert said.value == pytest.approx(2.5, rel=0.25)
    assert said.high / said.low < 0.6 * nothing.high / nothing.low

"""A recording of the starter turning the engine: its compressions count, its pulses do not.

Truth: the simulator. That a leaking cylinder slows the starter less, and that one without a spark
does not, is common practice (no source); limits as in IPCOM000073361 (1970), 20 % below the mean.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from ringland.cylinders.cranked import NOT_RUNNING, turned_by_starter
from ringland.diagnosis import diagnose
from ringland.engines import layout
from ringland.model import (
    Analysis,
    ChannelRole,
    Condition,
    Estimate,
    GivenAnswer,
    State,
    Symptom,
    SymptomTable,
    ToothWheel,
)
from ringland.pipeline import against_sound, analyse, join_all, recorded_evidence
from ringland.reference.evidence import case_evidence
from ringland.simulator.faults import Fault
from ringland.simulator.hookup import HookUp, described, record
from ringland.simulator.hookup_wired import Trigger
from ringland.simulator.parameters import simulated_engine, with_healthy_spread
from ringland.simulator.run import simulate

LEAK = Fault("exhaust_valve_leak", (3,), 3.0)
"""3 mm2 in cylinder 3."""
MISSES = Fault("misfire", (3,), 0.4)
STARTER = "starter_relative_compression"


@cache
def analysed(condition: str, fault: Fault | None = None, clamp: bool = True) -> Analysis:
    """A six with a trigger, its cylinders as unequal as usual."""
    engine = with_healthy_spread(simulated_engine(layout("I6-153624").engine), seed=3)
    hookup = HookUp(trigger=Trigger(cylinder=1), starter_clamp=clamp)
    result = simulate(
        engine, condition=condition, seconds=5.0, faults=() if fault is None else (fault,), seed=11
    )
    return analyse(record(result, hookup, seed=12), described(engine.spec, hookup))


def present(analysis: Analysis, mode: str, cylinder: int) -> float:
    assert analysis.diagnosis is not None
    return next(
        c.present or 0.0
        for c in analysis.diagnosis.causes
        if (c.failure_mode, c.cylinder) == (mode, cylinder)
    )


def test_a_leak_shows_in_its_compression_and_nothing_else_is_judged() -> None:
    found = analysed("cranking", LEAK)
    assert found.symptoms is not None and found.diagnosis is not None
    states = {s.firing_position: s.state for s in found.symptoms.symptoms if s.metric == STARTER}
    assert {p for p, s in states.items() if s is State.ALARM} == {3}, "1-5-3-6-2-4"
    others = [s for s in found.symptoms.symptoms if s.metric != STARTER]
    assert others and {s.state for s in others} == {State.NOT_JUDGED}
    assert NOT_RUNNING in {s.reason for s in others}
    assert found.diagnosis.cases is None, "no simulated case is turned by its starter"
    assert "compressions are judged" in " ".join(found.notes)


def test_compressions_of_a_sound_engine_are_alike() -> None:
    found = analysed("cranking")
    assert found.symptoms is not None and found.diagnosis is not None
    assert all(s.state in (State.NORMAL, State.NOT_JUDGED) for s in found.symptoms.symptoms)
    assert found.diagnosis.healthy > 0.7


def test_without_clamp_or_wheel_nothing_is_judged_and_what_to_do_is_said() -> None:
    found = analysed("cranking", LEAK, clamp=False)
    assert found.diagnosis is None and found.symptoms is None
    assert found.not_judged is not None and "clamp on the battery cable" in found.not_judged


def test_cranking_settles_what_running_leaves_open() -> None:
    """A low hump speaks for the leak; an even row takes nothing from a missing spark."""
    leaks, misses = analysed("idle", LEAK), analysed("idle", MISSES)
    with_crank = join_all([leaks, analysed("cranking", LEAK)])
    assert present(with_crank, "exhaust_valve_leak", 3) > present(leaks, "exhaust_valve_leak", 3)
    assert with_crank.diagnosis is not None and with_crank.diagnosis.healthy < 0.02
    together = join_all([misses, analysed("cranking", MISSES)])
    before, after = (present(a, "ignition_misfire", 3) for a in (misses, together))
    assert after > before > 0.5
    assert present(together, "exhaust_valve_leak", 3) <= present(misses, "exhaust_valve_leak", 3)
    assert with_crank.diagnosis.outlook is not None and leaks.diagnosis is not None
    asked = {t.test for t in with_crank.diagnosis.outlook.tests}
    assert "relative_compression" not in asked, "it was recorded"
    assert leaks.diagnosis.outlook is not None
    assert "relative_compression" in {t.test for t in leaks.diagnosis.outlook.tests}
    evidence = recorded_evidence(analysed("cranking", LEAK))
    assert not isinstance(evidence, str) and evidence.condition is Condition.CRANKING
    assert [r.value for r in evidence.roles] == ["starter_current"]


def test_a_start_counts_the_humps_beside_the_simulated_cases() -> None:
    """What the network was not taught does not reach it, and is not lost for that."""
    idle = analysed("idle")
    assert idle.diagnosis is not None and idle.metrics is not None and idle.symptoms is not None
    assert idle.cylinders is not None and idle.cycles is not None
    hump = Symptom(
        STARTER, 3, State.ALARM, Estimate.from_se(-0.5, 0.02, "1"), 0.2, 0.35, 1e-6,
        "own cylinders", "",
    )  # fmt: skip
    with_hump = SymptomTable((*idle.symptoms.symptoms, hump), 0.01, 0.05)

    def leak(symptoms: SymptomTable) -> float:
        d = diagnose(
            symptoms, idle.metrics, idle.cylinders, idle.engine,
            likelihoods=idle.diagnosis.cases if idle.diagnosis else None,
        )  # fmt: skip
        return max(
            c.present or 0.0
            for c in d.causes
            if c.failure_mode == "exhaust_valve_leak" and c.cylinder == 3
        )

    assert leak(with_hump) > 20 * leak(idle.symptoms)
    cranking = analysed("cranking", LEAK)
    assert cranking.metrics is not None
    humps = [v for v in cranking.metrics.values if v.metric == STARTER]
    both = replace(idle.metrics, values=(*idle.metrics.values, *humps))
    given = (idle.cylinders, idle.cycles, idle.engine)
    without, beside = (case_evidence(m, *given) for m in (idle.metrics, both))
    assert without is not None and beside is not None
    assert without.log_ratio == beside.log_ratio


def test_it_is_not_held_against_when_it_was_sound() -> None:
    found = against_sound(analysed("cranking", LEAK), [analysed("cranking")])
    assert found.diagnosis is not None
    assert NOT_RUNNING in found.diagnosis.notes[-1]


@pytest.mark.parametrize(("condition", "rpm", "cranked"), [
    (Condition.CRANKING, 240.0, True), (Condition.UNKNOWN, 240.0, True),
    (Condition.UNKNOWN, 620.0, False), (Condition.IDLE, 380.0, False),
])  # fmt: skip
def test_what_was_said_comes_before_the_speed(
    condition: Condition, rpm: float, cranked: bool
) -> None:
    cycles = analysed("idle").cycles
    assert cycles is not None
    slower = replace(cycles, speed_rpm=np.full(len(cycles.speed_rpm), rpm))
    assert turned_by_starter(condition, slower) is cranked


@pytest.mark.parametrize("name", ["V6-60-common-pin", "V6-90-odd-fire", "V10-90-1-10-9-4"])
def test_humps_of_an_uneven_engine_are_held_against_their_like(name: str) -> None:
    """Strokes 60 degrees apart overlap: every second hump of a sound engine is half as large."""
    spec = layout(name).engine
    engine = with_healthy_spread(simulated_engine(spec), seed=3)
    hookup = HookUp(trigger=Trigger(cylinder=spec.firing_order[0]), starter_clamp=True)
    for fault in ((), (LEAK,)):
        run = simulate(engine, condition="cranking", seconds=6.0, faults=fault, seed=4)
        made = record(run, hookup, seed=5).with_condition(Condition.CRANKING)
        found = analyse(made, described(spec, hookup))
        assert found.symptoms is not None and found.diagnosis is not None
        humps = {
            spec.firing_order[s.firing_position - 1]: s
            for s in found.symptoms.symptoms
            if s.metric == STARTER and s.firing_position
        }
        if not fault:
            assert {s.state for s in humps.values()} == {State.NORMAL}
            assert found.diagnosis.healthy > 0.7
            continue
        assert min(humps, key=lambda c: humps[c].deviation.value or 0.0) == 3
        if name != "V6-60-common-pin":  # where 60 degrees apart overlap, too little is certain
            assert {c for c, s in humps.items() if s.state is not State.NORMAL} == {3}
            assert found.diagnosis.healthy < 0.66, "by itself a sound one has 0.74"


def test_what_was_recorded_is_not_counted_again_as_an_answer() -> None:
    idle, cranking = analysed("idle", LEAK), analysed("cranking", LEAK)
    low = GivenAnswer("relative_compression", "low_here", cylinder=3)
    without, beside = join_all([idle, cranking]), join_all([idle, cranking], answers=[low])
    assert without.diagnosis is not None and beside.diagnosis is not None
    assert beside.diagnosis.healthy == pytest.approx(without.diagnosis.healthy, rel=1e-9)
    assert "not counted" in " ".join(beside.diagnosis.notes)
    earlier = join_all([idle], earlier=[cranking], answers=[low])
    assert earlier.diagnosis is not None
    assert "not counted" not in " ".join(earlier.diagnosis.notes), "what is asked is how it is now"


def test_a_clamp_that_shows_no_humps_shows_no_compressions() -> None:
    made = analysed("cranking").recording
    rng = np.random.default_rng(5)
    flat = tuple(
        replace(c, samples=150.0 + rng.standard_normal(len(c.samples)))
        if c.role is ChannelRole.STARTER_CURRENT
        else c
        for c in made.channels
    )
    found = analyse(replace(made, channels=flat), analysed("cranking").engine)
    assert found.diagnosis is None and found.not_judged is not None
    assert "nothing recorded shows its compressions" in found.not_judged


def test_an_engine_as_slow_as_a_starter_may_be_said_to_run() -> None:
    made = analysed("cranking", LEAK, clamp=False).recording.with_condition(Condition.UNKNOWN)
    found = analyse(made, analysed("cranking").engine)
    assert found.not_judged is not None and "if it was running, say so" in found.not_judged


def test_the_tooth_wheel_shows_compressions_too() -> None:
    hookup = HookUp(trigger=Trigger(cylinder=1), wheel=ToothWheel("60-2", 60, (58, 59)))
    engine = with_healthy_spread(simulated_engine(layout("I6-153624").engine), seed=3)
    run = simulate(engine, condition="cranking", seconds=6.0, faults=(LEAK,), seed=11)
    made = record(run, hookup, seed=12).with_condition(Condition.CRANKING)
    found = analyse(made, described(engine.spec, hookup))
    assert found.symptoms is not None
    wheel = {
        s.firing_position: s.deviation.value or 0.0
        for s in found.symptoms.symptoms
        if s.metric == "relative_compression"
    }
    assert min(wheel, key=lambda p: wheel[p]) == 3, "1-5-3-6-2-4"
    evidence = recorded_evidence(found)
    assert not isinstance(evidence, str) and ChannelRole.CRANK_TOOTH in evidence.roles

"""What the crank's speed says: symmetry, what two witnesses say together, simulated truth."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from ringland.cycles import find_cycles
from ringland.cylinders import measure_cylinders
from ringland.engines import layout
from ringland.model import Analysis, Condition, CylinderSet, EngineSpec, Fuel, Recording
from ringland.pipeline import against_sound, analyse
from ringland.reference.crank import crank_features, load_crank_network
from ringland.reference.said import CRANK, Said, together
from ringland.simulator.faults import Fault
from ringland.simulator.hookup import HookUp, described, record
from ringland.simulator.hookup_wired import WHEELS, Trigger
from ringland.simulator.parameters import simulated_engine, with_healthy_spread
from ringland.simulator.run import simulate
from ringland.simulator.sensors import PulseSensor

SIX = replace(layout("I6-153624").engine, fuel=Fuel.PETROL, exhaust_path_m=3.0)
HOOK_UP = HookUp(
    trigger=Trigger(cylinder=1), wheel=WHEELS["60-2"], wheel_offset_deg=77.0, wheel_as_edges=True
)
TOLD = described(SIX, HOOK_UP)


@cache
def recorded(
    faults: tuple[Fault, ...] = (), held_rpm: float | None = None, seed: int = 3
) -> Recording:
    result = simulate(
        with_healthy_spread(simulated_engine(SIX), seed=seed),
        condition="idle" if held_rpm is None else "held",
        held_rpm=held_rpm,
        seconds=6.0,
        faults=faults,
        seed=seed,
    )
    return record(result, HOOK_UP, seed=seed).with_condition(
        Condition.IDLE if held_rpm is None else Condition.HELD
    )


@cache
def analysed(faults: tuple[Fault, ...] = (), held_rpm: float | None = None) -> Analysis:
    return analyse(recorded(faults, held_rpm), TOLD)


def without_wheel(recording: Recording) -> Recording:
    return replace(recording, edges=tuple(e for e in recording.edges if e.role != "crank_tooth"))


def in_cylinder(analysis: Analysis, cylinder: int) -> float:
    assert analysis.diagnosis is not None
    return sum(c.probability for c in analysis.diagnosis.causes if c.cylinder == cylinder)


def measured(recording: Recording, engine: EngineSpec) -> CylinderSet:
    cycles = find_cycles(recording, engine)
    assert not isinstance(cycles, str)
    return measure_cylinders(recording, engine, cycles)


def test_own_parts_sum_to_nothing() -> None:
    rows = crank_features(measured(recorded(), TOLD), TOLD, speed_rpm=700.0)
    assert rows is not None and rows.shape[0] == 6
    own = 0.05 * np.sinh(rows[:, :60])
    assert np.allclose(own.sum(axis=0), 0.0, atol=1e-9)


def test_a_recording_held_against_itself_shows_no_change() -> None:
    seen = measured(recorded((Fault("weak_burn", (3,), 0.4),)), TOLD)
    rows = crank_features(seen, TOLD, speed_rpm=700.0, sound=seen)
    assert rows is not None
    assert np.allclose(rows[:, :60], 0.0, atol=1e-12)


def test_nothing_is_said_without_a_wheel_or_of_other_engines() -> None:
    plain = measured(without_wheel(recorded()), TOLD)
    assert crank_features(plain, TOLD, speed_rpm=700.0) is None
    seen = measured(recorded(), TOLD)
    assert crank_features(seen, TOLD, speed_rpm=700.0, sound=plain) is None
    assert crank_features(seen, replace(TOLD, strokes=2), speed_rpm=700.0) is None


def said(channels: tuple[str, ...], value: float, error: float) -> Said:
    ratios = np.full((2, 3), value)
    left = {c: ratios / 2.0 for c in channels} if len(channels) > 1 else {}
    return Said(
        channels, ratios, np.stack([ratios] * 4), np.full((2, 3), value), np.full(3, error),
        np.zeros(2, np.bool_), left,
    )  # fmt: skip


def test_ratios_of_independent_witnesses_add() -> None:
    """Bayes' rule for conditionally independent evidence: log-likelihood ratios are added."""
    pulses, crank = said(("exhaust", "crankcase"), 2.0, 0.2), said((CRANK,), 3.0, 0.1)
    both = together(pulses, crank)
    assert both is not None
    assert np.all(both.ratios == 5.0)
    assert np.all(both.without[CRANK] == 2.0)
    assert np.all(both.without["exhaust"] == 4.0)
    assert np.all(both.steps == 3.0) and np.all(both.step_error == 0.1)
    assert together(None, crank) is crank and together(pulses, None) is pulses
    one = together(said(("exhaust",), 2.0, 0.2), crank)
    assert one is not None and np.all(one.without["exhaust"] == 3.0)


@pytest.mark.parametrize(("kind", "severity"), [("weak_burn", 0.3), ("inlet_valve_leak", 2.5)])
@pytest.mark.parametrize("held_rpm", [None, 1500.0])
def test_the_wheel_tells_the_cylinder(kind: str, severity: float, held_rpm: float | None) -> None:
    faults = (Fault(kind, (5,), severity),)
    plain = analyse(without_wheel(recorded(faults, held_rpm)), TOLD)
    wheel = analysed(faults, held_rpm)
    assert wheel.diagnosis is not None and wheel.diagnosis.causes[0].cylinder == 5
    assert in_cylinder(wheel, 5) > max(0.5, in_cylinder(plain, 5))
    assert wheel.diagnosis.resembles_nothing is None
    leading = wheel.diagnosis.causes[0]
    moved = [w for w in leading.speaks_for if w.evidence == "simulated_crank"]
    assert moved and moved[0].bits > 1.0
    assert moved[0].sentence.startswith("The crank's speed, held against simulated engines")


@pytest.mark.parametrize("held_rpm", [None, 1500.0])
def test_a_sound_engine_stays_sound(held_rpm: float | None) -> None:
    found = analysed((), held_rpm).diagnosis
    assert found is not None and found.healthy > 0.6


def test_the_wheel_alone_is_enough_for_a_weak_burn() -> None:
    recording = recorded((Fault("weak_burn", (5,), 0.3),))
    alone = tuple(c for c in recording.channels if c.role == "ignition")
    found = analyse(replace(recording, channels=alone), TOLD)
    assert found.diagnosis is not None and found.diagnosis.causes[0].cylinder == 5
    assert in_cylinder(found, 5) > found.diagnosis.healthy
    assert found.diagnosis.cases is not None and found.diagnosis.cases.by_crank_alone
    said = [w.sentence for w in found.diagnosis.causes[0].speaks_for]
    assert said[0].startswith("The crank's speed, held against simulated engines")
    assert found.symptoms is not None
    assert not any("its pulses" in s.sentence for s in found.symptoms.symptoms)


def test_against_the_same_engine_while_it_was_sound() -> None:
    faults = (Fault("weak_burn", (5,), 0.25),)
    then = replace(
        recorded(seed=3), source=replace(recorded(seed=3).source, name="then", sha256="0" * 64)
    )
    alone = analysed(faults)
    held = against_sound(alone, [analyse(then, TOLD)])
    assert in_cylinder(held, 5) > in_cylinder(alone, 5)
    # a recording of then without teeth, or without pulses, brings something too
    for lacking in (
        without_wheel(then),
        replace(then, channels=tuple(c for c in then.channels if c.role == "ignition")),
    ):
        partly = against_sound(alone, [analyse(lacking, TOLD)])
        assert partly.diagnosis is not None and partly.diagnosis.cases is not None
        assert partly.diagnosis.cases.against == "then"
        assert in_cylinder(partly, 5) > 0.5


def test_at_speed_the_wheel_alone_is_not_told_to_record_the_wheel() -> None:
    recording = recorded((), 1500.0)
    alone = tuple(c for c in recording.channels if c.role == "ignition")
    found = analyse(replace(recording, channels=alone), TOLD).diagnosis
    assert found is not None
    assert not any("tooth wheel" in note for note in found.notes)
    assert found.outlook is not None
    assert all(t.test != "crank_speed" for t in found.outlook.tests)


def test_a_cylinder_that_is_switched_off_is_not_held_against_cases_of_the_crank() -> None:
    told = replace(TOLD, inactive_cylinders=(2,))
    found = analyse(recorded(), told).diagnosis
    assert found is not None and found.cases is not None
    assert "crank" not in found.cases.channels


def test_what_the_intake_shows_is_not_lost_beside_the_wheel() -> None:
    """No exhaust and no crankcase: the tables speak of the intake, the cases of the crank."""
    hookup = replace(HOOK_UP, intake_sensor=PulseSensor(sensitivity=1e-3))
    result = simulate(
        with_healthy_spread(simulated_engine(SIX), seed=3),
        condition="idle",
        seconds=6.0,
        faults=(Fault("inlet_valve_leak", (4,), 8.0),),
        seed=3,
    )
    made = record(result, hookup, seed=3).with_condition(Condition.IDLE)
    kept = tuple(c for c in made.channels if c.role in ("ignition", "intake"))
    found = analyse(replace(made, channels=kept), TOLD).diagnosis
    assert found is not None and found.causes[0].cylinder == 4
    moved = {w.evidence.split(":")[0] for w in found.causes[0].speaks_for}
    assert "simulated_crank" in moved and "IV_DIP1" in moved


def test_the_network_that_comes_with_the_package() -> None:
    network = load_crank_network()
    assert network.cases > 10_000
    assert 0.5 < network.temperature < 2.0
    assert np.all(np.isfinite(network.limits))

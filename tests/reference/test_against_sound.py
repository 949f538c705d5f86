"""A recording held against one of the same engine while it was sound.

The mixture is the law of total probability over "it came since" and "it was there already", by
hand; what comes out of whole recordings is held against simulated truth.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from ringland.engines import layout
from ringland.model import Analysis, Channel, Condition, EngineSpec, Fuel, Recording, State
from ringland.pipeline import against_sound, analyse
from ringland.reference.changed import changed_examples
from ringland.reference.said import with_sound_recording
from ringland.simulator import another_day
from ringland.simulator.faults import Fault
from ringland.simulator.hookup import HookUp, described, record
from ringland.simulator.hookup_wired import Trigger
from ringland.simulator.parameters import simulated_engine, with_healthy_spread
from ringland.simulator.run import simulate

SIX = replace(
    layout("I6-153624").engine, fuel=Fuel.DIESEL, exhaust_path_m=3.0, idle_speed_rpm=700.0
)
HOOK_UP = HookUp(trigger=Trigger(cylinder=1))


@cache
def recorded(day: int, faults: tuple[Fault, ...] = (), held_rpm: float | None = None) -> Recording:
    """The same engine, its cylinders twice as unlike as usual, on another day."""
    usual = with_healthy_spread(simulated_engine(SIX), seed=4, scale=2.0)
    z = np.random.default_rng(day).standard_normal(another_day.DRAWS)
    result = simulate(
        another_day.engine_on_day(usual, z, seed=day),
        condition="idle" if held_rpm is None else "held",
        held_rpm=held_rpm,
        seconds=6.0,
        faults=faults,
        seed=day,
    )
    made = record(result, another_day.put_back(HOOK_UP, z), seed=day)
    named = replace(made.source, name=f"day-{day}", sha256=f"{day:064x}")
    return replace(made, source=named).with_condition(
        Condition.IDLE if held_rpm is None else Condition.HELD
    )


@cache
def analysed(day: int, faults: tuple[Fault, ...] = (), held_rpm: float | None = None) -> Analysis:
    return analyse(recorded(day, faults, held_rpm), described(SIX, HOOK_UP))


def faulty(analysis: Analysis) -> float:
    assert analysis.diagnosis is not None
    return 1.0 - analysis.diagnosis.healthy


@pytest.mark.parametrize(
    ("alone", "change", "expected"),
    [
        (0.0, 0.0, 0.0),
        (0.0, 30.0, 30.0 + np.log(0.9)),
        (30.0, -30.0, 30.0 + np.log(0.1)),
        (-np.inf, -np.inf, -np.inf),
    ],
)
def test_it_came_since_or_it_was_there_already(
    alone: float, change: float, expected: float
) -> None:
    found = with_sound_recording(np.array([alone]), np.array([change]))
    assert found[0] == pytest.approx(expected, abs=1e-9)


def test_a_diesel_that_does_not_fire_now_and_then_is_not_called_sound() -> None:
    """A dead or sticking injector leaves the pulse out in a diesel as a spark does in a petrol
    engine (common practice, no source)."""
    found = analysed(17, (Fault("misfire", (4,), 0.6),)).diagnosis
    assert found is not None
    assert found.healthy < 0.3
    assert (found.causes[0].failure_mode, found.causes[0].cylinder) == ("lean_cylinder", 4)


def test_a_leak_that_came_since_stands_out_and_is_in_its_cylinder() -> None:
    leak = (Fault("exhaust_valve_leak", (5,), 2.0),)
    now, sound = analysed(12, leak), analysed(11)
    held = against_sound(now, [sound])
    assert held.diagnosis is not None and held.diagnosis.cases is not None
    assert held.diagnosis.cases.against == "day-11"
    assert faulty(held) > faulty(now)
    assert held.diagnosis.causes[0].cylinder == 5
    assert any("day-11" in note for note in held.diagnosis.notes)


def test_a_sound_engine_stays_sound_however_unlike_its_cylinders() -> None:
    for day in (13, 14, 15):
        now = analysed(day)
        held = against_sound(now, [analysed(11)])
        assert faulty(held) < max(faulty(now), 0.25)
        assert held.symptoms is not None
        assert held.symptoms.state_of(1) is not State.ALARM


def test_what_was_there_already_still_counts_by_itself() -> None:
    """A recording that passes for sound and is not: a misfire in both is not hidden."""
    misfire = (Fault("misfire", (4,), 0.6),)
    held = against_sound(analysed(17, misfire), [analysed(16, misfire)])
    assert held.diagnosis is not None
    assert held.diagnosis.causes[0].cylinder == 4
    assert faulty(held) > 0.3
    assert any("Do not take the engine for sound" in note for note in held.diagnosis.notes)
    assert any("yet is in alarm by itself" in note for note in held.diagnosis.notes)


def test_the_first_that_was_made_the_same_way_is_taken() -> None:
    held = against_sound(analysed(13), [analysed(18, (), 1500.0), analysed(11)])
    assert held.diagnosis is not None and held.diagnosis.cases is not None
    assert held.diagnosis.cases.against == "day-11"


def unlike_speed() -> tuple[Analysis, list[Analysis]]:
    return analysed(13), [analysed(18, (), 1500.0)]


def itself() -> tuple[Analysis, list[Analysis]]:
    return analysed(13), [analysed(13)]


def no_trigger() -> tuple[Analysis, list[Analysis]]:
    blind = replace(recorded(14), channels=_pulses(recorded(14)), edges=())
    return analyse(blind, _plain(described(SIX, HOOK_UP))), [analysed(11)]


def _pulses(recording: Recording) -> tuple[Channel, ...]:
    return tuple(c for c in recording.channels if c.role.value in ("exhaust", "crankcase"))


def _plain(engine: EngineSpec) -> EngineSpec:
    return replace(
        engine, trigger_cylinder=None, trigger_advance_deg=None, trigger_pulses_per_cycle=None
    )


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (unlike_speed, "run differently"),
        (itself, "the same recording"),
        (no_trigger, "Clip on the trigger in both recordings"),
    ],
)
def test_what_cannot_be_used_is_said_and_changes_nothing(
    given: Callable[[], tuple[Analysis, list[Analysis]]], said: str
) -> None:
    now, sound = given()
    held = against_sound(now, sound)
    assert held.diagnosis is not None and now.diagnosis is not None
    assert held.diagnosis.causes == now.diagnosis.causes
    assert any(said in note for note in held.diagnosis.notes), held.diagnosis.notes


def test_nothing_given_changes_nothing() -> None:
    assert against_sound(analysed(13), []) is analysed(13)


def test_a_case_recorded_twice_has_one_truth() -> None:
    pairs = changed_examples(900_001, hook_ups=2)
    assert pairs
    for pair in pairs:
        assert pair.alone.faults == pair.against_sound.faults
        assert pair.alone.values.shape == pair.against_sound.values.shape
        assert not np.array_equal(pair.alone.values, pair.against_sound.values)

"""The best source wins, what is open is said, and nothing is lost between found and kept."""

from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ringland.cycles import find_cycles
from ringland.engines import layout
from ringland.model import (
    ChannelRole,
    Condition,
    CycleSet,
    EdgeTrain,
    EngineSpec,
    PhaseSource,
    Recording,
    Reference,
)

FOUR = layout("I4-1342").engine
RPM = 800.0


def train(trains: ModuleType, seed: int = 1) -> Recording:
    made = trains.make_train(
        np.random.default_rng(seed), FOUR, speed_rpm=RPM, seconds=6.0, snr_db=25.0, wander=0.0
    )
    recording = made.recording
    assert isinstance(recording, Recording)
    return recording


def sparks(period_s: float, first_s: float = 0.05, stop_s: float = 6.0) -> EdgeTrain:
    """One short pulse per period."""
    at = np.arange(first_s, stop_s - 0.01, period_s)
    edges = np.sort(np.concatenate([at, at + 0.002]))
    levels = np.tile([1, 0], len(at))
    return EdgeTrain("spark", ChannelRole.IGNITION, edges, levels, 0.0, stop_s)


def found(recording: Recording, engine: EngineSpec = FOUR) -> CycleSet:
    cycles = find_cycles(recording, engine)
    assert isinstance(cycles, CycleSet), cycles
    return cycles


def test_without_trigger_only_differences_of_angle_are_known(trains: ModuleType) -> None:
    cycles = found(train(trains))
    assert cycles.phase_source is PhaseSource.PULSES
    assert cycles.reference is Reference.ARBITRARY
    assert any("arbitrary start" in note for note in cycles.notes)


def test_a_trigger_goes_before_pulses_and_sets_the_zero(trains: ModuleType) -> None:
    """A spark 10 deg before firing top dead centre, once per 150 ms cycle."""
    engine = replace(FOUR, trigger_cylinder=1, trigger_advance_deg=10.0, trigger_pulses_per_cycle=1)
    cycles = found(replace(train(trains), edges=(sparks(0.15),)), engine)
    assert cycles.phase_source is PhaseSource.TRIGGER
    assert cycles.reference is Reference.CYLINDER
    assert cycles.mean_speed_rpm.value == pytest.approx(RPM, rel=1e-4)
    fired = np.asarray(0.05 + 0.15 * np.arange(1, 30), dtype=np.float64)
    at = cycles.angle_at(fired)
    np.testing.assert_allclose((at + 360.0) % 720.0 - 360.0, -10.0, atol=0.5)


def test_a_trigger_without_a_cylinder_says_what_was_assumed(trains: ModuleType) -> None:
    cycles = found(replace(train(trains), edges=(sparks(0.15),)).with_condition(Condition.IDLE))
    assert any("cylinder 1" in note for note in cycles.notes)


def test_a_dead_trigger_falls_back_on_pulses(trains: ModuleType) -> None:
    nothing = EdgeTrain("spark", ChannelRole.IGNITION, np.array([]), np.array([]), 0.0, 6.0)
    cycles = found(replace(train(trains), edges=(nothing,)))
    assert cycles.phase_source is PhaseSource.PULSES
    assert len(cycles.notes) > 1


def test_cycles_that_touch_a_bad_span_are_dropped_with_the_reason(trains: ModuleType) -> None:
    cycles = find_cycles(train(trains), FOUR, bad_spans_s=((2.0, 2.2),))
    assert isinstance(cycles, CycleSet)
    hit = [c for c in cycles.cycles if c.start_s < 2.2 and c.stop_s > 2.0]
    assert hit
    assert all(c.dropped for c in hit)
    assert all(c.kept for c in cycles.cycles if c not in hit)


@settings(derandomize=True, max_examples=8, deadline=None)
@given(start=st.floats(0.0, 5.0), length=st.floats(0.0, 3.0), seed=st.integers(0, 5))
def test_kept_and_dropped_are_found(
    trains: ModuleType, start: float, length: float, seed: int
) -> None:
    cycles = find_cycles(train(trains, seed), FOUR, bad_spans_s=((start, start + length),))
    assert isinstance(cycles, CycleSet)
    assert len(cycles.kept) + len(cycles.dropped) == cycles.found
    assert np.all(np.diff(cycles.time_s) > 0.0)
    assert np.all(np.diff(cycles.angle_deg) > 0.0)
    starts = cycles.angle_at(np.array([c.start_s for c in cycles.cycles]))
    np.testing.assert_allclose(starts / 720.0, np.round(starts / 720.0), atol=1e-6)

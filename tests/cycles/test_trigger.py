"""Ignition triggers: once per cycle, wasted spark, bounce, missing and stray edges."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from ringland.cycles.trigger import cycle_set_from_trigger, trigger_pulses
from ringland.model import (
    Channel,
    ChannelRole,
    Condition,
    CycleSet,
    EdgeTrain,
    EngineSpec,
    PhaseSource,
    Recording,
    Reference,
)

Floats = NDArray[np.float64]
PLAIN = EngineSpec("four", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0))
KNOWN = replace(PLAIN, trigger_cylinder=1, trigger_advance_deg=8.0)


def sparks(count: int = 40, period_s: float = 0.15, wander: float = 0.05) -> Floats:
    """Once per cycle near 800 rpm (0.15 s per cycle), the period wandering by 5 %."""
    period = period_s * (1.0 + wander * np.sin(np.arange(count) / 5.0))
    return 0.3 + np.cumsum(period)


def train(
    times: Floats,
    *,
    bounce: int = 0,
    missing: tuple[int, ...] = (),
    stray: tuple[float, ...] = (),
    jitter_s: float = 0.0,
) -> EdgeTrain:
    rng = np.random.default_rng(4)
    keep = np.delete(times, list(missing)) if missing else times
    keep = keep + jitter_s * rng.standard_normal(len(keep))
    rise = (keep[:, None] + 0.0015 * np.arange(bounce + 1)).ravel()
    rise = np.sort(np.concatenate((rise, np.array(stray))))
    time = np.concatenate((rise, rise + 0.0007))
    level = np.concatenate((np.ones(len(rise)), np.zeros(len(rise))))
    order = np.argsort(time, kind="stable")
    return EdgeTrain(
        "ign", ChannelRole.IGNITION, time[order], level[order].astype(int), 0.0, times[-1] + 0.2
    )


def cycles_of(
    edges: EdgeTrain,
    engine: EngineSpec = KNOWN,
    *,
    hint_hz: float | None = None,
    condition: Condition = Condition.UNKNOWN,
) -> CycleSet:
    recording = Recording((), (edges,), condition=condition)
    found = cycle_set_from_trigger(recording, engine, cycle_hz_hint=hint_hz)
    assert not isinstance(found, str), found
    return found


def off_deg(found: CycleSet, times: Floats, due_deg: float) -> Floats:
    angle = found.angle_at(times) - due_deg
    return np.asarray((angle + 360.0) % 720.0 - 360.0)


def test_spark_is_at_minus_its_advance() -> None:
    times = sparks()
    found = cycles_of(train(times))
    assert found.phase_source is PhaseSource.TRIGGER
    assert found.reference is Reference.CYLINDER
    assert np.max(np.abs(off_deg(found, times, -8.0))) < 1e-6
    assert found.mean_speed_rpm.value == pytest.approx(
        120.0 * 39 / (times[-1] - times[0]), rel=1e-3
    )
    assert len(found.kept) == found.found == 39


def test_trigger_on_another_cylinder() -> None:
    engine = replace(KNOWN, trigger_cylinder=4)
    times = sparks()
    assert np.max(np.abs(off_deg(cycles_of(train(times), engine), times, 352.0))) < 1e-6


def test_unknown_advance_is_guessed_and_said() -> None:
    found = cycles_of(train(sparks()), replace(KNOWN, trigger_advance_deg=None))
    assert found.angle_se_deg > 5.0
    assert "not described" in found.reference_reason


def test_unknown_cylinder_is_assumed_and_said() -> None:
    found = cycles_of(train(sparks()), PLAIN)
    assert found.reference is Reference.ARBITRARY
    assert any("assumed to be on cylinder 1" in note for note in found.notes)


@pytest.mark.parametrize("bounce", [1, 3, 8])
def test_bounce_is_left_out(bounce: int) -> None:
    times = sparks()
    found = cycles_of(train(times, bounce=bounce))
    assert np.max(np.abs(off_deg(found, times, -8.0))) < 1e-6
    assert any("bouncing" in note for note in found.notes)


def test_missing_edges_are_retimed() -> None:
    times = sparks()
    found = cycles_of(train(times, missing=(5, 6, 20)))
    assert found.found == 39
    assert np.max(np.abs(off_deg(found, times, -8.0))) < 2.0
    assert any("3 missing" in note for note in found.notes)


def test_stray_edges_are_left_out() -> None:
    times = sparks(wander=0.02)
    found = cycles_of(train(times, stray=(1.01, 3.37)))
    assert found.found == 39
    assert np.max(np.abs(off_deg(found, times, -8.0))) < 1e-6


def test_a_long_gap_drops_its_cycles_with_a_reason() -> None:
    times = sparks(wander=0.0)
    found = cycles_of(train(times, missing=tuple(range(15, 19))))
    assert found.found == 39
    assert len(found.kept) + len(found.dropped) == found.found
    assert found.dropped
    assert all("missing 4 times" in (use.dropped or "") for use in found.dropped)


def wasted(times: Floats, uneven: float = 0.0) -> Floats:
    return np.sort(np.concatenate((times, times[:-1] + 0.5 * np.diff(times) * (1.0 + uneven))))


def test_wasted_spark_from_another_channel() -> None:
    found = cycles_of(train(wasted(sparks())), hint_hz=1.0 / 0.15)
    assert found.reference is Reference.REVOLUTION
    assert found.mean_speed_rpm.value == pytest.approx(800.0, rel=0.02)


def test_wasted_spark_from_alternating_intervals() -> None:
    found = cycles_of(train(wasted(sparks(), 0.02)))
    assert found.reference is Reference.REVOLUTION
    assert found.mean_speed_rpm.value == pytest.approx(800.0, rel=0.02)


def test_wasted_spark_from_the_description_or_condition() -> None:
    described = replace(KNOWN, trigger_pulses_per_cycle=2)
    assert cycles_of(train(wasted(sparks())), described).reference is Reference.REVOLUTION
    cranking = cycles_of(train(wasted(sparks(period_s=0.48))), condition=Condition.CRANKING)
    assert cranking.reference is Reference.REVOLUTION
    assert cranking.mean_speed_rpm.value == pytest.approx(250.0, rel=0.02)


def test_one_pulse_per_cylinder() -> None:
    times = np.interp(np.arange(0, 39, 0.25), np.arange(40), sparks())
    found = cycles_of(train(times), hint_hz=1.0 / 0.15)
    assert found.reference is Reference.ARBITRARY
    assert found.mean_speed_rpm.value == pytest.approx(800.0, rel=0.02)


def test_analogue_coil_channel() -> None:
    times = sparks(20)
    rate = 20_000.0
    grid = np.arange(0.0, times[-1] + 0.2, 1.0 / rate)
    volts = np.random.default_rng(5).standard_normal(len(grid)) * 0.05
    for moment in times:
        after = np.clip(grid - moment, 0.0, 1.0)
        ring = np.exp(-after / 0.001) * np.cos(2 * np.pi * 2000 * after)
        volts += np.where(grid >= moment, 6.0 * ring, 0.0)
    coil = Channel("coil", ChannelRole.IGNITION, volts, rate, "V")
    found = cycle_set_from_trigger(Recording((coil,)), KNOWN)
    assert not isinstance(found, str), found
    assert np.max(np.abs(off_deg(found, times, -8.0))) < 0.5


def test_angle_is_monotone_through_a_run_up() -> None:
    period = np.linspace(0.46, 0.07, 40)  # 260 to 1700 rpm
    found = cycles_of(train(0.3 + np.cumsum(period)))
    assert np.all(np.diff(found.angle_deg) > 0)
    assert found.dropped == ()


@settings(max_examples=30, deadline=None)
@given(st.floats(-10.0, 1000.0))
def test_time_shift_moves_nothing_but_the_start(shift: float) -> None:
    edges = train(sparks(), bounce=2, missing=(7,))
    moved = replace(edges, time_s=edges.time_s + shift, start_s=shift, stop_s=edges.stop_s + shift)
    one, two = cycles_of(edges), cycles_of(moved)
    np.testing.assert_allclose(two.angle_deg, one.angle_deg, atol=1e-6)
    assert two.found == one.found


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0.0, 10.0), max_size=80), st.integers(0, 2**31))
def test_noise_never_raises(times: list[float], seed: int) -> None:
    level = np.random.default_rng(seed).integers(0, 2, len(times))
    edges = EdgeTrain("x", ChannelRole.IGNITION, np.sort(times), level, 0.0, 10.0)
    found = cycle_set_from_trigger(Recording((), (edges,)), PLAIN)
    if not isinstance(found, str):
        assert len(found.kept) + len(found.dropped) == found.found


def test_random_edges_are_rarely_a_trigger() -> None:
    rng = np.random.default_rng(6)
    taken = 0
    for _ in range(50):
        edges = train(np.sort(rng.uniform(0.0, 5.0, 60)))
        taken += not isinstance(trigger_pulses(edges), str)
    assert taken <= 15


def test_no_trigger_is_a_reason() -> None:
    assert cycle_set_from_trigger(Recording(()), PLAIN) == "no ignition trigger in the recording"

"""Tooth wheels: exact synthetic wheels, and real cranking and running recordings."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from ringland.cycles.teeth import cycle_set_from_teeth, find_teeth
from ringland.model import (
    ChannelRole,
    CycleSet,
    EdgeTrain,
    EngineSpec,
    PhaseSource,
    Recording,
    Reference,
)

Floats = NDArray[np.float64]

FOUR = EngineSpec("four", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0))
SIX = EngineSpec("six", 6, (1, 2, 3, 4, 5, 6), (0.0, 120.0, 240.0, 360.0, 480.0, 600.0))

# slots, missing slots, added teeth (in slots); names as the trade writes them
WHEELS: dict[str, tuple[int, tuple[int, ...], tuple[float, ...]]] = {
    "60-2": (60, (58, 59), ()),
    "36-1": (36, (35,), ()),
    "36-2": (36, (34, 35), ()),
    "36-2-1": (36, (17, 34, 35), ()),
    "36-2-2-2": (36, (16, 17, 31, 32, 34, 35), ()),
    "60-2-2": (60, (28, 29, 58, 59), ()),
    "12-1": (12, (11,), ()),
    "24-1": (24, (23,), ()),
    "12+1": (12, (), (11.4,)),
    "24": (24, (), ()),
}


class Turning:
    """Crank angle against time, exactly, from a speed given as a function of angle."""

    def __init__(
        self, *, turns: int, rpm: tuple[float, float], ripple: float, order: float, start: float
    ) -> None:
        step = 0.25
        self.angle = np.arange(start, start + 360.0 * turns, step)
        share = (self.angle - start) / (360.0 * turns)
        mean = rpm[0] + (rpm[1] - rpm[0]) * share
        speed = 6.0 * mean * (1.0 + ripple * np.cos(order * np.deg2rad(self.angle) + 0.7))
        slow = 1.0 / speed
        self.time = np.concatenate(([0.0], np.cumsum(0.5 * step * (slow[1:] + slow[:-1]))))

    def at(self, angle: Floats) -> Floats:
        return np.interp(angle, self.angle, self.time)


def turning(
    turns: int = 12,
    rpm: tuple[float, float] = (260.0, 260.0),
    ripple: float = 0.166,
    order: float = 2.0,
    start: float = 123.0,
) -> Turning:
    return Turning(turns=turns, rpm=rpm, ripple=ripple, order=order, start=start)


def train(edges: Floats, widths: Floats, role: ChannelRole, stop_s: float) -> EdgeTrain:
    time = np.concatenate((edges, widths))
    level = np.concatenate((np.ones(len(edges)), np.zeros(len(widths))))
    order = np.argsort(time, kind="stable")
    return EdgeTrain(role.value, role, time[order], level[order].astype(int), 0.0, stop_s)


def wheel(
    name: str,
    turn: Turning,
    *,
    jitter_deg: float = 0.0,
    lose: float = 0.0,
    add: float = 0.0,
    seed: int = 0,
) -> EdgeTrain:
    slots, missing, extra = WHEELS[name]
    rng = np.random.default_rng(seed)
    step = 360.0 / slots
    number = np.arange(np.ceil(turn.angle[0] / step), np.floor(turn.angle[-1] / step) - 1)
    rise = number[~np.isin(number % slots, missing)] * step
    for place in extra:
        turns = np.arange(turn.angle[0] // 360, turn.angle[-1] // 360 + 1)
        added = turns * 360.0 + place * step
        inside = (added > turn.angle[0]) & (added < turn.angle[-1] - step)
        rise = np.sort(np.concatenate((rise, added[inside])))
    rise = rise[rng.uniform(size=len(rise)) >= lose]
    width = 0.15 * step if extra else 0.5 * step
    slow = jitter_deg / (6.0 * 260.0)
    up = turn.at(rise) + slow * rng.standard_normal(len(rise))
    down = turn.at(rise + width) + slow * rng.standard_normal(len(rise))
    stray = rng.uniform(turn.time[0], turn.time[-1], int(add * len(rise)))
    up, down = np.concatenate((up, stray)), np.concatenate((down, stray + 1e-5))
    return train(up, down, ChannelRole.CRANK_TOOTH, float(turn.time[-1]))


def cam(turn: Turning, angles: tuple[float, ...] = (40.0,)) -> EdgeTrain:
    cycles = np.arange(turn.angle[0] // 720, turn.angle[-1] // 720 + 1)
    rise = np.sort((cycles[:, None] * 720.0 + np.array(angles)).ravel())
    rise = rise[(rise > turn.angle[0]) & (rise + 20.0 < turn.angle[-1])]
    return train(turn.at(rise), turn.at(rise + 20.0), ChannelRole.CAM, float(turn.time[-1]))


def cycles_of(*trains: EdgeTrain, engine: EngineSpec = FOUR, hint: float | None = None) -> CycleSet:
    found = cycle_set_from_teeth(Recording((), tuple(trains), speed_hint_rpm=hint), engine)
    assert not isinstance(found, str), found
    return found


def angle_error(found: CycleSet, turn: Turning, at: Floats) -> Floats:
    """Error at the given true angles in kept cycles, the arbitrary zero taken out."""
    time = turn.at(at)
    inside = np.zeros(len(time), dtype=bool)
    for use in found.kept:
        inside |= (time >= use.start_s) & (time < use.stop_s)
    error = found.angle_at(time[inside]) - at[inside]
    return np.asarray(error - np.median(error))


@pytest.mark.parametrize("name", [n for n in WHEELS if n != "24"])
@pytest.mark.parametrize("ramp", [(260.0, 260.0), (260.0, 1700.0)])
def test_pattern_is_found_while_the_speed_ripples(name: str, ramp: tuple[float, float]) -> None:
    turn = turning(turns=30 if ramp[1] > 300 else 10, rpm=ramp)
    found = cycles_of(wheel(name, turn))
    assert found.wheel is not None
    assert found.wheel.name == name
    slots, missing, _ = WHEELS[name]
    assert found.wheel.slots == slots
    assert len(found.wheel.missing) == len(missing)
    assert found.phase_source is PhaseSource.TOOTH_WHEEL
    assert found.reference is Reference.ARBITRARY
    assert found.dropped == ()
    every = np.arange(np.ceil(turn.angle[0] / 360.0), turn.angle[-1] // 360.0) * 360.0
    teeth = np.setdiff1d(np.arange(slots), missing) * 360.0 / slots
    rise = (every[:, None] + teeth).ravel()
    fall = rise + (0.15 if name == "12+1" else 0.5) * 360.0 / slots
    worst = [np.max(np.abs(angle_error(found, turn, edge))) for edge in (rise, fall)]
    assert min(worst) < 0.01  # exact at the edges of the polarity used


@pytest.mark.parametrize("name", ["60-2", "36-1", "36-2", "36-2-1", "36-2-2-2"])
def test_missing_tooth_positions_within_half_a_degree(name: str) -> None:
    """Even where the speed ripples by 16.6 % of its mean, as in a real cranking recording."""
    slots, missing, _ = WHEELS[name]
    turn = turning(turns=14)
    found = cycles_of(wheel(name, turn))
    every = np.arange(np.ceil(turn.angle[0] / 360.0), turn.angle[-1] // 360.0) * 360.0
    gaps = (every[:, None] + np.array(missing) * 360.0 / slots).ravel()
    present = (every[:, None] + np.setdiff1d(np.arange(slots), missing) * 360.0 / slots).ravel()
    both = np.concatenate((present, gaps))
    assert np.max(np.abs(angle_error(found, turn, both))) < 0.5


@pytest.mark.parametrize("name", ["60-2", "36-2", "36-2-1", "12-1", "12+1"])
@pytest.mark.parametrize("fault", [{"lose": 0.01}, {"add": 0.01}, {"jitter_deg": 0.2}])
def test_lost_and_stray_edges_and_jitter(name: str, fault: dict[str, float]) -> None:
    turn = turning(turns=24, ripple=0.12)
    found = cycles_of(
        wheel(
            name,
            turn,
            jitter_deg=fault.get("jitter_deg", 0.0),
            lose=fault.get("lose", 0.0),
            add=fault.get("add", 0.0),
            seed=5,
        )
    )
    assert found.wheel is not None
    assert found.wheel.name == name
    assert len(found.kept) + len(found.dropped) == found.found
    assert all(use.dropped for use in found.dropped)
    assert len(found.kept) >= found.found - 3
    error = angle_error(found, turn, np.arange(turn.angle[0], turn.angle[-1], 7.0))
    assert np.sqrt(np.mean(error**2)) < (0.5 if found.wheel.slots >= 36 else 2.0)


def test_a_plain_wheel_needs_a_cam_a_ripple_or_the_speed() -> None:
    smooth = turning(turns=12, rpm=(800.0, 805.0), ripple=0.0)
    alone = cycle_set_from_teeth(Recording((), (wheel("24", smooth),)), FOUR)
    assert isinstance(alone, str)
    assert "all alike" in alone
    for found in (
        cycles_of(wheel("24", smooth), cam(smooth)),
        cycles_of(wheel("24", smooth), hint=790.0),
        cycles_of(wheel("24", turning())),
    ):
        assert found.wheel is not None
        assert found.wheel.name == "24"
        assert found.wheel.missing == ()


def test_repeated_gaps_are_resolved_by_cam_or_ripple() -> None:
    """Three equal gaps per revolution look like a wheel of a third of the slots."""
    WHEELS["three gaps"] = (36, (10, 11, 22, 23, 34, 35), ())
    turn = turning(turns=10, ripple=0.10, order=3.0)
    edges = wheel("three gaps", turn)
    del WHEELS["three gaps"]
    for found in (cycles_of(edges, engine=SIX), cycles_of(edges, cam(turn), engine=SIX)):
        assert found.wheel is not None
        assert found.wheel.name == "36-2-2-2"
        assert found.mean_speed_rpm.value == pytest.approx(260.0 * np.sqrt(1 - 0.1**2), rel=2e-3)


def test_the_speed_given_resolves_repeated_gaps_or_contradicts_the_wheel() -> None:
    WHEELS["three gaps"] = (36, (10, 11, 22, 23, 34, 35), ())
    smooth = turning(rpm=(800.0, 800.0), ripple=0.0)
    edges = wheel("three gaps", smooth)
    del WHEELS["three gaps"]
    found = cycles_of(edges, hint=790.0)
    assert found.wheel is not None
    assert found.wheel.name == "36-2-2-2"
    recording = Recording((), (wheel("60-2", smooth),), speed_hint_rpm=3000.0)
    reason = cycle_set_from_teeth(recording, FOUR)
    assert isinstance(reason, str)
    assert "does not agree with the speed given" in reason


def test_cam_makes_cycles_start_on_the_same_revolution() -> None:
    """Wherever the recording starts, the same of the two revolutions begins the cycle."""
    starts = []
    for start in (100.0, 300.0, 500.0, 700.0):
        turn = turning(turns=12, start=start)
        found = cycles_of(wheel("60-2", turn), cam(turn))
        assert "(cam)" in found.reference_reason
        true = np.interp([u.start_s for u in found.kept], turn.time, turn.angle)
        starts.append(true % 720.0)
    every = np.concatenate(starts)
    assert np.ptp((every - every[0] + 360.0) % 720.0) < 0.1


def test_a_stop_splits_the_cycles_and_says_so() -> None:
    turn = turning(turns=8)
    first, second = wheel("36-1", turn), wheel("36-1", turning(turns=14, start=400.0))
    shift = float(turn.time[-1]) + 2.0
    edges = EdgeTrain(
        "crank",
        ChannelRole.CRANK_TOOTH,
        np.concatenate((first.time_s, second.time_s + shift)),
        np.concatenate((first.level_after, second.level_after)),
        0.0,
        shift + second.stop_s,
    )
    found = cycles_of(edges)
    reasons = {use.dropped for use in found.dropped}
    assert any(reason and "stopped" in reason for reason in reasons)
    assert len(found.kept) + len(found.dropped) == found.found
    assert np.all(np.diff(found.time_s) > 0)
    assert np.all(np.diff(found.angle_deg) > 0)
    assert all(260.0 * 0.95 < 120.0 / (u.stop_s - u.start_s) < 260.0 * 1.05 for u in found.kept)


@settings(max_examples=15, deadline=None)
@given(st.floats(-50.0, 5000.0))
def test_a_time_shift_moves_nothing_but_the_start(shift_s: float) -> None:
    edges = wheel("36-2", turning(turns=8))
    moved = replace(edges, time_s=edges.time_s + shift_s, start_s=shift_s)
    one, two = cycles_of(edges), cycles_of(moved)
    assert two.wheel == one.wheel
    assert two.found == one.found
    np.testing.assert_allclose(two.time_s - shift_s, one.time_s, atol=1e-9)
    np.testing.assert_allclose(two.angle_deg, one.angle_deg, atol=1e-6)


@settings(max_examples=15, deadline=None)
@given(st.floats(0.2, 5.0))
def test_a_time_scale_only_scales_the_speed(scale: float) -> None:
    edges = wheel("60-2", turning(turns=8, rpm=(600.0, 620.0)))
    slow = replace(edges, time_s=edges.time_s * scale, stop_s=edges.stop_s * scale)
    one, two = cycles_of(edges), cycles_of(slow)
    np.testing.assert_allclose(two.angle_deg, one.angle_deg, atol=1e-6)
    np.testing.assert_allclose(two.speed_rpm * scale, one.speed_rpm, rtol=1e-9)


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.floats(0.0, 10.0, allow_nan=False), max_size=200),
    st.integers(0, 2**31),
)
def test_noise_never_raises(times: list[float], seed: int) -> None:
    level = np.random.default_rng(seed).integers(0, 2, len(times))
    edges = EdgeTrain("x", ChannelRole.CRANK_TOOTH, np.sort(times), level, 0.0, 10.0)
    found = cycle_set_from_teeth(Recording((), (edges,)), FOUR)
    if not isinstance(found, str):
        assert len(found.kept) + len(found.dropped) == found.found


def test_no_tooth_channel_is_a_reason() -> None:
    assert cycle_set_from_teeth(Recording(()), FOUR) == "no crank tooth signal in the recording"


def test_random_edges_are_no_wheel() -> None:
    rng = np.random.default_rng(10)
    for _ in range(40):
        trains = []
        for role, count in ((ChannelRole.CRANK_TOOTH, 400), (ChannelRole.CAM, 40)):
            time = np.sort(rng.uniform(0.0, 3.0, count))
            trains.append(EdgeTrain(role.value, role, time, np.arange(count) % 2, 0.0, 3.0))
        assert isinstance(cycle_set_from_teeth(Recording((), tuple(trains)), FOUR), str)


# Real recordings: facts from SOURCES.md of the real recordings.


def real(folder: Path, name: str, *, with_cam: bool = True) -> Recording:
    """Edge list: time in seconds, then the state of each channel."""
    rows = []
    for line in (folder / "crank_edges" / name).read_text().splitlines():
        try:
            rows.append([float(field) for field in line.split(",")])
        except ValueError:
            continue
    table = np.array([row for row in rows if len(row) == max(len(r) for r in rows)])
    trains = []
    for column, role in ((1, ChannelRole.CRANK_TOOTH), (2, ChannelRole.CAM)):
        if column >= table.shape[1] or (role is ChannelRole.CAM and not with_cam):
            continue
        at = np.flatnonzero(np.diff(table[:, column])) + 1
        trains.append(
            EdgeTrain(
                role.value,
                role,
                table[at, 0],
                table[at, column].astype(int),
                float(table[0, 0]),
                float(table[-1, 0]),
            )
        )
    return Recording((), tuple(trains))


def cycle_rpm(found: CycleSet) -> Floats:
    return np.array([120.0 / (use.stop_s - use.start_s) for use in found.kept])


def revolution_rpm(found: CycleSet) -> Floats:
    turns = np.arange(np.ceil(found.angle_deg[0] / 360), found.angle_deg[-1] // 360 + 1) * 360.0
    return np.asarray(60.0 / np.diff(found.time_at(turns)))


@pytest.mark.parametrize("with_cam", [True, False])
def test_real_60_2_cranks_fires_and_runs_up(real_data: Path, with_cam: bool) -> None:
    recording = real(real_data, "nick_1.csv", with_cam=with_cam)
    found = cycle_set_from_teeth(recording, FOUR)
    assert not isinstance(found, str), found
    assert found.wheel is not None
    assert found.wheel.name == "60-2"
    assert [use.dropped for use in found.dropped] == ["the crank was still gaining speed from rest"]
    rpm = cycle_rpm(found)
    assert 259.0 * 0.995 < rpm[0] < 263.0 * 1.005
    assert 259.0 * 0.995 < rpm[1] < 263.0 * 1.005
    assert rpm[-1] == pytest.approx(1690.0, rel=0.005)
    teeth = find_teeth(recording.edges[0], FOUR)
    assert not isinstance(teeth, str)
    per_turn = np.concatenate([span.teeth_per_revolution for span in teeth.spans])
    assert np.count_nonzero(per_turn == 58) == 43


def test_real_60_2_teeth_sit_at_their_angles(real_data: Path) -> None:
    """The tooth after each gap, found independently by interval ratio, is at 0 (mod 360)."""
    recording = real(real_data, "nick_1.csv")
    found = cycle_set_from_teeth(recording, FOUR)
    assert not isinstance(found, str), found
    edges = recording.edges[0]
    fall = edges.time_s[(edges.level_after == 0) & (edges.time_s > 3.0)]  # turning, not rocking
    step = np.diff(fall)
    wide = np.flatnonzero((step[1:-1] > 2.2 * step[:-2]) & (step[1:-1] > 2.2 * step[2:])) + 1
    after = found.angle_at(fall[wide + 1])
    after = after[np.isfinite(after)]
    assert len(after) >= 41
    assert np.max(np.abs((after + 180.0) % 360.0 - 180.0)) < 0.5
    before = found.angle_at(fall[wide])
    before = before[np.isfinite(before)]
    assert np.max(np.abs((before - 342.0 + 180.0) % 360.0 - 180.0)) < 0.5


@pytest.mark.parametrize("with_cam", [True, False])
def test_real_v6_cranking(real_data: Path, with_cam: bool) -> None:
    recording = real(real_data, "nissan_vq40_cranking-1.csv", with_cam=with_cam)
    found = cycle_set_from_teeth(recording, SIX)
    assert not isinstance(found, str), found
    assert found.wheel is not None
    assert found.wheel.slots == 36
    rpm = cycle_rpm(found)
    assert np.all((rpm > 239.0 * 0.995) & (rpm < 243.0 * 1.005))
    assert found.mean_speed_rpm.value is not None
    assert 239.0 * 0.995 < found.mean_speed_rpm.value < 243.0 * 1.005


def test_real_cranking_without_plugs(real_data: Path) -> None:
    found = cycle_set_from_teeth(real(real_data, "cranking_honda_k24a2_no_plugs.csv"), FOUR)
    assert not isinstance(found, str), found
    assert found.wheel is not None
    assert found.wheel.name == "12+1"
    assert found.mean_speed_rpm.value == pytest.approx(188.0, rel=0.005)


@pytest.mark.parametrize("with_cam", [True, False])
def test_real_36_2_1_running(real_data: Path, with_cam: bool) -> None:
    found = cycle_set_from_teeth(real(real_data, "4b11-running.csv", with_cam=with_cam), FOUR)
    assert not isinstance(found, str), found
    assert found.wheel is not None
    assert found.wheel.name == "36-2-1"
    assert found.mean_speed_rpm.value is not None
    assert 1420.0 * 0.995 < found.mean_speed_rpm.value < 1436.0 * 1.005
    assert float(np.max(revolution_rpm(found))) == pytest.approx(1436.0, rel=0.005)


@pytest.mark.parametrize("with_cam", [True, False])
def test_real_36_2_with_three_tooth_cam(real_data: Path, with_cam: bool) -> None:
    found = cycle_set_from_teeth(real(real_data, "toyota_3_tooth_cam.csv", with_cam=with_cam), FOUR)
    assert not isinstance(found, str), found
    assert found.wheel is not None
    assert found.wheel.name == "36-2"
    assert found.mean_speed_rpm.value == pytest.approx(1565.0, rel=0.005)


def test_real_four_teeth_per_revolution(real_data: Path) -> None:
    """Cranking 150 to 300 rpm: common practice, no source. 4 teeth: SOURCES.md."""
    found = cycle_set_from_teeth(real(real_data, "nb2-cranking-good.csv"), FOUR)
    assert not isinstance(found, str), found
    assert found.wheel is not None
    assert found.wheel.slots == 4
    rpm = cycle_rpm(found)
    assert np.all((rpm[:3] > 150.0) & (rpm[:3] < 300.0))
    assert any("whole revolutions" in note for note in found.notes)


def test_two_seconds_of_teeth_take_milliseconds() -> None:
    """10 s of a 60-2 wheel at 1700 rpm in well under a second, on a busy machine."""
    import time

    turn = turning(turns=280, rpm=(1700.0, 1700.0), ripple=0.01)
    edges = wheel("60-2", turn)
    cycles_of(edges)
    best = min(_timed(edges, time.perf_counter) for _ in range(3))
    assert best < 0.5


def _timed(edges: EdgeTrain, clock: object) -> float:
    assert callable(clock)
    begin = float(clock())
    cycles_of(edges)
    return float(clock()) - begin


# An ignition trigger beside the wheel says where top dead centre is.


def spark(turn: Turning, at_deg: tuple[float, ...]) -> EdgeTrain:
    cycles = np.arange(turn.angle[0] // 720, turn.angle[-1] // 720 + 1)
    rise = np.sort((cycles[:, None] * 720.0 + np.array(at_deg)).ravel())
    rise = rise[(rise > turn.angle[0]) & (rise + 5.0 < turn.angle[-1])]
    return train(turn.at(rise), turn.at(rise + 5.0), ChannelRole.IGNITION, float(turn.time[-1]))


@pytest.mark.parametrize("start", [30.0, 200.0, 500.0])
def test_spark_zeroes_the_wheel(start: float) -> None:
    """Spark 12 deg before top dead centre of cylinder 1, true angle 200 deg: zero is at 212."""
    engine = replace(FOUR, trigger_cylinder=1, trigger_advance_deg=12.0)
    turn = turning(start=start)
    found = cycles_of(wheel("60-2", turn), spark(turn, (200.0,)), engine=engine)
    assert found.phase_source is PhaseSource.TOOTH_WHEEL
    assert found.reference is Reference.CYLINDER
    true = np.interp([u.start_s for u in found.kept], turn.time, turn.angle)
    assert np.max(np.abs((true - 212.0 + 360.0) % 720.0 - 360.0)) < 0.3


def test_wasted_spark_leaves_the_revolution_open() -> None:
    engine = replace(FOUR, trigger_cylinder=1, trigger_advance_deg=12.0)
    turn = turning()
    found = cycles_of(wheel("60-2", turn), spark(turn, (200.0, 560.0)), engine=engine)
    assert found.reference is Reference.REVOLUTION
    true = np.interp([u.start_s for u in found.kept], turn.time, turn.angle)
    assert np.max(np.abs((true - 212.0 + 180.0) % 360.0 - 180.0)) < 0.3


def test_unlocked_pulses_do_not_zero_the_wheel() -> None:
    engine = replace(FOUR, trigger_cylinder=1, trigger_advance_deg=12.0)
    turn = turning(turns=20)
    loose = np.sort(np.random.default_rng(9).uniform(0.0, turn.time[-1], 10))
    ignition = train(loose, loose + 1e-3, ChannelRole.IGNITION, float(turn.time[-1]))
    found = cycles_of(wheel("60-2", turn), ignition, engine=engine)
    assert found.reference is Reference.ARBITRARY


@pytest.mark.parametrize("name", ["60-2", "36-1", "24"])
@pytest.mark.parametrize("engine", [FOUR, SIX])
def test_a_weak_cylinder_does_not_change_the_number_of_teeth(name: str, engine: EngineSpec) -> None:
    """It swings the speed once a cycle, more than the firing strokes do; the trigger counts."""
    told = replace(engine, trigger_cylinder=1, trigger_advance_deg=12.0)
    turn = turning(turns=40, rpm=(700.0, 705.0), ripple=0.04, order=0.5)
    found = cycles_of(wheel(name, turn), spark(turn, (200.0,)), engine=told)
    assert found.wheel is not None and found.wheel.name == name
    assert found.reference is Reference.CYLINDER
    assert found.mean_speed_rpm.value == pytest.approx(702.0, rel=0.01)


@pytest.mark.parametrize("engine", [FOUR, SIX])
def test_nor_without_a_trigger_where_there_is_a_gap(engine: EngineSpec) -> None:
    turn = turning(turns=40, rpm=(700.0, 705.0), ripple=0.04, order=0.5)
    found = cycles_of(wheel("60-2", turn), engine=engine)
    assert found.wheel is not None and found.wheel.name == "60-2"


@pytest.mark.parametrize("told", [None, 2])
@pytest.mark.parametrize("order", [2.0, 0.5])
@pytest.mark.parametrize("hint", [None, 700.0])
def test_a_spark_every_revolution_counts_the_teeth_too(
    told: int | None, order: float, hint: float | None
) -> None:
    """Of a plain wheel it may be either, if nobody says: then the speed given decides, or the
    ripple, be it that of the firing strokes or of one weak cylinder."""
    engine = replace(
        FOUR, trigger_cylinder=1, trigger_advance_deg=12.0, trigger_pulses_per_cycle=told
    )
    turn = turning(turns=40, rpm=(700.0, 705.0), ripple=0.04, order=order)
    found = cycles_of(wheel("24", turn), spark(turn, (200.0, 560.0)), engine=engine, hint=hint)
    assert found.wheel is not None and found.wheel.name == "24"
    assert found.reference is Reference.REVOLUTION


def test_a_pick_up_that_hears_every_spark_does_not_count_the_teeth() -> None:
    engine = replace(FOUR, trigger_cylinder=1, trigger_advance_deg=12.0)
    turn = turning(turns=40, rpm=(700.0, 705.0), ripple=0.04, order=2.0)
    every = spark(turn, (20.0, 200.0, 380.0, 560.0))
    found = cycles_of(wheel("24", turn), every, engine=engine)
    assert found.wheel is not None and found.wheel.name == "24"
    assert found.reference is not Reference.CYLINDER

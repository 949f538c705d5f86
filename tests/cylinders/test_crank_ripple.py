"""Crank-speed ripple: exact synthetic speed, and real cranking and running recordings."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from ringland.cycles.teeth import cycle_set_from_teeth
from ringland.cylinders._swing import position_estimates
from ringland.cylinders.crank_ripple import crank_ripple
from ringland.model import (
    ChannelRole,
    Condition,
    CrankPhase,
    CrankRipple,
    CycleSet,
    CycleUse,
    EdgeTrain,
    EngineSpec,
    Estimate,
    PhaseSource,
    Recording,
    Reference,
    RippleSegment,
    ToothWheel,
)

Floats = NDArray[np.float64]
FOUR = EngineSpec("four", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0))
SIX = EngineSpec("six", 6, (1, 2, 3, 4, 5, 6), (0.0, 120.0, 240.0, 360.0, 480.0, 600.0))
ODD_SIX = EngineSpec("odd", 6, (1, 2, 3, 4, 5, 6), (0.0, 90.0, 240.0, 330.0, 480.0, 570.0))


def cycle_set(
    speed: Floats, step_deg: float, *, slots: int = 60, missing: tuple[int, ...] = (58, 59)
) -> CycleSet:
    """What a tooth wheel gives for `speed` (rpm) at i * step_deg."""
    angle = step_deg * np.arange(len(speed))
    slow = 1.0 / (6.0 * speed)
    time = np.concatenate(([0.0], np.cumsum(0.5 * step_deg * (slow[1:] + slow[:-1]))))
    number = np.arange(0, int(angle[-1] * slots / 360.0))
    number = number[~np.isin(number % slots, missing)]
    knots = number * 360.0 / slots
    at = np.interp(knots, angle, time)
    bounds = np.interp(np.arange(0, angle[-1] // 720 + 1) * 720.0, angle, time)
    rpm = np.gradient(knots, at) / 6.0
    return CycleSet(
        cycle_deg=720.0,
        phase_source=PhaseSource.TOOTH_WHEEL,
        reference=Reference.CYLINDER,
        reference_reason="synthetic",
        time_s=at,
        angle_deg=knots,
        speed_rpm=rpm,
        speed_se_rpm=np.zeros(len(rpm)),
        angle_se_deg=0.0,
        mean_speed_rpm=Estimate.from_se(float(np.mean(rpm)), 0.1, "rpm"),
        cycles=tuple(CycleUse(float(a), float(b)) for a, b in pairwise(bounds)),
        wheel=ToothWheel("60-2", slots, missing),
    )


def compressing(
    engine: EngineSpec,
    relative: tuple[float, ...],
    *,
    cycles: int = 8,
    rpm: float = 250.0,
    depth: float = 0.3,
    scatter: float = 0.0,
) -> Floats:
    """Speed whose square dips by depth * relative at every firing top dead centre."""
    angle = np.arange(0.0, 720.0 * cycles)
    energy = np.ones(len(angle))
    rng = np.random.default_rng(7)
    gaps = np.diff([*engine.firing_angles_deg, 720.0])
    half = 0.5 * float(np.min(gaps))
    for cycle in range(-1, cycles + 1):
        for firing, share in zip(engine.firing_angles_deg, relative, strict=True):
            off = angle - firing - 720.0 * cycle
            near = np.abs(off) < half
            size = depth * share * (1.0 + scatter * rng.standard_normal())
            energy[near] -= size * 0.5 * (1.0 + np.cos(np.pi * off[near] / half))
    return np.asarray(rpm * np.sqrt(energy))


def ripple_of(cycles: CycleSet, engine: EngineSpec) -> CrankRipple:
    found = crank_ripple(cycles, engine)
    assert not isinstance(found, str), found
    return found


def segment_of(found: CrankRipple, phase: CrankPhase) -> RippleSegment:
    segment = found.segment(phase)
    assert segment is not None
    return segment


def amplitude(segment: RippleSegment, order: float) -> float:
    line = segment.order(order)
    assert line is not None
    return line.amplitude


def values(segment: RippleSegment) -> Floats:
    assert all(share.value is not None for share in segment.strength)
    return np.array([share.value for share in segment.strength], dtype=float)


@pytest.mark.parametrize(("order", "size"), [(2.0, 0.166), (0.5, 0.02), (1.0, 0.05)])
def test_a_pure_line_keeps_its_amplitude(order: float, size: float) -> None:
    angle = np.deg2rad(np.arange(0.0, 720.0 * 6, 0.5))
    found = ripple_of(cycle_set(250.0 * (1.0 + size * np.cos(order * angle)), 0.5), FOUR)
    segment = segment_of(found, CrankPhase.CRANKING)
    assert amplitude(segment, order) == pytest.approx(size, rel=0.02)
    for other in (0.5, 1.0, 1.5, 2.0):
        if other != order:
            assert amplitude(segment, other) < 0.05 * size + 1e-3


def test_an_even_engine_shares_orders_that_are_multiples_of_half_its_cylinders() -> None:
    found = ripple_of(cycle_set(compressing(FOUR, (1, 1, 1, 1)), 1.0), FOUR)
    shared = {line.order for line in found.segments[0].orders if line.shared}
    assert shared == {2.0, 4.0, 6.0, 8.0}


def test_a_gap_does_not_flatten_the_ripple() -> None:
    """Equal cylinders stay equal within 0.2 % though one has the gap in its stroke."""
    eight = EngineSpec("eight", 8, tuple(range(1, 9)), tuple(90.0 * i for i in range(8)))
    angle = np.deg2rad(np.arange(0.0, 720.0 * 6, 0.5))
    made = cycle_set(250.0 * (1.0 + 0.06 * np.cos(4.0 * angle + 0.4)), 0.5)
    segment = segment_of(ripple_of(made, eight), CrankPhase.CRANKING)
    assert np.max(np.abs(values(segment) - 1.0)) < 0.002
    assert amplitude(segment, 4.0) == pytest.approx(0.06, rel=0.03)


@pytest.mark.parametrize("engine", [FOUR, SIX], ids=["four", "six"])
@pytest.mark.parametrize("weak", [0, 2, 3])
def test_a_weak_compression_is_found_where_it_is(engine: EngineSpec, weak: int) -> None:
    relative = [1.0] * engine.cylinders
    relative[weak] = 0.7
    speed = compressing(engine, tuple(relative), scatter=0.02)
    segment = segment_of(ripple_of(cycle_set(speed, 1.0), engine), CrankPhase.CRANKING)
    share = values(segment)
    assert int(np.argmin(share)) == weak
    others = np.delete(share, weak)
    assert share[weak] / np.mean(others) == pytest.approx(0.7, abs=0.03)
    high = segment.strength[weak].high
    assert high is not None
    assert high < min(others)


def test_an_uneven_engine_is_laid_on_its_own_firing_angles() -> None:
    speed = compressing(ODD_SIX, (1, 1, 1, 0.6, 1, 1), scatter=0.02)
    segment = segment_of(ripple_of(cycle_set(speed, 1.0), ODD_SIX), CrankPhase.CRANKING)
    share = values(segment)
    assert int(np.argmin(share)) == 3
    assert share[3] / np.mean(np.delete(share, 3)) == pytest.approx(0.6, abs=0.05)


@pytest.mark.parametrize(("positions", "cycles"), [(4, 3), (4, 8), (6, 8), (2, 20)])
def test_intervals_hold_the_truth_nine_times_in_ten(positions: int, cycles: int) -> None:
    rng = np.random.default_rng(11)
    inside = []
    for _ in range(400):
        sizes = [
            (i % positions, 1.0 + 0.05 * rng.standard_normal() + 0.002 * i)
            for i in range(positions * cycles)
        ]
        for share in position_estimates(sizes, positions, 0.0):
            assert share.low is not None
            assert share.high is not None
            inside.append(share.low <= 1.0 <= share.high)
    assert np.mean(inside) == pytest.approx(0.90, abs=0.03)


def test_healthy_positions_lie_inside_their_intervals() -> None:
    inside = 0
    segment = segment_of(
        ripple_of(cycle_set(compressing(SIX, (1,) * 6, scatter=0.05), 1.0), SIX),
        CrankPhase.CRANKING,
    )
    for share in segment.strength:
        assert share.low is not None
        assert share.high is not None
        inside += share.low <= 1.0 <= share.high
    assert inside >= 4  # 90 % intervals


def test_the_dip_is_found_at_top_dead_centre() -> None:
    segment = segment_of(
        ripple_of(cycle_set(compressing(FOUR, (1, 1, 1, 1)), 1.0), FOUR), CrankPhase.CRANKING
    )
    assert segment.extreme_deg.value is not None
    assert (segment.extreme_deg.value + 90.0) % 180.0 - 90.0 == pytest.approx(0.0, abs=3.0)


def test_a_misfire_while_running_is_a_missing_swing() -> None:
    """Torque pulses of equal size but for position 2, which gives none (energy by quadrature)."""
    angle = np.arange(0.0, 720.0 * 12)
    torque = np.full(len(angle), -1.0)
    for cycle in range(12):
        for p, firing in enumerate(FOUR.firing_angles_deg):
            off = angle - firing - 720.0 * cycle
            near = (off > 0) & (off < 120.0)
            torque[near] += (0.0 if p == 1 else 4.0) * np.sin(np.pi * off[near] / 120.0)
    torque -= np.mean(torque)
    energy = 1.0 + 2e-4 * np.cumsum(torque)
    segment = segment_of(
        ripple_of(cycle_set(800.0 * np.sqrt(energy), 1.0), FOUR), CrankPhase.RUNNING
    )
    share = values(segment)
    assert int(np.argmin(share)) == 1
    assert share[1] < 0.2 * np.mean(np.delete(share, 1))


def test_a_tooth_off_its_place_is_corrected() -> None:
    exact = cycle_set(np.full(720 * 20, 800.0), 1.0)
    time = np.array(exact.time_s)
    first = np.isclose(exact.angle_deg % 360.0, 0.0)
    time[first & (exact.angle_deg > 0)] += 0.8 / (6.0 * 800.0)  # 0.8 deg late
    bent = CycleSet(**{**{f: getattr(exact, f) for f in _fields()}, "time_s": time})
    found = ripple_of(bent, FOUR)
    assert any("at 0 deg of each revolution comes +0.8 deg late" in note for note in found.notes)
    assert found.segments[0].peak_to_peak.value is not None
    assert found.segments[0].peak_to_peak.value < 0.005


def _fields() -> tuple[str, ...]:
    return tuple(CycleSet.__dataclass_fields__)


def test_pulses_give_no_ripple_but_a_reason() -> None:
    made = cycle_set(np.full(720 * 4, 800.0), 1.0)
    pulses = CycleSet(
        **{**{f: getattr(made, f) for f in _fields()}, "phase_source": PhaseSource.PULSES}
    )
    reason = crank_ripple(pulses, FOUR)
    assert isinstance(reason, str)
    assert "tooth wheel" in reason


def test_idle_is_never_called_cranking() -> None:
    made = cycle_set(np.full(720 * 6, 450.0), 1.0)
    found = crank_ripple(made, FOUR, condition=Condition.IDLE)
    assert not isinstance(found, str), found
    assert found.segments[0].phase is CrankPhase.RUNNING


# Real recordings: facts from SOURCES.md of the real recordings.


def real(folder: Path, name: str, engine: EngineSpec) -> CrankRipple | str:
    rows = []
    for line in (folder / "crank_edges" / name).read_text().splitlines():
        try:
            rows.append([float(field) for field in line.split(",")])
        except ValueError:
            continue
    table = np.array([row for row in rows if len(row) == max(len(r) for r in rows)])
    trains = []
    for column, role in ((1, ChannelRole.CRANK_TOOTH), (2, ChannelRole.CAM)):
        if column < table.shape[1]:
            at = np.flatnonzero(np.diff(table[:, column])) + 1
            level = table[at, column].astype(int)
            span = (float(table[0, 0]), float(table[-1, 0]))
            trains.append(EdgeTrain(role.value, role, table[at, 0], level, *span))
    cycles = cycle_set_from_teeth(Recording((), tuple(trains)), engine)
    assert not isinstance(cycles, str), cycles
    return crank_ripple(cycles, engine)


def cranking(folder: Path, name: str, engine: EngineSpec) -> RippleSegment:
    found = real(folder, name, engine)
    assert not isinstance(found, str), found
    return segment_of(found, CrankPhase.CRANKING)


def test_real_four_cranking_ripple(real_data: Path) -> None:
    """Order 2 is 16.6 % of the mean, within 0.5 points."""
    segment = cranking(real_data, "nick_1.csv", FOUR)
    assert amplitude(segment, 2.0) == pytest.approx(0.166, abs=0.005)
    share = values(segment)
    assert np.all(np.abs(share - 1.0) < 0.05)


def test_real_four_fires_and_is_split_there(real_data: Path) -> None:
    found = real(real_data, "nick_1.csv", FOUR)
    assert not isinstance(found, str), found
    assert [segment.phase for segment in found.segments] == [
        CrankPhase.CRANKING,
        CrankPhase.RUNNING,
    ]
    first, second = found.segments
    assert first.stop_s <= second.start_s + 0.1
    assert first.mean.value is not None
    assert 259.0 * 0.995 < first.mean.value < 263.0 * 1.005
    assert second.stop_s > 7.0
    assert not found.positions_known
    assert "arbitrary start" in found.reason


def test_real_v6_cranking_ripple(real_data: Path) -> None:
    """Order 3 is 10.1 % of the mean within 0.5 points, order 0.5 0.2 %: even compression."""
    segment = cranking(real_data, "nissan_vq40_cranking-1.csv", SIX)
    assert amplitude(segment, 3.0) == pytest.approx(0.101, abs=0.005)
    assert amplitude(segment, 0.5) == pytest.approx(0.002, abs=0.001)
    assert segment.mean.value is not None
    assert 239.0 * 0.995 < segment.mean.value < 243.0 * 1.005
    share = values(segment)
    assert np.all(np.abs(share - 1.0) < 0.05)


def test_real_four_without_plugs_shows_no_compression(real_data: Path) -> None:
    """Order 2 at most 2.5 %, against 16.6 % with compression."""
    segment = cranking(real_data, "cranking_honda_k24a2_no_plugs.csv", FOUR)
    assert amplitude(segment, 2.0) < 0.025
    assert segment.mean.value == pytest.approx(188.0, rel=0.005)


def test_real_four_running(real_data: Path) -> None:
    """Order 0.5 is 0.66 %, order 2 is 0.67 % of the mean."""
    found = real(real_data, "4b11-running.csv", FOUR)
    assert not isinstance(found, str), found
    segment = segment_of(found, CrankPhase.RUNNING)
    assert amplitude(segment, 0.5) == pytest.approx(0.0066, abs=0.0003)
    assert amplitude(segment, 2.0) == pytest.approx(0.0067, abs=0.0003)
    assert all("inertia" in (share.reason or "") for share in segment.strength)


def test_real_36_2_running_speed(real_data: Path) -> None:
    found = real(real_data, "toyota_3_tooth_cam.csv", FOUR)
    assert not isinstance(found, str), found
    segment = segment_of(found, CrankPhase.RUNNING)
    assert segment.mean.value == pytest.approx(1565.0, rel=0.005)


def test_four_teeth_per_revolution_are_too_coarse(real_data: Path) -> None:
    reason = real(real_data, "nb2-cranking-good.csv", FOUR)
    assert isinstance(reason, str)
    assert "too coarse" in reason

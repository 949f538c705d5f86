"""Runs: every layout, every condition, the result type and the truth in it."""

import numpy as np
import pytest

from ringland.errors import EngineError, SettingError
from ringland.model import Aspiration, Condition, EngineSpec, Fuel, Geometry
from ringland.simulator.faults import parse_fault
from ringland.simulator.parameters import simulated_engine, with_healthy_spread
from ringland.simulator.run import simulate


def even(cylinders: int, cycle: float = 720.0) -> tuple[float, ...]:
    return tuple(cycle * k / cylinders for k in range(cylinders))


ENGINES = [
    EngineSpec("I3", 3, (1, 3, 2), even(3)),
    EngineSpec("I4", 4, (1, 3, 4, 2), even(4)),
    EngineSpec("I5", 5, (1, 2, 4, 5, 3), even(5)),
    EngineSpec("I6", 6, (1, 5, 3, 6, 2, 4), even(6)),
    EngineSpec("V6 even", 6, (1, 2, 3, 4, 5, 6), even(6), outlets=(1, 2, 1, 2, 1, 2)),
    EngineSpec("V6 odd", 6, (1, 6, 5, 4, 3, 2), (0.0, 90.0, 240.0, 330.0, 480.0, 570.0)),
    EngineSpec("V8", 8, (1, 8, 4, 3, 6, 5, 7, 2), even(8), outlets=(1, 2, 1, 2, 1, 2, 1, 2)),
    EngineSpec("I4 diesel", 4, (1, 3, 4, 2), even(4), fuel=Fuel.DIESEL,
               aspiration=Aspiration.TURBO),
    EngineSpec("two-stroke", 3, (1, 3, 2), even(3, 360.0), strokes=2, fuel=Fuel.DIESEL),
    EngineSpec("V8 on four", 8, (1, 8, 4, 3, 6, 5, 7, 2), even(8), inactive_cylinders=(1, 4, 6, 7)),
    EngineSpec("single", 1, (1,), (0.0,)),
]  # fmt: skip


@pytest.mark.parametrize("spec", ENGINES, ids=lambda s: s.name)
def test_every_layout_idles(spec: EngineSpec) -> None:
    parameters = simulated_engine(spec)
    result = simulate(parameters, seconds=1.5)
    assert abs(result.speed_rpm.mean() / parameters.idle_rpm - 1.0) < 0.12
    outlets = spec.outlet_count
    assert result.exhaust_flow_kg_s.shape == (outlets, len(result.time_s))
    assert (result.exhaust_flow_kg_s.mean(axis=1) > 0.0).all()
    assert len(result.cycles.firing_time_s) > 5
    assert not result.cycles.misfired.any()


@pytest.mark.parametrize("condition", ["idle", "held", "cranking", "snap", "run_up", "coast_down"])
def test_every_condition_runs(condition: str) -> None:
    result = simulate(simulated_engine(ENGINES[1]), condition=condition, seconds=2.0)
    known = {c.value for c in Condition}
    assert result.condition.value == (condition if condition in known else "unknown")
    speed = result.speed_rpm
    assert np.isfinite(speed).all()
    if condition == "run_up":
        assert speed[-200:].mean() > 1.4 * speed[:200].mean()
    if condition == "coast_down":
        assert speed[-200:].mean() < 0.6 * speed[:200].mean()
    if condition == "snap":
        assert speed.max() > 1.7 * speed[:200].mean()
    if condition == "cranking":
        assert (result.starter_current_a >= 0.0).all()
        assert not result.cycles.misfired.any()
    else:
        assert (result.starter_current_a == 0.0).all()


def test_angle_counts_from_firing_of_the_first_cylinder_and_truth_agrees() -> None:
    spec = ENGINES[3]
    result = simulate(simulated_engine(spec), seconds=2.0)
    assert 0.0 <= result.crank_angle_deg[0] < 720.0
    assert (np.diff(result.crank_angle_deg) > 0.0).all()
    for cylinder in range(1, 7):
        times = result.cycles.firing_time_s[:, cylinder - 1]
        rows = np.flatnonzero(np.isfinite(times))
        angles = np.interp(times[rows], result.time_s, result.crank_angle_deg)
        expected = rows * 720.0 + spec.firing_angle_deg(cylinder)
        assert angles == pytest.approx(expected, abs=0.3)
        assert result.firing_times_s(cylinder) == pytest.approx(times[rows])


def test_highest_cylinder_pressure_follows_firing() -> None:
    result = simulate(simulated_engine(ENGINES[1]), seconds=1.0, cylinder_pressure=True)
    assert result.cylinder_pressure_pa is not None
    for cylinder in range(1, 5):
        phase = (result.crank_angle_deg - result.engine.firing_angle_deg(cylinder)) % 720.0
        highest = phase[result.cylinder_pressure_pa[cylinder - 1].argmax()]
        assert min(highest, 720.0 - highest) < 40.0


def test_same_seed_same_run_other_seed_other_run() -> None:
    engine = simulated_engine(ENGINES[0])
    first, again = (simulate(engine, seconds=0.5, settle_s=0.5, seed=3) for _ in range(2))
    other = simulate(engine, seconds=0.5, settle_s=0.5, seed=4)
    assert (first.exhaust_flow_kg_s == again.exhaust_flow_kg_s).all()
    assert not np.allclose(first.exhaust_flow_kg_s, other.exhaust_flow_kg_s)
    assert not first.exhaust_flow_kg_s.flags.writeable


def test_misfire_rate_is_the_share_of_cycles() -> None:
    result = simulate(
        simulated_engine(ENGINES[1]), seconds=40.0, rate_hz=4000.0, step_deg=1.2,
        faults=(parse_fault("misfire:2:20%"),),
    )  # fmt: skip
    missed = result.cycles.misfired[:, 1]
    # 250 cycles: three standard errors are 0.076
    assert missed.mean() == pytest.approx(0.2, abs=0.08)
    assert not result.cycles.misfired[:, [0, 2, 3]].any()


def test_cycle_after_a_misfire_is_different() -> None:
    # the residual of a misfired cycle is unburned mixture: the next cycle burns faster and stronger
    engine = simulated_engine(ENGINES[1])
    cycles = simulate(
        engine, seconds=30.0, rate_hz=4000.0, step_deg=1.2, faults=(parse_fault("misfire:2:20%"),)
    ).cycles
    missed = cycles.misfired[:-1, 1]
    following = cycles.imep_pa[1:, 1]
    burned = ~cycles.misfired[1:, 1] & np.isfinite(following)
    assert following[burned & missed].mean() > following[burned & ~missed].mean()
    residual = cycles.residual_fraction[1:, 1]
    assert np.nanmean(residual[missed]) < np.nanmean(residual[~missed])


def test_healthy_spread_differs_by_cylinder_and_is_small() -> None:
    engine = simulated_engine(ENGINES[3])
    spread = with_healthy_spread(engine, seed=1)
    assert spread == with_healthy_spread(engine, seed=1)
    ratios = [c.lambda_ratio for c in spread.cylinders]
    assert 0.0 < np.std(ratios) < 0.05
    work = np.nanmean(simulate(spread, seconds=2.0).cycles.imep_pa, axis=0)
    assert np.std(work) / work.mean() < 0.10


@pytest.mark.parametrize("number", [1, 7])
def test_load_raises_pressure_at_held_speed(number: int) -> None:
    # a brake of 100 Nm on 2 or 4 L: 6.3 or 3.1 bar of mean effective pressure more
    engine = simulated_engine(ENGINES[number])
    free, loaded = (
        simulate(engine, condition="held", held_rpm=1800.0, load_nm=load, seconds=1.5, settle_s=4.0)
        for load in (0.0, 100.0)
    )
    assert loaded.speed_rpm.mean() == pytest.approx(1800.0, rel=0.05)
    more = np.nanmean(loaded.cycles.imep_pa) - np.nanmean(free.cycles.imep_pa)
    assert more == pytest.approx(100.0 * 4 * np.pi / engine.swept_m3, rel=0.1)
    assert np.nanmean(loaded.cycles.peak_pressure_pa) > np.nanmean(free.cycles.peak_pressure_pa)


def test_geometry_and_unknown_parameter_are_refused() -> None:
    short = EngineSpec("short", 1, (1,), (0.0,), geometry=Geometry(0.08, 0.1, 0.04, 10.0))
    with pytest.raises(EngineError):
        simulated_engine(short)
    flat = EngineSpec("flat", 1, (1,), (0.0,), geometry=Geometry(0.08, 0.08, 0.14, 1.0))
    with pytest.raises(EngineError):
        simulated_engine(flat)
    with pytest.raises(EngineError) as error:
        simulated_engine(ENGINES[0], flywheel=1.0)
    assert error.value.allowed is not None
    assert "inertia_kg_m2" in error.value.allowed


def test_wrong_condition_and_duration_are_refused() -> None:
    engine = simulated_engine(ENGINES[0])
    with pytest.raises(SettingError) as error:
        simulate(engine, condition="racing")
    assert error.value.allowed is not None
    with pytest.raises(SettingError):
        simulate(engine, seconds=0.0)


def test_a_run_that_does_not_hold_together_is_an_error_in_words(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What diverges (a small twelve-cylinder engine did once) is not passed on."""

    def diverges(*given: np.ndarray) -> None:
        given[-2][:] = np.nan

    monkeypatch.setattr("ringland.simulator.run.advance", diverges)
    with pytest.raises(EngineError, match="does not hold together"):
        simulate(simulated_engine(ENGINES[1]), condition="idle", seconds=0.5)

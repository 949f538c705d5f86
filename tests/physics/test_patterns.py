"""What each fault must look like, and why: reasoning first, numbers of a simulated engine after.

Common practice, no source, unless a comment says otherwise. An even-firing six at idle; cylinder 3
fires 240 deg after cylinder 1, its neighbours in the firing order are 120 deg away.
"""

from functools import lru_cache

import numpy as np
import pytest

from ringland.model import EngineSpec
from ringland.simulator.faults import parse_fault
from ringland.simulator.parameters import simulated_engine
from ringland.simulator.result import SimulationResult
from ringland.simulator.run import simulate

SIX = EngineSpec("six", 6, (1, 5, 3, 6, 2, 4), (0.0, 120.0, 240.0, 360.0, 480.0, 600.0))
ENGINE = simulated_engine(
    SIX, duration_scatter=0.0, start_scatter_deg=0.0, heat_scatter=0.0, mixture_scatter=0.0
)
FIRING_OF_3 = 240.0
GRID = np.arange(0.0, 720.0, 1.0)


@lru_cache
def run(*faults: str) -> SimulationResult:
    return simulate(
        ENGINE,
        seconds=1.5,
        faults=tuple(parse_fault(f) for f in faults),
        cylinder_pressure=True,
    )


def mean_cycle(result: SimulationResult, values: np.ndarray, centre_deg: float) -> np.ndarray:
    """Cyclic mean on GRID counted from the firing top dead centre at `centre_deg`."""
    angle: np.ndarray = result.crank_angle_deg - centre_deg
    first, last = np.ceil(angle[0] / 720.0), np.floor(angle[-1] / 720.0)
    cycles = [np.interp(GRID + 720.0 * k, angle, values) for k in np.arange(first, last)]
    return np.asarray(np.mean(cycles, axis=0))


def exhaust(result: SimulationResult, centre_deg: float = FIRING_OF_3) -> np.ndarray:
    return mean_cycle(result, result.exhaust_flow_kg_s[0], centre_deg)


def crankcase(result: SimulationResult, centre_deg: float = FIRING_OF_3) -> np.ndarray:
    return mean_cycle(result, result.crankcase_pressure_pa, centre_deg)


def between(values: np.ndarray, low_deg: float, high_deg: float) -> np.ndarray:
    """Part of a mean cycle between two angles after firing (negative: before it)."""
    return values.take(np.arange(low_deg, high_deg).astype(int) % 720)


def test_ring_leak_pushes_in_compression_and_expansion_and_pulls_in_induction() -> None:
    # The crankcase fills while cylinder pressure is above it (compression, expansion) and is drawn
    # on while the cylinder is at manifold pressure (induction). Flow into the crankcase shows as a
    # rising pressure, because the case holds much more gas than one pulse brings.
    sound, leak = crankcase(run()), crankcase(run("ring_leak:3:4mm2"))
    rise = np.gradient(leak - sound)
    push = between(rise, -60, 60)  # around firing top dead centre, both strokes
    pull = between(rise, 380, 520)  # induction stroke
    assert push.mean() > 5 * abs(pull.mean())
    assert push.min() > 0.0
    assert pull.mean() < 0.0
    assert np.ptp(leak) > 20 * np.ptp(sound)
    # both sides of top dead centre take part
    assert between(rise, -60, -5).mean() > 0.3 * push.mean()
    assert between(rise, 5, 60).mean() > 0.3 * push.mean()
    assert 20.0 < float(GRID[np.argmax(np.roll(leak, 180))]) - 180.0 < 130.0


def test_scored_bore_pushes_on_the_power_stroke() -> None:
    # The score lies below the place of the rings at top centre: it is uncovered when compression
    # pressure is still low but expansion pressure is high, so the power stroke pushes more.
    sound, scored = crankcase(run()), crankcase(run("scored_bore:3:12mm2"))
    ring = crankcase(run("ring_leak:3:4mm2"))
    rise, ring_rise = np.gradient(scored - sound), np.gradient(ring - sound)

    def share(values: np.ndarray) -> float:
        power = between(values, 5, 120).clip(0).sum()
        compression = between(values, -120, -5).clip(0).sum()
        return float(power / (power + compression))

    assert share(rise) > 0.75
    assert share(rise) > share(ring_rise) + 0.1


def test_leaking_exhaust_valve_shows_before_its_blow_down() -> None:
    # Gas at compression and burning pressure passes the valve into the exhaust around firing top
    # dead centre, 130 deg before that valve opens; afterwards its own blow-down is weaker.
    difference = exhaust(run("exhaust_valve_leak:3:4mm2")) - exhaust(run())
    early, late = between(difference, -30, 60), between(difference, 130, 230)
    assert early.mean() > 0.0
    assert early.max() > 5e-4  # 0.5 g/s
    assert late.mean() < 0.0


def test_misfire_removes_the_blow_down_and_slows_the_crank() -> None:
    # Without heat the gas has expanded below atmospheric pressure when the exhaust opens: flow goes
    # the other way. The power stroke does not push, so speed falls over it.
    sound, missed = run(), run("misfire:3:1")
    difference = exhaust(missed) - exhaust(sound)
    assert between(difference, 130, 190).min() < -5e-3
    assert int(np.argmin(np.roll(difference, 180))) - 180 in range(130, 200)
    gain = mean_cycle(sound, sound.speed_rpm, FIRING_OF_3)
    loss = mean_cycle(missed, missed.speed_rpm, FIRING_OF_3)
    assert loss[100] - loss[0] < gain[100] - gain[0] - 5.0
    assert missed.cycles.misfired[:, 2].all()
    assert not missed.cycles.misfired[:, [0, 1, 3, 4, 5]].any()
    assert np.nanmean(missed.cycles.imep_pa[:, 2]) < 0.0


def test_leak_between_neighbours_shows_in_two_cylinders() -> None:
    result = run("neighbour_leak:2+3:4mm2")
    peak = np.nanmean(result.cycles.peak_pressure_pa, axis=0)
    others = peak[[0, 3, 4, 5]]
    assert (peak[[1, 2]] < 0.9 * others.min()).all()
    work = np.nanmean(result.cycles.imep_pa, axis=0)
    assert (work[[1, 2]] < work[[0, 3, 4, 5]].min()).all()


def test_restricted_exhaust_raises_the_mean_and_damps_the_pulses_of_flow() -> None:
    sound, restricted = run(), run("exhaust_restriction:95%")
    rise = restricted.exhaust_pressure_pa.mean() - sound.exhaust_pressure_pa.mean()
    assert rise > 500.0
    assert np.ptp(exhaust(restricted)) < 0.5 * np.ptp(exhaust(sound))


def test_inlet_valve_leak_pushes_back_into_the_plenum() -> None:
    # compression and burning pressure blow back through the leak: the plenum rises while cylinder 3
    # is between inlet closing and exhaust opening
    sound, leak = run(), run("inlet_valve_leak:3:4mm2")
    difference = mean_cycle(leak, leak.plenum_pressure_pa, FIRING_OF_3) - mean_cycle(
        sound, sound.plenum_pressure_pa, FIRING_OF_3
    )
    rise = np.gradient(difference)
    assert between(rise, -40, 60).mean() > 0.0
    assert between(rise, -40, 60).mean() > between(rise, 150, 600).mean()


@pytest.mark.parametrize(
    ("fault", "quantity"),
    [
        ("weak_burn:3:40%", "imep_pa"),
        ("lean:3:35%", "imep_pa"),
        ("worn_inlet_lobe:3:0.9", "trapped_kg"),
        ("low_compression:3:3", "peak_pressure_pa"),
        ("broken_inlet_spring:3:50deg", "trapped_kg"),
    ],
)
def test_fault_weakens_its_own_cylinder_and_no_other(fault: str, quantity: str) -> None:
    cycles = run(fault).cycles
    mean = np.nanmean(getattr(cycles, quantity), axis=0)
    others = np.delete(mean, 2)
    assert mean[2] < others.min()
    assert np.ptp(others) < 0.1 * others.mean()


def test_late_burn_raises_exhaust_temperature() -> None:
    late = run("late_burn:1,2,3,4,5,6:20deg")
    assert late.exhaust_temperature_k.mean() > run().exhaust_temperature_k.mean() + 20.0


def test_stuck_ring_is_throttled_by_the_second_ring() -> None:
    # the same area as an open leak passes less, because the second ring still seals in part
    stuck, open_leak = crankcase(run("stuck_ring:3:8mm2")), crankcase(run("ring_leak:3:8mm2"))
    assert 5 * np.ptp(crankcase(run())) < np.ptp(stuck) < 0.7 * np.ptp(open_leak)


def test_blocked_ventilation_raises_and_open_ventilation_lowers_the_crankcase() -> None:
    level = run().crankcase_pressure_pa.mean()
    assert run("crankcase_vent_blocked:99%").crankcase_pressure_pa.mean() > level + 200.0
    assert run("crankcase_vent_leak:15mm2").crankcase_pressure_pa.mean() < level - 200.0


def test_worn_rings_everywhere_raise_the_level_without_marking_a_cylinder() -> None:
    worn = run("worn_rings:3mm2")
    assert worn.crankcase_pressure_pa.mean() > run().crankcase_pressure_pa.mean() + 100.0
    blow_by = np.nanmean(worn.cycles.blow_by_kg, axis=0)
    assert np.ptp(blow_by) < 0.1 * blow_by.mean()


def test_intake_leak_at_one_cylinder_leans_it_and_only_it() -> None:
    cycles = run("intake_leak_cylinder:3:3mm2").cycles
    heat = np.nanmean(cycles.heat_j, axis=0)
    assert heat[2] < 0.9 * np.delete(heat, 2).min()


def test_fault_comes_and_goes() -> None:
    result = simulate(ENGINE, seconds=3.0, faults=(parse_fault("misfire:3:1@1-2s"),), settle_s=1.0)
    times = result.cycles.firing_time_s[:, 2]
    missed = result.cycles.misfired[:, 2]
    known = np.isfinite(times)
    # the decision falls when the inlet valve closes, about 100 deg (22 ms) before firing
    clear_in = known & (times > 1.1) & (times < 1.95)
    clear_out = known & ((times < 0.95) | (times > 2.1))
    assert missed[clear_in].all()
    assert not missed[clear_out].any()

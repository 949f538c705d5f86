"""One cylinder against reactors of an independent library (Cantera 3, gri30.yaml, dry air)."""

import math
import time
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from ringland.model import EngineSpec
from ringland.simulator import layout as at
from ringland.simulator.combustion import wiebe
from ringland.simulator.gas import gas_internal_energy
from ringland.simulator.kinematics import piston_travel
from ringland.simulator.parameters import SimulatedEngine, simulated_engine
from ringland.simulator.run import EngineState, start_state, turn_crank
from ringland.simulator.valves import valve_area_m2, valve_lift_m

ct: Any = pytest.importorskip("cantera")

RPM = 1200.0
SPEED = RPM * math.pi / 30.0
AIR = "O2:0.20946, N2:0.78084, AR:0.00934, CO2:0.00041"


def adiabatic_engine() -> SimulatedEngine:
    """One cylinder at imposed speed: no heat loss, tight rings, vast plenum and exhaust; burning
    gives heat only, as in the reactor."""
    p = simulated_engine(
        EngineSpec("single", 1, (1,), (0.0,)), imposed_speed=1.0, heat_scale=0.0,
        plenum_m3=1e3, collector_m3=1e3, exhaust_w_k=0.0, ventilation_m2=0.0,
        burned_per_fuel=0.0, fuel_mass_share=0.0, advance_per_rpm_deg=0.0,
    )  # fmt: skip
    # heat for a peak near 2500 K, where real engines are and frozen air still is a fair gas
    cylinder = replace(p.cylinders[0], top_gap_m2=0.0, second_gap_m2=0.0, heat_share=0.75)
    return replace(p, cylinders=(cylinder,))


def fill(state: EngineState, volume: int, pressure_pa: float, t: float) -> None:
    mass = pressure_pa * state.gas[volume, at.VOLUME] / (287.037 * t)
    state.y[3 * volume : 3 * volume + 3] = mass, mass * gas_internal_energy(t, 0.0), 0.0
    state.gas[volume, at.TEMPERATURE] = t


@dataclass
class Reactor:
    """A cylinder as a reactor with a moving wall, from a given crank angle on."""

    engine: SimulatedEngine
    start_deg: float
    pressure_pa: float
    t: float
    heat_w: Any = None

    def __post_init__(self) -> None:
        e = self.engine.engine
        gas = ct.Solution("gri30.yaml")
        gas.TPX = self.t, self.pressure_pa, AIR
        self.cylinder = ct.IdealGasReactor(gas, clone=True)
        self.cylinder.chemistry_enabled = False
        self.cylinder.volume = self.volume(self.start_deg)
        outside = ct.Solution("gri30.yaml")
        outside.TPX = 300.0, 1e5, AIR
        self.around = ct.Reservoir(outside, clone=True)
        wall = ct.Wall(self.around, self.cylinder)
        wall.area = e.piston_area_m2
        wall.velocity = lambda t: -self.piston(self.angle(t))[1] * SPEED
        if self.heat_w is not None:
            wall.heat_flux = lambda t: self.heat_w(self.angle(t)) / e.piston_area_m2
        self.wall = wall

    def angle(self, t: float) -> float:
        return self.start_deg + math.degrees(SPEED * t)

    def piston(self, angle_deg: float) -> tuple[float, float, float]:
        e, a = self.engine.engine, math.radians(angle_deg)
        return piston_travel(math.sin(a), math.cos(a), e.crank_radius_m, e.rod_m, 0.0)

    def volume(self, angle_deg: float) -> float:
        e, c = self.engine.engine, self.engine.cylinders[0]
        return c.clearance_m3 + e.piston_area_m2 * self.piston(angle_deg)[0]

    @property
    def state(self) -> tuple[float, float, float]:
        """Pressure, temperature, mass."""
        phase = self.cylinder.phase
        return phase.P, phase.T, self.cylinder.mass


def warm(p: SimulatedEngine) -> None:
    """Load the compiled engine before anything is timed."""
    turn_crank(p, start_state(p, rpm=RPM), degrees=5.0)


def fastest_s(p: SimulatedEngine, start_deg: float, degrees: float) -> float:
    """Our time for this part of a cycle: best of ten runs of four cycles, scaled."""
    times = []
    for _ in range(10):
        state = start_state(p, rpm=RPM, angle_deg=start_deg)
        begun = time.perf_counter()
        turn_crank(p, state, degrees=2880.0, combustion=True, throttle_share=0.02)
        times.append(time.perf_counter() - begun)
    return min(times) * degrees / 2880.0


def test_one_closed_fired_cycle() -> None:
    p = adiabatic_engine()
    warm(p)
    start, degrees = 615.9, 230.0  # from just before inlet closing to just before exhaust opening
    state = start_state(p, rpm=RPM, angle_deg=start)
    fill(state, 0, 60e3, 340.0)
    state.plan[:, at.PLAN_WALL_W_K] = 0.0
    run = turn_crank(p, state, degrees=degrees, combustion=True, throttle_share=0.02)
    plan = state.plan[0]
    heat_j = run.truth[1, 0, at.TRUE_HEAT]
    first, duration = plan[at.PLAN_START_DEG], plan[at.PLAN_DURATION_DEG]

    def heat_w(angle_deg: float) -> float:
        y, dy = (angle_deg - 720.0 - first) / duration, 0.01 / duration
        rise = wiebe(y + dy, 5.0, 2.0) - wiebe(y - dy, 5.0, 2.0)
        return float(heat_j * rise / 0.02 * math.degrees(SPEED))

    reactor = Reactor(p, start, 60e3, 340.0, heat_w)
    net = ct.ReactorNet([reactor.cylinder])
    net.rtol, net.atol = 1e-9, 1e-15
    net.max_time_step = math.radians(1.0) / SPEED
    angles, pressures, hottest = np.arange(start, start + degrees, 0.5), [], 0.0
    begun = time.perf_counter()
    for angle in angles[1:]:
        net.advance(math.radians(angle - start) / SPEED)
        pressures.append(reactor.state[0])
        hottest = max(hottest, reactor.state[1])
    theirs_s = time.perf_counter() - begun
    ours = run.cylinder_pressure_pa[1:, 0]
    theirs = np.array(pressures)[: len(ours)]
    print(f"closed cycle: peak {ours.max() / 1e5:.3f} bar, reactor {theirs.max() / 1e5:.3f} bar, "
          f"largest difference {np.abs(ours / theirs - 1).max():.2%}")  # fmt: skip
    print(f"hottest {hottest:.0f} K")
    print(f"speed ratio on the closed part: {theirs_s / fastest_s(p, start, degrees):.0f}")
    assert heat_j > 100.0
    assert ours.max() == pytest.approx(theirs.max(), rel=0.01)
    assert np.abs(ours / theirs - 1).max() < 0.01
    assert angles[1 + ours.argmax()] == pytest.approx(angles[1 + theirs.argmax()], abs=1.0)


def closed_form_flow(area: float, p0: float, t0: float, p1: float) -> float:
    """Heywood eqs C.8, C.9 for air at gamma 1.4 ... 1.35 by its temperature."""
    gamma = 1.40 - 0.065 * max(t0 - 300.0, 0.0) / 700.0
    ratio = max(p1 / p0, (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0)))
    if ratio >= 1.0:
        return 0.0
    bracket = 2.0 * gamma / (gamma - 1.0) * (ratio ** (2 / gamma) - ratio ** ((gamma + 1) / gamma))
    return area * p0 / math.sqrt(287.037 * t0) * math.sqrt(bracket)


def test_one_gas_exchange_cycle() -> None:
    p = adiabatic_engine()
    warm(p)
    c, e = p.cylinders[0], p.engine
    start, degrees = 120.0, 720.0
    state = start_state(p, rpm=RPM, angle_deg=start, plenum_pa=60e3)
    fill(state, 0, 3e5, 1100.0)
    fill(state, 1, 60e3, 300.0)
    fill(state, 3, 101325.0, 700.0)
    run = turn_crank(p, state, degrees=degrees, throttle_share=0.0)

    reactor = Reactor(p, start, 3e5, 1100.0)
    cylinder = reactor.cylinder
    gas = ct.Solution("gri30.yaml")
    gas.TPX = 300.0, 60e3, AIR
    plenum = ct.Reservoir(gas, clone=True)
    gas.TPX = 700.0, 101325.0, AIR
    exhaust = ct.Reservoir(gas, clone=True)
    ways = [
        ct.MassFlowController(a, b, mdot=0.0)
        for a, b in (
            (plenum, cylinder),
            (cylinder, plenum),
            (exhaust, cylinder),
            (cylinder, exhaust),
        )
    ]
    net = ct.ReactorNet([cylinder])
    net.rtol, net.atol = 1e-10, 1e-16
    step, masses, pressures = 0.1, [], []
    begun = time.perf_counter()
    for k in range(round(degrees / step)):
        angle = start + (k + 0.5) * step
        phase = angle % 720.0
        lift = valve_lift_m(phase, c.inlet_opens_deg, c.inlet_closes_deg, c.inlet_lift_m, 0.0)
        inlet = valve_area_m2(lift, e.inlet_valve_m, e.inlet_valves)
        lift = valve_lift_m(phase, c.exhaust_opens_deg, c.exhaust_closes_deg, c.exhaust_lift_m, 0.0)
        outlet = valve_area_m2(lift, e.exhaust_valve_m, e.exhaust_valves)
        p_now, t_now, _ = reactor.state
        ways[0].mass_flow_rate = closed_form_flow(inlet, 60e3, 300.0, p_now)
        ways[1].mass_flow_rate = closed_form_flow(inlet, p_now, t_now, 60e3)
        ways[2].mass_flow_rate = closed_form_flow(outlet, 101325.0, 700.0, p_now)
        ways[3].mass_flow_rate = closed_form_flow(outlet, p_now, t_now, 101325.0)
        net.reinitialize()
        net.advance(math.radians((k + 1) * step) / SPEED)
        pressures.append(reactor.state[0])
        masses.append(reactor.state[2])
    theirs_s = time.perf_counter() - begun
    trapped = np.interp(c.inlet_closes_deg, start + step * np.arange(1, len(masses) + 1), masses)
    ours = run.truth[1, 0, at.TRUE_TRAPPED]
    peak = run.cylinder_pressure_pa[:, 0][1000:].max()
    peak_theirs = max(pressures[5000:])
    print(f"gas exchange: trapped {ours * 1e6:.2f} mg, reactor {trapped * 1e6:.2f} mg; compression "
          f"{peak / 1e5:.3f} bar, reactor {peak_theirs / 1e5:.3f} bar")  # fmt: skip
    ratio = theirs_s / fastest_s(p, start, degrees)
    print(f"speed ratio on the whole cycle, reactor restarted every {step} deg: {ratio:.0f}")
    assert ours == pytest.approx(float(trapped), rel=0.02)
    assert peak == pytest.approx(peak_theirs, rel=0.01)
    assert ratio > 100.0

"""Run a simulated engine: from parameters, condition and faults to signals and truth."""

import itertools
import math
from dataclasses import dataclass

import numpy as np

from ringland.errors import EngineError
from ringland.model._arrays import FloatArray
from ringland.simulator import layout as at
from ringland.simulator.conditions import RunCondition, RunPlan, run_condition, run_plan
from ringland.simulator.engine import advance
from ringland.simulator.faults import Fault, apply_faults, check_faults
from ringland.simulator.gas import R_AIR, gas_constant, gas_enthalpy, gas_internal_energy
from ringland.simulator.heat import woschni_bore_factor
from ringland.simulator.parameters import SimulatedEngine
from ringland.simulator.rates import crank_state, initial_guess
from ringland.simulator.result import CycleTruth, SimulationResult

__all__ = ["CrankRun", "EngineState", "simulate", "start_state", "turn_crank"]

STEP_DEG = 0.56
# Cylinder walls of a warm engine that is not firing
CRANKING_WALL_K = 350.0


@dataclass(eq=False)
class EngineState:
    """The moving part of a run: state vector `y`, gas table, burn plans, controller, cycle marks.

    Changed in place by `advance`. Layout in layout.py.
    """

    y: FloatArray
    slope: FloatArray
    gas: FloatArray
    plan: FloatArray
    control: FloatArray
    marks: FloatArray


def start_state(
    parameters: SimulatedEngine,
    *,
    rpm: float,
    angle_deg: float = 0.0,
    plenum_pa: float | None = None,
) -> EngineState:
    """All volumes filled: air in cylinders, plenum and crankcase, burned gas in the exhaust."""
    c, e = parameters.cylinder_table(), parameters.engine_vector()
    n, volumes = len(c), parameters.volumes
    outlets = parameters.spec.outlet_count
    gas = initial_guess(volumes)
    geo = np.zeros((n, 5))
    crank_state(math.radians(angle_deg), parameters.phase_table(), c, e, geo, gas)
    gas[n, at.VOLUME] = e[at.PLENUM_M3]
    gas[n + 2 : n + 2 + outlets, at.VOLUME] = e[at.COLLECTOR_M3]
    gas[n + 2 + outlets :, at.VOLUME] = e[at.REAR_M3]
    throttled = not e[at.DIESEL] and rpm > 0.0 and parameters.spec.strokes == 4
    if plenum_pa is None:
        # below where it settles: the first charges carry little residual gas and burn strongly
        plenum_pa = 0.24e5 if throttled else e[at.SUPPLY_PA]
    pressure = np.full(volumes, e[at.AMBIENT_PA])
    temperature = np.full(volumes, e[at.AMBIENT_K] + 30.0)
    burned = np.zeros(volumes)
    pressure[: n + 1] = plenum_pa
    temperature[n] = e[at.SUPPLY_K]
    temperature[n + 1] = e[at.CRANKCASE_WALL_K]
    if rpm > 0.0:
        temperature[n + 2 :] = e[at.EXHAUST_WALL_K] + 60.0
        burned[n + 2 :] = 0.9
        if throttled:
            burned[:n] = 0.8
            temperature[:n] = 600.0
    y = np.zeros(3 * volumes + at.PER_CYLINDER * n + at.SCALARS)
    for v in range(volumes):
        mass = pressure[v] * gas[v, at.VOLUME] / (gas_constant(burned[v]) * temperature[v])
        y[3 * v] = mass
        y[3 * v + 1] = mass * gas_internal_energy(temperature[v], burned[v])
        y[3 * v + 2] = mass * burned[v]
        gas[v, at.TEMPERATURE] = temperature[v]
    for i in range(n):
        land = 3 * volumes + at.PER_CYLINDER * i + at.LAND_KG
        y[land] = e[at.AMBIENT_PA] * c[i, at.LAND_M3] / (R_AIR * e[at.LAND_K])
    ledger = 3 * volumes + at.PER_CYLINDER * n
    y[ledger + at.ANGLE_RAD] = math.radians(angle_deg)
    y[ledger + at.SPEED_RAD_S] = rpm * math.pi / 30.0
    control = np.zeros(5)
    control[at.CTL_SPEED] = rpm
    control[at.CTL_FUEL] = e[at.IDLE_FUEL_KG]
    return EngineState(
        y,
        np.full_like(y, np.nan),
        gas,
        np.zeros((n, at.PLAN_SIZE)),
        control,
        np.full((n, 4), np.nan),
    )


def outside_air(e: FloatArray) -> FloatArray:
    """Ambient pressure and RT, supply RT and enthalpy, ambient enthalpy, and the
    internal energy of air and of products at the temperature of the ring land; last the bore's
    part of Woschni's coefficient."""
    return np.array(
        [
            e[at.AMBIENT_PA],
            R_AIR * e[at.AMBIENT_K],
            R_AIR * e[at.SUPPLY_K],
            gas_enthalpy(e[at.SUPPLY_K], 0.0),
            gas_enthalpy(e[at.AMBIENT_K], 0.0),
            gas_internal_energy(e[at.LAND_K], 0.0),
            gas_internal_energy(e[at.LAND_K], 1.0),
            woschni_bore_factor(e[at.BORE_M]),
        ]
    )


@dataclass(frozen=True, eq=False)
class CrankRun:
    """What `turn_crank` saw, one row per step: `angle_deg`, `cylinder_pressure_pa` (n, cylinders),
    `signals` as `advance` fills them, and the truth table per cycle."""

    angle_deg: FloatArray
    cylinder_pressure_pa: FloatArray
    signals: FloatArray
    truth: FloatArray


def turn_crank(
    parameters: SimulatedEngine,
    state: EngineState,
    *,
    degrees: float,
    step_deg: float = 0.5,
    combustion: bool = False,
    throttle_share: float = 1.0,
) -> CrankRun:
    """Turn the crank from a given state, without scatter: for checks against other solutions.

    The step is `step_deg` at the speed the state has. `state` is changed in place.
    """
    n, outlets = len(parameters.cylinders), parameters.spec.outlet_count
    ledger = 3 * parameters.volumes + at.PER_CYLINDER * n
    speed = state.y[ledger + at.SPEED_RAD_S]
    rate_hz = math.degrees(speed) / step_deg
    steps = round(degrees / step_deg)
    commands = np.zeros((steps, 5))
    commands[:, at.TARGET_RPM] = speed * 30.0 / math.pi
    commands[:, at.THROTTLE_SHARE] = throttle_share
    commands[:, at.COMBUSTION_ON] = 1.0 if combustion else 0.0
    e = parameters.engine_vector()
    cycles = math.degrees(state.y[ledger + at.ANGLE_RAD]) + degrees
    rows = math.ceil(cycles / parameters.spec.cycle_deg) + 3
    draws = np.zeros((rows, n, 5))
    draws[:, :, 0] = 1.0
    truth = np.full((rows, n, at.TRUE_SIZE), np.nan)
    signals, pressures = np.zeros((steps, 7 + 3 * outlets)), np.zeros((steps, n))
    advance(
        state.y, state.slope, state.gas, state.plan, state.control, state.marks, 0, commands,
        rate_hz, 1, parameters.cylinder_table(), e, parameters.pair_table(),
        parameters.phase_table(), outside_air(e), draws, truth, signals, pressures,
    )  # fmt: skip
    return CrankRun(np.degrees(signals[:, 0]), pressures, signals, truth)


def _demand_guess(parameters: SimulatedEngine, rpm: float, load_nm: float) -> float:
    """Logarithm of the air or fuel needed at this speed and load over that at idle."""
    e = parameters.engine
    load_pa = load_nm * math.radians(e.cycle_deg) / parameters.swept_m3

    def needed_pa(at_rpm: float) -> float:
        friction = e.friction_per_rpm_pa + at_rpm * e.friction_per_rpm2_pa
        return e.friction_pa + at_rpm * friction + (0.15e5 if e.diesel else 0.65e5)

    idle_pa = needed_pa(parameters.idle_rpm)
    free = math.log(needed_pa(rpm) / idle_pa)
    loaded = math.log1p(load_pa / needed_pa(rpm))
    # efficiency rises with speed at no load: found by letting the controller settle
    if e.diesel:
        return 0.25 * free + 0.8 * loaded
    return free + 0.8 * loaded + 0.9 * math.log(rpm / parameters.idle_rpm)


def _segments(faults: tuple[Fault, ...], seconds: float) -> list[tuple[float, float]]:
    """Spans of the recording in which the set of faults does not change (the first from -inf)."""
    changes = {t for f in faults for t in (f.onset_s, f.offset_s) if 0.0 < t < seconds}
    edges = [-math.inf, *sorted(changes), math.inf]
    return list(itertools.pairwise(edges))


def simulate(
    parameters: SimulatedEngine,
    *,
    condition: RunCondition | str = RunCondition.IDLE,
    seconds: float = 3.0,
    faults: tuple[Fault, ...] = (),
    seed: int = 0,
    rate_hz: float = 8000.0,
    step_deg: float = STEP_DEG,
    held_rpm: float | None = None,
    load_nm: float = 0.0,
    settle_s: float | None = None,
    cylinder_pressure: bool = False,
) -> SimulationResult:
    """Run the engine and return what sensors could hear and what really happened.

    The engine is brought to the condition for `settle_s` (default 3 s, cranking 1.2 s) before the
    recording starts; faults with onset 0 are there from the beginning. The step is the largest
    division of 1/`rate_hz` below `step_deg` of crank angle at the highest speed expected. The same
    arguments give the same result on one machine. Raises SettingError for an unknown condition, a
    duration that is not positive or a cylinder the engine does not have.
    """
    condition = run_condition(condition)
    check_faults(faults, len(parameters.cylinders))
    plan = run_plan(
        condition,
        seconds=seconds,
        rate_hz=rate_hz,
        idle_rpm=parameters.idle_rpm,
        held_rpm=held_rpm,
        load_nm=load_nm,
        settle_s=settle_s,
    )
    rng = np.random.default_rng([seed, 104729])
    start_deg = float(rng.uniform(0.0, parameters.spec.cycle_deg))
    # what the first cycles lose before anything has burned (common size of engine and flywheel)
    lost_rpm = 20e3 / plan.initial_rpm if plan.initial_rpm > 0.0 else 0.0
    if parameters.engine.imposed_speed or parameters.engine.diesel:
        lost_rpm = 0.0
    state = start_state(parameters, rpm=plan.initial_rpm + lost_rpm, angle_deg=start_deg)
    state.control[at.CTL_SPEED] = plan.initial_rpm
    target = float(plan.commands[0, at.TARGET_RPM])
    state.control[at.CTL_INTEGRAL] = _demand_guess(parameters, target, load_nm)
    substeps = max(1, math.ceil(6.0 * plan.top_rpm / rate_hz / step_deg))
    n, outlets = len(parameters.cylinders), parameters.spec.outlet_count
    total = len(plan.commands)
    turns = start_deg + 6.0 * plan.top_rpm * 1.6 * total / rate_hz
    rows = math.ceil(turns / parameters.spec.cycle_deg) + 4
    draws = rng.standard_normal((rows, n, 5))
    draws[:, :, 0] = rng.uniform(size=(rows, n))
    draws[:, :, 1:] = np.clip(draws[:, :, 1:], -3.5, 3.5)
    truth = np.full((rows, n, at.TRUE_SIZE), np.nan)
    signals = np.zeros((total, 7 + 3 * outlets))
    pressures = np.zeros((total, n) if cylinder_pressure else (0, 0))
    for begin_s, end_s in _segments(faults, seconds):
        present = tuple(f for f in faults if f.onset_s <= max(begin_s, 0.0) < f.offset_s)
        engine = apply_faults(parameters, present)
        first = 0 if math.isinf(begin_s) else round((plan.settle_s + begin_s) * rate_hz)
        last = total if math.isinf(end_s) else round((plan.settle_s + end_s) * rate_hz)
        e = engine.engine_vector()
        if condition is RunCondition.CRANKING:
            e[at.WALL_K] = min(e[at.WALL_K], CRANKING_WALL_K)
        advance(
            state.y, state.slope, state.gas, state.plan, state.control, state.marks, first,
            plan.commands[first:last], rate_hz, substeps, engine.cylinder_table(), e,
            engine.pair_table(), engine.phase_table(), outside_air(e), draws, truth,
            signals[first:last], pressures[first:last],
        )  # fmt: skip
    return _result(parameters, condition, plan, faults, seed, rate_hz, truth, signals, pressures)


def _bay_pressure_pa(parameters: SimulatedEngine, signals: FloatArray) -> FloatArray:
    """Pressure in the bay of the dipstick over that of the crankcase, Pa (eq 8a).

    Quasi-steady: half rho times the square of the speed with which the piston's displacement
    passes the window, with its sign.
    """
    if parameters.bay_window_m2 <= 0.0:
        return np.zeros(len(signals))
    e = parameters.engine
    firing = math.radians(parameters.cylinders[parameters.dipstick_cylinder - 1].firing_deg)
    angle = signals[:, 0] - firing
    side = e.crank_radius_m * np.sin(angle)
    slope = side + side * e.crank_radius_m * np.cos(angle) / np.sqrt(e.rod_m**2 - side**2)
    flow_m3_s = e.piston_area_m2 * slope * signals[:, 1]
    density = signals[:, 2] / (R_AIR * e.crankcase_wall_k)
    speed = flow_m3_s / parameters.bay_window_m2
    return np.asarray(0.5 * density * speed * np.abs(speed))


def _result(
    parameters: SimulatedEngine, condition: RunCondition, plan: RunPlan, faults: tuple[Fault, ...],
    seed: int, rate_hz: float, truth: FloatArray, signals: FloatArray, pressures: FloatArray,
) -> SimulationResult:  # fmt: skip
    """Cut the settling time off and name the columns."""
    e = parameters.engine
    before = round(plan.settle_s * rate_hz)
    kept = signals[before:]
    if not np.isfinite(kept[:, 0]).all():
        raise EngineError(
            "The simulation of this engine does not hold together: its crank angle is lost.",
            got=f"{parameters.spec.cylinders} cylinders, {parameters.spec.name}",
            allowed="an engine whose sizes fit one another",
            remedy="Check bore, stroke, compression ratio and the size of the fault.",
        )
    count = len(kept)
    cycle = parameters.spec.cycle_deg
    angle = np.degrees(kept[:, 0])
    whole = math.floor(angle[0] / cycle)
    last = math.floor(angle[-1] / cycle)
    rows = truth[whole : last + 1]
    seconds = count / rate_hz
    firing = rows[:, :, at.TRUE_FIRING_S] - before / rate_hz
    firing = np.where((firing >= 0.0) & (firing < seconds), firing, np.nan)
    turn = np.arange(whole, last + 1)[:, None] * cycle
    turn = turn + np.array([c.firing_deg for c in parameters.cylinders])
    inside = (turn - 180.0 >= angle[0]) & (turn - 180.0 + cycle <= angle[-1])

    def in_cycle(column: int) -> FloatArray:
        return np.where(inside, rows[:, :, column], np.nan)

    cycles = CycleTruth(
        firing_time_s=firing,
        misfired=rows[:, :, at.TRUE_MISFIRED] == 1.0,
        imep_pa=in_cycle(at.TRUE_IMEP),
        heat_j=rows[:, :, at.TRUE_HEAT],
        residual_fraction=rows[:, :, at.TRUE_RESIDUAL],
        trapped_kg=rows[:, :, at.TRUE_TRAPPED],
        blow_by_kg=in_cycle(at.TRUE_BLOW_BY),
        peak_pressure_pa=in_cycle(at.TRUE_PEAK),
    )
    current = kept[:, 5]
    return SimulationResult(
        engine=parameters.spec,
        condition=condition.recorded_as,
        rate_hz=rate_hz,
        time_s=np.arange(count) / rate_hz,
        crank_angle_deg=angle - whole * cycle,
        speed_rpm=kept[:, 1] * 30.0 / math.pi,
        exhaust_flow_kg_s=kept[:, 7::3].T,
        exhaust_pressure_pa=kept[:, 8::3].T,
        exhaust_temperature_k=kept[:, 9::3].T,
        crankcase_pressure_pa=kept[:, 2] + _bay_pressure_pa(parameters, kept),
        crankcase_flow_kg_s=kept[:, 3],
        plenum_pressure_pa=kept[:, 4],
        starter_current_a=current,
        battery_v=e.starter_emf_v - e.battery_ohm * current,
        cycles=cycles,
        faults=tuple(f.truth() for f in faults),
        cylinder_pressure_pa=pressures[before:].T if len(pressures) else None,
        crankcase_temperature_k=e.crankcase_wall_k,
        ambient_pressure_pa=e.ambient_pa,
        ambient_temperature_k=e.ambient_k,
        seed=seed,
    )

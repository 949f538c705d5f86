"""Simulated cases: an engine, its faults and its hook-up drawn at random, recorded, and measured.

Everything that is not known of an engine is drawn anew for every case. Ranges: reference_cases.toml
and ringland.simulator.hookup_random; why: docs/theory/reference.md, section 1.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from ringland.cycles import find_cycles
from ringland.cylinders import measure_and_turn
from ringland.engines import layouts
from ringland.errors import RinglandError
from ringland.metrics import measure_metrics
from ringland.model import CycleSet, EngineSpec, Fuel, Geometry, Recording, Reference, arrival_prior
from ringland.model._arrays import FloatArray
from ringland.reference.colour import coloured
from ringland.reference.features import Measured, recording_features
from ringland.reference.plan import CaseSettings, Component, load_settings
from ringland.simulator.faults import FAULT_KINDS, Fault, Scope
from ringland.simulator.hookup import FaultKind, HookUp, HookUpFault, described, record, truth
from ringland.simulator.hookup_random import HookUpPrior, random_hookup, random_recorder
from ringland.simulator.hookup_wired import WHEELS
from ringland.simulator.parameters import (
    SimulatedEngine,
    simulated_engine,
    with_healthy_spread,
)
from ringland.simulator.result import SimulationResult
from ringland.simulator.run import simulate
from ringland.simulator.sensors import PulseSensor

__all__ = [
    "DrawnCase",
    "DrawnRecording",
    "Example",
    "described_by_technician",
    "draw_case",
    "drawn_hook_up",
    "drawn_recordings",
    "drawn_run",
    "example_of",
    "example_of_case",
    "features_of",
    "log_uniform",
    "measured_recording",
    "neighbours_in_bank",
    "simulated_examples",
    "true_positions",
]

_COMMON = {
    "I2-360": 1.0, "I3-132": 12.0, "I4-1342": 34.0, "I5-12453": 7.0, "I6-153624": 20.0,
    "V6-60-123456": 5.0, "V6-60-123456-dual": 2.0, "V6-60-142536": 3.0, "V6-90-165432": 3.0,
    "V6-90-odd-fire": 3.0, "V8-90-18436572": 5.0, "V8-90-18436572-dual": 5.0,
    "V8-90-15486372": 2.0, "V8-90-15486372-dual": 2.0,
}  # fmt: skip
"""How often the common layouts are drawn (common practice, no source); all others: _RARE."""
_RARE = 0.35
_RISE_DEG = 140.0  # rise of the blow-down after firing top dead centre in the simulator
_FEWEST_CYCLES = 4
_PLAIN = HookUpPrior(catalyst_probability=0.0, silencers=(0, 0), length_m=(0.8, 4.0))
_PLAIN_SHARE = 0.2


@dataclass(frozen=True)
class DrawnCase:
    """What is simulated: engine, faults to be found, faults of the whole engine beside them, and
    how it runs (`held_rpm` None: idling). `usual`: the engine with all cylinders alike, and
    `difference_scale` how much they differ in `engine`."""

    engine: SimulatedEngine
    usual: SimulatedEngine
    difference_scale: float
    faults: tuple[Fault, ...]
    background: tuple[Fault, ...]
    held_rpm: float | None
    load_nm: float


@dataclass(frozen=True, eq=False)
class DrawnRecording:
    """One recording of a case, how a technician would describe the engine, and what is true."""

    case: DrawnCase
    result: SimulationResult
    hookup: HookUp
    told: EngineSpec
    recording: Recording
    snr_db: float


@dataclass(frozen=True, eq=False)
class Example:
    """One measured recording with its truth.

    `values` (positions, columns) as features.BLOCKS says. `faults`: kind, firing positions as the
    recording counts them, severity in the kind's unit. `numbered`: the cylinders are known.
    """

    seed: int
    values: FloatArray
    faults: tuple[tuple[str, tuple[int, ...], float], ...]
    diesel: bool
    numbered: bool
    idling: bool
    snr_db: float


def draw_case(
    rng: np.random.Generator,
    engine: EngineSpec | None = None,
    *,
    held_rpm: float | None = None,
    settings: CaseSettings | None = None,
    wider: float = 1.0,
) -> DrawnCase:
    """One case of any engine, or of the one described, under any condition, or the one given.

    `wider` multiplies the spreads of the whole engine's parameters.

    What the description of `engine` leaves out (geometry, fuel, idle speed) is drawn.
    """
    settings = settings or load_settings()
    spec = _any_engine(rng) if engine is None else _filled_in(rng, engine)
    usual = _varied(rng, spec, wider)
    differences = int(rng.integers(1 << 30))
    scale = float(rng.uniform(settings.healthy_scale_low, settings.healthy_scale_high))
    if engine is not None:
        held = held_rpm
    else:
        held = None if rng.random() < 0.5 else float(rng.uniform(1000.0, 2600.0))
    loaded = held is not None and rng.random() < 0.3
    return DrawnCase(
        engine=with_healthy_spread(usual, seed=differences, scale=scale),
        usual=usual,
        difference_scale=scale,
        faults=_drawn_faults(rng, spec, settings),
        background=_drawn_background(rng, settings),
        held_rpm=held,
        load_nm=float(rng.uniform(0.0, 60.0)) if loaded else 0.0,
    )


def _any_engine(rng: np.random.Generator) -> EngineSpec:
    fitting = [one for one in layouts() if one.engine.strokes == 4 and one.engine.cylinders > 1]
    weight = np.array([_COMMON.get(one.id, _RARE) for one in fitting])
    chosen = fitting[int(rng.choice(len(fitting), p=weight / weight.sum()))]
    return _filled_in(rng, replace(chosen.engine, fuel=Fuel.UNKNOWN))


def _filled_in(rng: np.random.Generator, engine: EngineSpec) -> EngineSpec:
    """The description with what it leaves out drawn from wide ranges."""
    fuel = engine.fuel
    if fuel is Fuel.UNKNOWN:
        fuel = Fuel.DIESEL if rng.random() < 0.4 else Fuel.PETROL
    diesel = fuel is Fuel.DIESEL
    geometry = engine.geometry
    if geometry is None:
        bore = log_uniform(rng, 0.066, 0.13 if diesel else 0.105)
        stroke = bore * float(rng.uniform(0.85, 1.25))
        geometry = Geometry(
            bore_m=bore,
            stroke_m=stroke,
            rod_m=stroke * float(rng.uniform(1.5, 1.95)),
            compression_ratio=float(rng.uniform(15.0, 20.0) if diesel else rng.uniform(8.5, 12.5)),
        )
    idle = engine.idle_speed_rpm or float(rng.uniform(550.0, 950.0))
    return replace(engine, fuel=fuel, geometry=geometry, idle_speed_rpm=idle)


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """A number whose logarithm is drawn evenly."""
    return float(np.exp(rng.uniform(math.log(low), math.log(high))))


_SPREADS = {
    "inertia_kg_m2": 0.6,
    "friction_pa": 0.25,
    "crankcase_m3": 0.5,
    "breather_m2": 0.8,
    "ventilation_m2": 0.8,
    "plenum_m3": 0.6,
    "collector_m3": 0.6,
    "tail_loss": 0.8,
    "duration_scatter": 0.5,
    "start_scatter_deg": 0.5,
    "mixture_scatter": 0.5,
    "heat_scale": 0.3,
    "residual_effect": 0.5,
}
"""Parameters of the whole engine, each drawn uniform in its logarithm this far about the usual."""


def _varied(rng: np.random.Generator, spec: EngineSpec, wider: float) -> SimulatedEngine:
    """An engine of this description with other sizes, cams, ignition and crankcase than usual."""
    usual = simulated_engine(spec).engine
    changes = {
        name: getattr(usual, name) * float(np.exp(wider * rng.uniform(-spread, spread)))
        for name, spread in _SPREADS.items()
    }
    if rng.random() < 0.2:  # not yet warm
        changes["wall_k"] = usual.wall_k - float(rng.uniform(20.0, 110.0))
    made = simulated_engine(spec, **changes)
    if rng.random() < 0.7:
        made = replace(
            made,
            bay_window_m2=log_uniform(rng, 6e-4, 40e-4),
            dipstick_cylinder=int(rng.integers(1, spec.cylinders + 1)),
        )
    exhaust_deg, inlet_deg, burn_deg = rng.normal(0.0, (8.0, 8.0, 4.0))
    lift = float(rng.uniform(0.75, 1.25))
    slower, wider = np.exp(rng.normal(0.0, (0.12, 0.4)))
    return replace(
        made,
        cylinders=tuple(
            replace(
                c,
                exhaust_opens_deg=c.exhaust_opens_deg + exhaust_deg,
                exhaust_closes_deg=c.exhaust_closes_deg + 0.3 * exhaust_deg,
                inlet_opens_deg=c.inlet_opens_deg + 0.3 * inlet_deg,
                inlet_closes_deg=c.inlet_closes_deg + inlet_deg,
                exhaust_lift_m=c.exhaust_lift_m * lift,
                inlet_lift_m=c.inlet_lift_m * lift,
                burn_start_deg=c.burn_start_deg + burn_deg,
                burn_duration_deg=c.burn_duration_deg * float(slower),
                top_gap_m2=c.top_gap_m2 * float(wider),
                second_gap_m2=c.second_gap_m2 * float(wider),
            )
            for c in made.cylinders
        ),
    )


def neighbours_in_bank(engine: EngineSpec) -> list[tuple[int, int]]:
    """Cylinder numbers next to one another in one bank."""
    banks = engine.banks or (1,) * engine.cylinders
    pairs = []
    for bank in sorted(set(banks)):
        inside = [c for c in range(1, engine.cylinders + 1) if banks[c - 1] == bank]
        pairs += list(pairwise(inside))
    return pairs


def _drawn_faults(
    rng: np.random.Generator, spec: EngineSpec, settings: CaseSettings
) -> tuple[Fault, ...]:
    """None, one, or rarely two faults, in different cylinders."""
    usable = [c for c in settings.components if spec.fuel.value in c.fuels or not c.fuels]
    weight = np.array([c.weight for c in usable])
    count = int(rng.choice(3, p=(settings.sound_share, 1 - settings.sound_share - 0.06, 0.06)))
    faults: list[Fault] = []
    taken: set[int] = set()
    for _ in range(count):
        chosen = usable[int(rng.choice(len(usable), p=weight / weight.sum()))]
        where = _place(rng, spec, chosen)
        if where is None or taken & set(where):
            continue
        taken |= set(where)
        faults.append(Fault(chosen.kind, where, log_uniform(rng, chosen.least, chosen.most)))
    return tuple(faults)


def _place(
    rng: np.random.Generator, spec: EngineSpec, component: Component
) -> tuple[int, ...] | None:
    """Cylinder numbers; None where the engine has no neighbours."""
    active = [c for c in range(1, spec.cylinders + 1) if c not in spec.inactive_cylinders]
    if FAULT_KINDS[component.kind].scope != Scope.PAIR:
        return (int(rng.choice(active)),)
    pairs = [p for p in neighbours_in_bank(spec) if set(p) <= set(active)]
    return pairs[int(rng.integers(len(pairs)))] if pairs else None


def _drawn_background(rng: np.random.Generator, settings: CaseSettings) -> tuple[Fault, ...]:
    """Now and then something that is the same for all cylinders and is not to be named here."""
    if rng.random() > 0.2:
        return ()
    chosen = settings.background[int(rng.integers(len(settings.background)))]
    signed = chosen.least < 0.0
    draw = rng.uniform if signed else (lambda low, high: log_uniform(rng, low, high))
    return (Fault(chosen.kind, (), float(draw(chosen.least, chosen.most))),)


def drawn_hook_up(rng: np.random.Generator, spec: EngineSpec, *, may_be_blind: bool) -> HookUp:
    hookup = random_hookup(rng, spec, _PLAIN if rng.random() < _PLAIN_SHARE else None)
    exhaust, crankcase = hookup.exhaust_sensor, hookup.crankcase_sensor
    if exhaust is not None and rng.random() < 0.15:
        exhaust = replace(exhaust, low_corner_hz=float(rng.uniform(2.0, 9.0)))
    if crankcase is not None and rng.random() < 0.3:
        crankcase = replace(crankcase, low_corner_hz=float(rng.uniform(0.1, 4.0)))
    hookup = replace(hookup, exhaust_sensor=exhaust, crankcase_sensor=crankcase)
    if rng.random() < 0.3:
        intake = PulseSensor(sensitivity=1e-3, low_corner_hz=float(rng.choice([0.0, 0.5])))
        hookup = replace(hookup, intake_sensor=intake)
    if rng.random() < 0.05:
        hole = HookUpFault(FaultKind.EXHAUST_LEAK, float(rng.uniform(0.004, 0.02)))
        hookup = replace(hookup, faults=(hole,))
    if may_be_blind and rng.random() < 0.5:
        return replace(hookup, trigger=None)
    if rng.random() < 0.2:
        wheel = list(WHEELS.values())[int(rng.integers(3))]
        turned = float(rng.uniform(0.0, 360.0))
        return replace(hookup, wheel=wheel, wheel_offset_deg=turned, wheel_as_edges=True)
    return hookup


def drawn_recordings(
    seed: int,
    engine: EngineSpec | None = None,
    *,
    held_rpm: float | None = None,
    sound: bool = False,
    hook_ups: int = 2,
) -> Iterator[DrawnRecording]:
    """The recordings of case number `seed`, so many hook-ups of one run; none of engines that do
    not run.

    The last has no trigger half of the time. `sound`: the same with no cylinder at fault.
    """
    rng = np.random.default_rng([seed, 4242])
    case = draw_case(rng, engine, held_rpm=held_rpm)
    if sound:
        case = replace(case, faults=())
    result = drawn_run(rng, case)
    if result is None:
        return
    for number in range(hook_ups):
        yield _recorded(rng, case, result, blind=number == hook_ups - 1)


def drawn_run(rng: np.random.Generator, case: DrawnCase) -> SimulationResult | None:
    """A few seconds of the engine as it is run in this case; None where it does not run."""
    try:
        return simulate(
            case.engine,
            condition="idle" if case.held_rpm is None else "held",
            seconds=float(rng.uniform(2.2, 6.5)),
            settle_s=1.6,
            held_rpm=case.held_rpm,
            load_nm=case.load_nm,
            faults=case.faults + case.background,
            seed=int(rng.integers(1 << 30)),
        )
    except RinglandError:
        return None


def _recorded(
    rng: np.random.Generator, case: DrawnCase, result: SimulationResult, *, blind: bool
) -> DrawnRecording:
    spec = case.engine.spec
    hookup = drawn_hook_up(rng, spec, may_be_blind=blind)
    recorder = replace(random_recorder(rng), snr_db=float(rng.uniform(8.0, 35.0)))
    recording = record(result, hookup, recorder=recorder, seed=int(rng.integers(1 << 30)))
    recording = coloured(rng, recording)
    return DrawnRecording(
        case=case,
        result=result,
        hookup=hookup,
        told=described_by_technician(rng, spec, hookup),
        recording=recording,
        snr_db=recorder.snr_db or math.nan,
    )


def simulated_examples(
    seed: int,
    engine: EngineSpec | None = None,
    *,
    held_rpm: float | None = None,
    hook_ups: int = 2,
) -> tuple[Example, ...]:
    """The measured recordings of case number `seed`; those that cannot be judged are left out."""
    made = drawn_recordings(seed, engine, held_rpm=held_rpm, hook_ups=hook_ups)
    found = (_measured(seed, one) for one in made)
    return tuple(example for example in found if example is not None)


def _measured(seed: int, made: DrawnRecording) -> Example | None:
    seen = measured_recording(made.recording, made.told)
    if seen is None:
        return None
    cycles, measured = seen
    values = features_of(measured, made.told)
    return None if values is None else example_of(seed, made, cycles, values)


def measured_recording(recording: Recording, told: EngineSpec) -> tuple[CycleSet, Measured] | None:
    """Cycles and what was measured, by the code that judges real recordings; None where it cannot
    be judged."""
    cycles = find_cycles(recording, told)
    if isinstance(cycles, str) or len(cycles.kept) < _FEWEST_CYCLES:
        return None
    cycles, cylinders = measure_and_turn(recording, told, cycles)
    speed = float(np.median(cycles.speed_rpm))
    return cycles, Measured(measure_metrics(cylinders), cylinders, speed)


def features_of(
    measured: Measured, told: EngineSpec, sound: Measured | None = None
) -> FloatArray | None:
    """`recording_features` of what was measured."""
    table, cylinders, speed = measured.table, measured.cylinders, measured.speed_rpm
    return recording_features(table, cylinders, told, speed_rpm=speed, sound=sound)


def example_of(seed: int, made: DrawnRecording, cycles: CycleSet, values: FloatArray) -> Example:
    """Features with what is true of them."""
    return example_of_case(
        seed,
        made.case,
        true_positions(cycles, made.result, made.told, made.hookup),
        values,
        numbered=cycles.reference is Reference.CYLINDER,
        snr_db=made.snr_db,
    )


def example_of_case(
    seed: int,
    case: DrawnCase,
    position: Mapping[int, int],
    values: FloatArray,
    *,
    numbered: bool = True,
    snr_db: float = math.nan,
) -> Example:
    """The same where the `position` of every cylinder is known."""
    return Example(
        seed=seed,
        values=values,
        faults=tuple(
            (f.kind, tuple(position[c] for c in f.cylinders), f.severity) for f in case.faults
        ),
        diesel=case.engine.spec.fuel is Fuel.DIESEL,
        numbered=numbered,
        idling=case.held_rpm is None,
        snr_db=snr_db,
    )


def described_by_technician(
    rng: np.random.Generator, spec: EngineSpec, hookup: HookUp
) -> EngineSpec:
    """What a technician writes down: geometry half of the time, the pipe's length now and then."""
    length = hookup.paths[0].length_m * float(rng.uniform(0.9, 1.1))
    return replace(
        described(spec, hookup),
        geometry=None if rng.random() < 0.5 else spec.geometry,
        exhaust_path_m=length if rng.random() < 0.3 else None,
        idle_speed_rpm=None,
    )


def true_positions(
    cycles: CycleSet, result: SimulationResult, told: EngineSpec, hookup: HookUp
) -> dict[int, int]:
    """Firing position of every cylinder as the recording counts.

    Without a cylinder reference: the moment at which each position's pulse is expected is compared
    with when each cylinder's blow-down really reached the sensor; the best turn of the firing order
    is taken.
    """
    order = result.engine.firing_order
    if cycles.reference is Reference.CYLINDER:
        return {cylinder: n for n, cylinder in enumerate(order, start=1)}
    cycle = told.cycle_deg
    late_s = next(iter(truth(result, hookup, seed=0).path_delay_s.values()), 0.0)
    speed = cycles.mean_speed_rpm.value or float(result.speed_rpm.mean())
    rise = arrival_prior(told, speed).rise_deg
    first = math.ceil(cycles.angle_deg[0] / cycle + 1.0) * cycle
    turns = np.arange(first, cycles.angle_deg[-1] - 2.0 * cycle, cycle)
    angles = np.asarray(result.engine.firing_angles_deg)
    heard_s = np.stack([cycles.time_at(turn + angles + rise) for turn in turns]) - late_s
    true_deg = np.interp(heard_s, result.time_s, result.crank_angle_deg)
    misfits = []
    for shift in range(len(order)):
        away = true_deg - np.roll(angles + _RISE_DEG, -shift)
        away = (away + cycle / 2.0) % cycle - cycle / 2.0
        mean = float(np.angle(np.mean(np.exp(2j * np.pi * away / cycle))))
        misfits.append(abs(mean) + float(away.std()))
    best = int(np.argmin(misfits))
    return {order[(n + best) % len(order)]: n + 1 for n in range(len(order))}

"""Random recordings with known truth, for validation.

Case k is always the same engine, fault, hook-up and noise. Sizes, speeds, inertias, breathers and
spreads are drawn away from the simulator's own defaults, so that nothing is tried on the numbers it
was tuned with.
"""

from dataclasses import dataclass, replace

import numpy as np

from ringland.engines import layout
from ringland.model import ChannelRole, EngineSpec, Fuel, Geometry, Recording
from ringland.simulator.faults import Fault
from ringland.simulator.hookup import HookUp, RecordingTruth, described, record, truth
from ringland.simulator.hookup_random import random_hookup, random_recorder
from ringland.simulator.parameters import SimulatedEngine, simulated_engine, with_healthy_spread
from ringland.simulator.recorder import Recorder
from ringland.simulator.result import SimulationResult
from ringland.simulator.run import simulate

__all__ = [
    "KINDS",
    "LAYOUTS",
    "Case",
    "MadeCase",
    "draw_case",
    "engine_of",
    "hook_up",
    "length_told",
    "make_case",
    "run_engine",
    "usual_engine",
    "without_trigger",
]

LAYOUTS = (
    "I3-132",
    "I4-1342",
    "I5-12453",
    "I6-153624",
    "V6-60-123456",
    "V6-90-odd-fire",
    "V8-90-18436572",
    "V8-90-18436572-dual",
)
KINDS = ("misfire", "ring_leak", "exhaust_valve_leak", "inlet_valve_leak", "healthy")
_SEVERITY = {
    "misfire": (0.20, 1.0),
    "ring_leak": (2.0, 8.0),
    "exhaust_valve_leak": (2.0, 8.0),
    "inlet_valve_leak": (2.0, 8.0),
}


@dataclass(frozen=True)
class Case:
    """What is drawn before anything is simulated. `severity` is a share or mm2."""

    index: int
    seed: int
    layout_id: str
    kind: str
    condition: str
    cylinder: int | None
    severity: float
    diesel: bool


@dataclass(frozen=True, eq=False)
class MadeCase:
    """The recording, how a technician would describe the engine, and what is true."""

    case: Case
    recording: Recording
    engine: EngineSpec
    result: SimulationResult
    told: RecordingTruth
    snr_db: float


def _rng(case: Case, use: int) -> np.random.Generator:
    return np.random.default_rng([case.seed, case.index, use])


def draw_case(index: int, seed: int) -> Case:
    """Case number `index`: layouts and kinds take turns, all of them in any 40."""
    rng = np.random.default_rng([seed, index, 0])
    layout_id = LAYOUTS[index % len(LAYOUTS)]
    kind = KINDS[index // len(LAYOUTS) % len(KINDS)]
    cylinders = layout(layout_id).engine.cylinders
    may_be_diesel = layout_id[0] == "I"
    low, high = _SEVERITY.get(kind, (0.0, 0.0))
    return Case(
        index=index,
        seed=seed,
        layout_id=layout_id,
        kind=kind,
        condition="idle" if rng.random() < 0.5 else "held",
        cylinder=None if kind == "healthy" else int(rng.integers(1, cylinders + 1)),
        severity=float(rng.uniform(low, high)),
        diesel=bool(may_be_diesel and rng.random() < 0.4),
    )


def usual_engine(case: Case) -> tuple[SimulatedEngine, int]:
    """The engine of a case with all cylinders alike, and the seed of what they differ by."""
    rng = _rng(case, 1)
    bore = float(rng.uniform(0.074, 0.098))
    stroke = bore * float(rng.uniform(0.90, 1.15))
    geometry = Geometry(
        bore_m=bore,
        stroke_m=stroke,
        rod_m=stroke * float(rng.uniform(1.55, 1.85)),
        compression_ratio=float(rng.uniform(15.5, 18.5) if case.diesel else rng.uniform(9.0, 11.5)),
    )
    spec = replace(
        layout(case.layout_id).engine,
        fuel=Fuel.DIESEL if case.diesel else Fuel.PETROL,
        geometry=geometry,
        idle_speed_rpm=float(rng.uniform(640.0, 880.0)),
    )
    usual = simulated_engine(spec)
    e = usual.engine

    def about(value: float, spread: float) -> float:
        return value * float(np.exp(rng.uniform(-spread, spread)))

    changed = simulated_engine(
        spec,
        inertia_kg_m2=about(e.inertia_kg_m2, 0.4),
        friction_pa=about(e.friction_pa, 0.15),
        crankcase_m3=about(e.crankcase_m3, 0.3),
        breather_m2=about(e.breather_m2, 0.5),
        ventilation_m2=about(e.ventilation_m2, 0.5),
        plenum_m3=about(e.plenum_m3, 0.4),
        collector_m3=about(e.collector_m3, 0.4),
        tail_loss=about(e.tail_loss, 0.6),
        duration_scatter=about(e.duration_scatter, 0.3),
    )
    return changed, int(rng.integers(1 << 30))


def engine_of(case: Case) -> SimulatedEngine:
    """The engine of a case, sound."""
    usual, differences = usual_engine(case)
    return with_healthy_spread(usual, seed=differences, scale=1.0)


def _told(case: Case, engine: EngineSpec, hookup: HookUp) -> EngineSpec:
    """The description: half of the technicians know the geometry, and the length of the exhaust
    within a tenth."""
    rng = _rng(case, 4)
    knows = _knows(rng)
    length = hookup.paths[0].length_m * float(rng.uniform(0.9, 1.1))
    return replace(
        described(engine, hookup),
        geometry=engine.geometry if knows else None,
        exhaust_path_m=length if knows else None,
        idle_speed_rpm=None,
    )


def length_told(case: Case) -> bool:
    """Whether the description has the geometry and the length of the exhaust."""
    return _knows(_rng(case, 4))


def _knows(rng: np.random.Generator) -> bool:
    return bool(rng.random() < 0.5)


def run_engine(
    case: Case, engine: SimulatedEngine, cylinder: int | None, extra_seed: int | None = None
) -> SimulationResult:
    """The engine run as the case asks, with its fault in this cylinder or in none.

    `extra_seed`: another run under the same condition, with other cycles.
    """
    faults = () if cylinder is None else (Fault(case.kind, (cylinder,), case.severity),)
    idle = case.condition == "idle"
    rng = _rng(case, 2)
    held = None if idle else float(rng.uniform(1450.0, 1550.0))
    seed = int(rng.integers(1 << 30))
    return simulate(
        engine,
        condition=case.condition,
        seconds=20.0 if idle else 12.0,
        held_rpm=held,
        load_nm=0.0,
        faults=faults,
        seed=seed if extra_seed is None else extra_seed,
    )


def hook_up(case: Case, engine: EngineSpec) -> tuple[HookUp, Recorder]:
    """What is clipped on, and what records it."""
    drawn = _rng(case, 3)
    return random_hookup(drawn, engine), random_recorder(drawn)


def make_case(case: Case) -> MadeCase:
    """Simulate and record one case."""
    engine = engine_of(case)
    result = run_engine(case, engine, case.cylinder)
    hookup, recorder = hook_up(case, engine.spec)
    return MadeCase(
        case=case,
        recording=record(result, hookup, recorder=recorder, seed=case.index),
        engine=_told(case, engine.spec, hookup),
        result=result,
        told=truth(result, hookup, seed=case.index),
        snr_db=recorder.snr_db or float("nan"),
    )


def without_trigger(made: MadeCase) -> MadeCase:
    """The same recording with the trigger lead left in the box."""
    recording = replace(
        made.recording,
        channels=tuple(c for c in made.recording.channels if c.role is not ChannelRole.IGNITION),
        edges=tuple(e for e in made.recording.edges if e.role is not ChannelRole.IGNITION),
    )
    engine = replace(
        made.engine,
        trigger_cylinder=None,
        trigger_advance_deg=None,
        trigger_pulses_per_cycle=None,
    )
    return replace(made, recording=recording, engine=engine)

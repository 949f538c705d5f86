"""Random faulty engines with known severity, for the validation of the physical estimate.

Case k of a seed is always the same engine, fault, hook-up and noise. `wide` draws sizes, valve
timing, ring gaps, breathers, burning and healthy spread from wider ranges than those the estimate
was developed on, and than the priors it assumes.
"""

from dataclasses import dataclass, replace

import numpy as np

from ringland.engines import layout
from ringland.model import EngineSpec, Fuel, Geometry, Recording, ValveTiming
from ringland.simulator.faults import Fault
from ringland.simulator.hookup import described, record
from ringland.simulator.hookup_random import random_hookup, random_recorder
from ringland.simulator.parameters import SimulatedEngine, simulated_engine, with_healthy_spread
from ringland.simulator.run import simulate

__all__ = [
    "KINDS",
    "LAYOUTS",
    "SeverityCase",
    "draw_case",
    "make_case",
    "make_cranked",
    "with_displacement",
]

LAYOUTS = (
    "I4-1342",
    "I6-153624",
    "I3-132",
    "V6-60-123456",
    "I5-12453",
    "V8-90-18436572",
    "V6-90-odd-fire",
    "V8-90-18436572-dual",
)
KINDS = {
    "ring_leak": ("ring_leak", 1.0, 12.0),
    "exhaust_valve_leak": ("exhaust_valve_leak", 1.0, 12.0),
    "inlet_valve_leak": ("inlet_valve_leak", 1.0, 12.0),
    "weak_burn": ("lean_cylinder", 0.15, 0.6),
    "late_burn": ("late_burn_cylinder", 8.0, 30.0),
}
"""Kind of the simulator -> (failure mode, least, most), severities even in their logarithm."""


@dataclass(frozen=True)
class SeverityCase:
    """What is drawn before anything is simulated."""

    index: int
    seed: int
    layout_id: str
    kind: str
    condition: str
    cylinder: int
    severity: float
    diesel: bool
    knows_geometry: bool
    wide: bool


def _rng(case: SeverityCase, use: int) -> np.random.Generator:
    return np.random.default_rng([case.seed, case.index, use])


def draw_case(index: int, seed: int, *, wide: bool) -> SeverityCase:
    """Case number `index`: kinds and layouts take turns, all pairs in any 40."""
    rng = np.random.default_rng([seed, index, 0])
    kinds = tuple(KINDS)
    kind = kinds[index % len(kinds)]
    layout_id = LAYOUTS[index % len(LAYOUTS)]
    _, least, most = KINDS[kind]
    return SeverityCase(
        index=index,
        seed=seed,
        layout_id=layout_id,
        kind=kind,
        condition="idle" if rng.random() < 0.5 else "held",
        cylinder=int(rng.integers(1, layout(layout_id).engine.cylinders + 1)),
        severity=float(least * (most / least) ** rng.random()),
        diesel=bool(layout_id[0] == "I" and rng.random() < 0.4),
        knows_geometry=bool(rng.random() < 0.5),
        wide=wide,
    )


def _engine(case: SeverityCase) -> SimulatedEngine:
    rng = _rng(case, 1)
    w = 1.5 if case.wide else 1.0

    def about(value: float, spread: float) -> float:
        return value * float(np.exp(rng.uniform(-w * spread, w * spread)))

    bore = about(0.102 if case.diesel else 0.086, 0.13)
    stroke = bore * about(1.05, 0.12)
    geometry = Geometry(
        bore_m=bore,
        stroke_m=stroke,
        rod_m=stroke * float(rng.uniform(1.55, 1.85)),
        compression_ratio=float(rng.uniform(15.5, 18.5) if case.diesel else rng.uniform(9.0, 11.5)),
    )
    usual = (
        ValveTiming(130.0, 370.0, 350.0, 588.0)
        if case.diesel
        else ValveTiming(130.0, 374.0, 344.0, 616.0)
    )
    shift = rng.uniform(-8.0 * w, 8.0 * w, 4)
    timing = ValveTiming(
        usual.exhaust_opens_deg + shift[0],
        usual.exhaust_closes_deg + shift[1],
        usual.inlet_opens_deg + shift[2],
        usual.inlet_closes_deg + shift[3],
    )
    spec = replace(
        layout(case.layout_id).engine,
        fuel=Fuel.DIESEL if case.diesel else Fuel.PETROL,
        geometry=geometry,
        valve_timing=timing,
        idle_speed_rpm=float(rng.uniform(640.0, 880.0)),
    )
    e = simulated_engine(spec).engine
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
    gap, burn, start = about(1.0, 0.4), about(1.0, 0.12), float(rng.uniform(-3.0, 3.0))
    cylinders = tuple(
        replace(
            c,
            top_gap_m2=c.top_gap_m2 * gap,
            second_gap_m2=c.second_gap_m2 * gap,
            burn_duration_deg=c.burn_duration_deg * burn,
            burn_start_deg=c.burn_start_deg + start,
        )
        for c in changed.cylinders
    )
    scale = float(rng.uniform(0.5, 1.5 if case.wide else 1.2))
    seed = int(rng.integers(1 << 30))
    return with_healthy_spread(replace(changed, cylinders=cylinders), seed=seed, scale=scale)


def make_case(case: SeverityCase) -> tuple[Recording, EngineSpec]:
    """Simulate and record one case; the engine as a technician would describe it.

    Half of the technicians know bore, stroke, rod, ratio and the length of the exhaust (within a
    tenth); nobody knows the valve timing.
    """
    engine = _engine(case)
    rng = _rng(case, 2)
    held = case.condition == "held"
    result = simulate(
        engine,
        condition=case.condition,
        seconds=10.0 if held else 15.0,
        held_rpm=float(rng.uniform(1200.0, 1800.0)) if held else None,
        faults=(Fault(case.kind, (case.cylinder,), case.severity),),
        seed=int(rng.integers(1 << 30)),
    )
    drawn = _rng(case, 3)
    hookup = random_hookup(drawn, engine.spec)
    recorder = random_recorder(drawn)
    known = case.knows_geometry
    length = hookup.paths[0].length_m * float(rng.uniform(0.9, 1.1))
    told = replace(
        described(engine.spec, hookup),
        geometry=engine.spec.geometry if known else None,
        valve_timing=None,
        exhaust_path_m=length if known else None,
        idle_speed_rpm=None,
    )
    return record(result, hookup, recorder=recorder, seed=case.index), told


def make_cranked(case: SeverityCase, seconds: float = 6.0) -> Recording:
    """The same engine and hook-up with a clamp on the battery cable, turned by a starter whose
    strength and battery differ from the usual, for `wide` cases by a quarter more than the estimate
    takes for likely."""
    rng = _rng(case, 4)
    engine = _engine(case)
    w = 1.25 if case.wide else 1.0

    def about(value: float, spread: float) -> float:
        return value * float(np.exp(w * spread * rng.standard_normal()))

    e = engine.engine
    starter = replace(
        e,
        starter_emf_v=about(e.starter_emf_v, 0.04),
        battery_ohm=about(e.battery_ohm, 0.3),
        starter_stall_a=about(e.starter_stall_a, 0.25),
        starter_free_rad_s=about(e.starter_free_rad_s, 0.12),
    )
    result = simulate(
        replace(engine, engine=starter),
        condition="cranking",
        seconds=seconds,
        faults=(Fault(case.kind, (case.cylinder,), case.severity),),
        seed=int(rng.integers(1 << 30)),
    )
    drawn = _rng(case, 3)
    hookup = replace(random_hookup(drawn, engine.spec), starter_clamp=True)
    return record(result, hookup, recorder=random_recorder(drawn), seed=case.index)


def with_displacement(case: SeverityCase, told: EngineSpec) -> EngineSpec:
    """The description with the displacement of the whole engine, as the papers round it."""
    geometry = _engine(case).spec.geometry
    assert geometry is not None
    swept = np.pi / 4.0 * geometry.bore_m**2 * geometry.stroke_m * told.cylinders
    return replace(told, displacement_m3=float(round(swept * 1e4)) * 1e-4)

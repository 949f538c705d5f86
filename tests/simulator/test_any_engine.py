"""Random engines, faults and conditions: everything stays finite and inside what gas can be."""

import math

import numpy as np
import pytest

from ringland.model import Aspiration, EngineSpec, Fuel, Geometry
from ringland.simulator.conditions import RunCondition
from ringland.simulator.faults import FAULT_KINDS, Fault, Scope
from ringland.simulator.parameters import simulated_engine, with_healthy_spread
from ringland.simulator.run import simulate


def random_engine(rng: np.random.Generator) -> EngineSpec:
    cylinders = int(rng.integers(1, 17))
    strokes = 4 if rng.random() < 0.85 else 2
    cycle = 180.0 * strokes
    angles = [cycle * k / cylinders for k in range(cylinders)]
    if rng.random() < 0.3:
        angles = [0.0, *sorted(rng.uniform(5.0, cycle - 5.0, cylinders - 1))]
    diesel = rng.random() < 0.5
    bore = rng.uniform(0.05, 0.17)
    stroke = bore * rng.uniform(0.8, 1.4)
    ratio = rng.uniform(14.0, 22.0) if diesel else rng.uniform(7.0, 13.0)
    rod, offset = stroke * rng.uniform(1.4, 2.2), rng.uniform(-0.002, 0.002)
    return EngineSpec(
        "any",
        cylinders,
        tuple(int(k) for k in rng.permutation(cylinders) + 1),
        tuple(float(a) for a in angles),
        strokes=strokes,
        outlets=tuple(int(k) for k in rng.integers(1, 3, cylinders)),
        geometry=Geometry(bore, stroke, rod, ratio, offset) if rng.random() < 0.7 else None,
        fuel=Fuel.DIESEL if diesel else Fuel.PETROL,
        aspiration=Aspiration.TURBO if rng.random() < 0.4 else Aspiration.NATURAL,
        idle_speed_rpm=float(rng.uniform(450.0, 1200.0)) if rng.random() < 0.5 else None,
    )


def random_fault(rng: np.random.Generator, cylinders: int) -> Fault | None:
    kind = FAULT_KINDS[str(rng.choice(sorted(FAULT_KINDS)))]
    if kind.scope == Scope.PAIR and cylinders < 2:
        return None
    some = tuple(int(k) for k in rng.permutation(cylinders) + 1)
    where = {Scope.CYLINDER: some[:1], Scope.PAIR: some[:2], Scope.ENGINE: ()}[kind.scope]
    onset = float(rng.uniform(0.0, 0.5)) if rng.random() < 0.3 else 0.0
    offset = onset + 0.3 if rng.random() < 0.3 else math.inf
    return Fault(kind.id, where, float(rng.uniform(kind.least, kind.most)), onset, offset)


@pytest.mark.parametrize("case", range(40))
def test_any_engine_under_any_fault(case: int) -> None:
    rng = np.random.default_rng([case, 20])
    spec = random_engine(rng)
    found = [random_fault(rng, spec.cylinders) for _ in range(int(rng.integers(0, 4)))]
    result = simulate(
        with_healthy_spread(simulated_engine(spec), seed=case),
        condition=str(rng.choice([c.value for c in RunCondition])),
        seconds=0.6,
        settle_s=1.2,
        faults=tuple(f for f in found if f is not None),
        seed=case,
        held_rpm=float(rng.uniform(1000.0, 3500.0)),
    )
    temperature = result.exhaust_temperature_k
    assert np.isfinite(result.speed_rpm).all()
    assert np.isfinite(result.exhaust_flow_kg_s).all()
    assert np.isfinite(result.crankcase_pressure_pa).all()
    assert 200.0 < temperature.min() < temperature.max() < 2200.0
    assert result.plenum_pressure_pa.min() > 2e3
    assert result.exhaust_pressure_pa.min() > 3e4

"""What is not known of an engine, and how far it may be from what is usual.

Each unknown is a change of the simulated engine by one standard deviation. Spreads are wide on
purpose and, where no source is named, common practice without one.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

from ringland.model import EngineSpec
from ringland.simulator.defaults import size_of
from ringland.simulator.parameters import SimulatedEngine, simulated_engine

__all__ = ["BORE_OVER_STROKE", "SIZE", "Unknown", "engine_at", "unknowns_of", "usual_engine"]

Change: TypeAlias = Callable[[SimulatedEngine, float], SimulatedEngine]


@dataclass(frozen=True)
class Unknown:
    """One thing that is not known; `change` makes the engine so many standard deviations away."""

    id: str
    change: Callable[[SimulatedEngine, float], SimulatedEngine]


def usual_engine(spec: EngineSpec) -> SimulatedEngine:
    """The engine as described, and as usual where the description does not say."""
    return simulated_engine(spec)


def _engine(**factors: float) -> Change:
    def change(e: SimulatedEngine, z: float) -> SimulatedEngine:
        new = {name: getattr(e.engine, name) * factor**z for name, factor in factors.items()}
        return replace(e, engine=replace(e.engine, **new))

    return change


def _cylinders(
    *, factor: dict[str, float] | None = None, add: dict[str, float] | None = None
) -> Change:
    def change(e: SimulatedEngine, z: float) -> SimulatedEngine:
        cylinders = []
        for c in e.cylinders:
            new = {n: getattr(c, n) * f**z for n, f in (factor or {}).items()}
            new |= {n: getattr(c, n) + a * z for n, a in (add or {}).items()}
            cylinders.append(replace(c, **new))
        return replace(e, cylinders=tuple(cylinders))

    return change


def _sized(**factors: float) -> Change:
    """Another geometry: everything that is scaled with it follows. Must come first."""

    def change(e: SimulatedEngine, z: float) -> SimulatedEngine:
        g = size_of(e.spec).geometry
        other = replace(g, **{n: getattr(g, n) * f**z for n, f in factors.items()})
        return simulated_engine(replace(e.spec, geometry=other))

    return change


BORE_OVER_STROKE = Unknown(
    "bore over stroke",
    _sized(bore_m=math.exp(0.04), stroke_m=math.exp(-0.08), rod_m=math.exp(-0.08)),
)
"""At the same displacement: bore to the second power takes what the stroke gives."""

SIZE = Unknown("size", _sized(bore_m=math.exp(0.14), stroke_m=math.exp(0.14), rod_m=math.exp(0.14)))
"""Of an engine of which nothing is said: bores of 66 to 105 mm, as reference_cases.toml draws them,
are spread by 0.13 in their logarithm."""


def _always() -> tuple[Unknown, ...]:
    exp = math.exp
    gaps = {"top_gap_m2": exp(0.35), "second_gap_m2": exp(0.35)}
    return (
        Unknown("friction and load", _engine(friction_pa=exp(0.12))),
        Unknown("crankcase volume", _engine(crankcase_m3=exp(0.25))),
        Unknown("crankcase breather", _engine(breather_m2=exp(0.4))),
        Unknown("crankcase ventilation", _engine(ventilation_m2=exp(0.4))),
        Unknown("exhaust manifold", _engine(collector_m3=exp(0.3))),
        Unknown("exhaust back-pressure", _engine(tail_loss=exp(0.5))),
        Unknown("inertia", _engine(inertia_kg_m2=exp(0.3))),
        Unknown("intake manifold", _engine(plenum_m3=exp(0.3))),
        Unknown("ring gaps", _cylinders(factor=gaps)),
        Unknown("burning time", _cylinders(factor={"burn_duration_deg": exp(0.10)})),
        Unknown("burning start", _cylinders(add={"burn_start_deg": 2.5})),
    )


def unknowns_of(spec: EngineSpec) -> tuple[Unknown, ...]:
    """All unknowns of an engine described like this."""
    found: list[Unknown] = []
    if spec.geometry is None:
        if spec.displacement_m3 is None:
            found += [
                Unknown("bore", _sized(bore_m=math.exp(0.10))),
                Unknown("stroke", _sized(stroke_m=math.exp(0.10), rod_m=math.exp(0.10))),
            ]
        else:
            found.append(BORE_OVER_STROKE)
        found.append(Unknown("compression ratio", _sized(compression_ratio=1.07)))
    found += _always()
    if spec.valve_timing is None:
        found += [
            Unknown("exhaust opening", _cylinders(add={"exhaust_opens_deg": 6.0})),
            Unknown("exhaust closing", _cylinders(add={"exhaust_closes_deg": 6.0})),
            Unknown("inlet opening", _cylinders(add={"inlet_opens_deg": 6.0})),
            Unknown("inlet closing", _cylinders(add={"inlet_closes_deg": 6.0})),
        ]
    return tuple(found)


def engine_at(spec: EngineSpec, deviations: Sequence[float]) -> SimulatedEngine:
    """The engine with every unknown this many standard deviations from usual."""
    engine = usual_engine(spec)
    for unknown, z in zip(unknowns_of(spec), deviations, strict=True):
        engine = unknown.change(engine, float(z))
    return engine

"""Simulated engines whose crank's speed is recorded from a tooth wheel, and what is true of them.

The engines and faults are those of `ringland.reference.cases`; wheels and edges are as imperfect as
real ones may be (own assumptions, no source).
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from ringland.cycles import find_cycles
from ringland.cylinders import measure_cylinders
from ringland.model import EdgeTrain, PhaseSource, Recording, Reference
from ringland.model._arrays import FloatArray
from ringland.reference.cases import (
    Example,
    described_by_technician,
    draw_case,
    drawn_run,
    example_of_case,
    log_uniform,
)
from ringland.reference.crank import crank_features
from ringland.simulator.hookup import HookUp, record
from ringland.simulator.hookup_random import random_hookup, random_recorder
from ringland.simulator.hookup_wired import WHEELS
from ringland.simulator.result import SimulationResult

__all__ = ["WheelErrors", "crank_examples", "drawn_wheel_errors", "imperfect_teeth"]

_WHEEL_SHARES = {"60-2": 0.4, "36-1": 0.15, "36-2": 0.15, "36-2-1": 0.1, "24": 0.15, "12": 0.05}
_TOOTH_ERROR_DEG = (0.005, 0.15)
"""Standard deviation of where the edges of the teeth are; even in its logarithm."""
_EDGE_ERROR_S = (3e-7, 2e-5)
"""Standard deviation of when an edge is noticed; even in its logarithm."""
_DRIVEN_PROBABILITY = 0.35
_DRIVEN_SHARE = (0.005, 0.08)
"""Size of the swing that a pump on the camshaft adds, as a share of the ripple."""
_FEWEST_CYCLES = 3


def crank_examples(seed: int, *, wheels: int = 2) -> tuple[Example, ...]:
    """The crank's speed of case number `seed`, read from so many wheels; none of engines that do
    not run, and of recordings whose crank angle cannot be had from the wheel."""
    rng = np.random.default_rng([seed, 9191])
    case = draw_case(rng)
    result = drawn_run(rng, case)
    if result is None:
        return ()
    spec, found = case.engine.spec, []
    for _ in range(wheels):
        name = str(rng.choice(list(_WHEEL_SHARES), p=list(_WHEEL_SHARES.values())))
        hookup = replace(
            random_hookup(rng, spec),
            exhaust_sensor=None,
            crankcase_sensor=None,
            wheel=WHEELS[name],
            wheel_offset_deg=float(rng.uniform(0.0, 360.0)),
            wheel_as_edges=True,
        )
        seed_of_noise = int(rng.integers(1 << 30))
        recording = record(result, hookup, recorder=random_recorder(rng), seed=seed_of_noise)
        errors = drawn_wheel_errors(rng, WHEELS[name].slots)
        recording = imperfect_teeth(recording, result, hookup, errors, seed_of_noise)
        told = described_by_technician(rng, spec, hookup)
        cycles = find_cycles(recording, told)
        if (
            isinstance(cycles, str)
            or cycles.phase_source is not PhaseSource.TOOTH_WHEEL
            or cycles.reference is not Reference.CYLINDER
            or len(cycles.kept) < _FEWEST_CYCLES
        ):
            continue
        cylinders = measure_cylinders(recording, told, cycles)
        speed_rpm = float(np.median(cycles.speed_rpm))
        values = crank_features(cylinders, told, speed_rpm=speed_rpm)
        if values is not None:
            where = {cylinder: n for n, cylinder in enumerate(spec.firing_order, start=1)}
            found.append(example_of_case(seed, case, where, values))
    return tuple(found)


@dataclass(frozen=True, eq=False)
class WheelErrors:
    """What is wrong with a wheel and its pick-up, the same in every recording of one engine.

    `tooth_deg` (2 * slots,): how late each edge of the teeth comes. `edge_s`: standard deviation of
    when an edge is noticed. `driven_order`, `driven_share`, `driven_phase`: a pump on the camshaft
    swings the speed so often a turn, by so large a share of the ripple (0 for none).
    """

    tooth_deg: FloatArray
    edge_s: float
    driven_order: float
    driven_share: float
    driven_phase: float


def drawn_wheel_errors(rng: np.random.Generator, slots: int, *, worse: float = 1.0) -> WheelErrors:
    """Errors of a wheel of so many slots, all of them `worse` times as large as usual."""
    driven = rng.random() < _DRIVEN_PROBABILITY
    return WheelErrors(
        tooth_deg=worse * log_uniform(rng, *_TOOTH_ERROR_DEG) * rng.standard_normal(2 * slots),
        edge_s=worse * log_uniform(rng, *_EDGE_ERROR_S),
        driven_order=0.5 * float(rng.integers(1, 5)),
        driven_share=worse * log_uniform(rng, *_DRIVEN_SHARE) if driven else 0.0,
        driven_phase=float(rng.uniform(0.0, 2.0 * math.pi)),
    )


def imperfect_teeth(
    recording: Recording,
    result: SimulationResult,
    hookup: HookUp,
    errors: WheelErrors,
    seed: int,
) -> Recording:
    """The recording with the errors of its wheel; `seed` of when the edges are noticed."""
    if hookup.wheel is None:
        return recording
    rng = np.random.default_rng([seed, 17])
    edges_per_turn = len(errors.tooth_deg)
    rate = np.gradient(result.crank_angle_deg, result.time_s)
    # a swing a cos(q angle) of the speed is one of a / q sin(q angle) of the angle
    swing = errors.driven_share * float(np.std(rate) / np.mean(rate))
    order, angle = errors.driven_order, np.deg2rad(np.arange(721.0))
    driven_deg = np.rad2deg(
        math.sqrt(2.0) * swing / order * np.sin(order * angle + errors.driven_phase)
    )

    def moved(edges: EdgeTrain) -> EdgeTrain:
        angle_deg = np.interp(edges.time_s, result.time_s, result.crank_angle_deg)
        turn = (angle_deg - hookup.wheel_offset_deg) % 360.0
        edge = np.round(turn * edges_per_turn / 360.0).astype(np.int64) % edges_per_turn
        late_deg = errors.tooth_deg[edge]
        late_deg = late_deg + np.interp(angle_deg % 720.0, np.arange(721.0), driven_deg)
        late_s = late_deg / np.maximum(np.interp(edges.time_s, result.time_s, rate), 1.0)
        late_s += errors.edge_s * rng.standard_normal(len(late_s))
        return replace(edges, time_s=_rising(edges.time_s + late_s))

    return replace(
        recording, edges=tuple(moved(e) if e.role == "crank_tooth" else e for e in recording.edges)
    )


def _rising(time_s: FloatArray) -> FloatArray:
    """Edges that come in the order they came in."""
    return np.asarray(np.maximum.accumulate(time_s) + 1e-9 * np.arange(len(time_s)))

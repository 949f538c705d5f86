"""Simulated engines whose crank's speed is recorded from a tooth wheel, and what is true of them.

The engines and faults are those of `ringland.reference.cases`; wheels and edges are as imperfect as
real ones may be (own assumptions, no source).
"""

import math
from dataclasses import replace

import numpy as np

from ringland.cycles import find_cycles
from ringland.cylinders import measure_cylinders
from ringland.errors import RinglandError
from ringland.model import EdgeTrain, PhaseSource, Recording, Reference
from ringland.model._arrays import FloatArray
from ringland.reference.cases import Example, described_by_technician, draw_case, example_of_case
from ringland.reference.crank import crank_features
from ringland.simulator.hookup import HookUp, record
from ringland.simulator.hookup_random import random_hookup, random_recorder
from ringland.simulator.hookup_wired import WHEELS
from ringland.simulator.result import SimulationResult
from ringland.simulator.run import simulate

__all__ = ["crank_examples", "imperfect_teeth"]

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
    try:
        result = simulate(
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
        recording = imperfect_teeth(rng, recording, result, hookup)
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


def imperfect_teeth(
    rng: np.random.Generator,
    recording: Recording,
    result: SimulationResult,
    hookup: HookUp,
    *,
    worse: float = 1.0,
) -> Recording:
    """The recording with teeth that are not quite where they should be, edges noticed early or
    late, and now and then a pump on the camshaft that takes its torque in lobes.

    `worse`: all of that so many times as large.
    """
    if hookup.wheel is None:
        return recording
    edges_per_turn = 2 * hookup.wheel.slots
    error_deg = worse * _log_uniform(rng, *_TOOTH_ERROR_DEG) * rng.standard_normal(edges_per_turn)
    edge_error_s = worse * _log_uniform(rng, *_EDGE_ERROR_S)
    rate = np.gradient(result.crank_angle_deg, result.time_s)
    driven_deg = np.zeros(721)
    if rng.random() < _DRIVEN_PROBABILITY:
        # a swing a cos(q angle) of the speed is one of a / q sin(q angle) of the angle
        order = 0.5 * float(rng.integers(1, 5))
        swing = worse * _log_uniform(rng, *_DRIVEN_SHARE) * float(np.std(rate) / np.mean(rate))
        angle = np.deg2rad(np.arange(721.0))
        phase = float(rng.uniform(0.0, 2.0 * math.pi))
        driven_deg = np.rad2deg(math.sqrt(2.0) * swing / order * np.sin(order * angle + phase))

    def moved(edges: EdgeTrain) -> EdgeTrain:
        angle_deg = np.interp(edges.time_s, result.time_s, result.crank_angle_deg)
        turn = (angle_deg - hookup.wheel_offset_deg) % 360.0
        edge = np.round(turn * edges_per_turn / 360.0).astype(np.int64) % edges_per_turn
        late_deg = error_deg[edge] + np.interp(angle_deg % 720.0, np.arange(721.0), driven_deg)
        late_s = late_deg / np.maximum(np.interp(edges.time_s, result.time_s, rate), 1.0)
        late_s += edge_error_s * rng.standard_normal(len(late_s))
        return replace(edges, time_s=_rising(edges.time_s + late_s))

    return replace(
        recording,
        edges=tuple(moved(e) if e.role == "crank_tooth" else e for e in recording.edges),
    )


def _rising(time_s: FloatArray) -> FloatArray:
    """Edges that come in the order they came in."""
    return np.asarray(np.maximum.accumulate(time_s) + 1e-9 * np.arange(len(time_s)))


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(math.log(low), math.log(high))))

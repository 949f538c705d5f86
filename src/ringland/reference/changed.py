"""Simulated cases of one engine recorded twice: while it was sound, and as it is now.

The engine, its exhaust and its sensors are the same; the day is another one. Drawn like the cases
of ringland.reference.cases, from other series of numbers. docs/theory/reference.md, section 5.
"""

from dataclasses import dataclass, replace

import numpy as np

from ringland.cycles import find_cycles
from ringland.cylinders import measure_and_turn
from ringland.errors import RinglandError
from ringland.metrics import measure_metrics
from ringland.model import CycleSet, EngineSpec, Fuel, Recording, Reference
from ringland.model._arrays import FloatArray
from ringland.reference.cases import (
    DrawnCase,
    Example,
    described_by_technician,
    draw_case,
    drawn_hook_up,
    true_positions,
)
from ringland.reference.colour import coloured
from ringland.reference.features import Measured, recording_features
from ringland.simulator.another_day import DAY, DRAWS, Day, engine_on_day, put_back
from ringland.simulator.hookup import record
from ringland.simulator.hookup_random import random_recorder
from ringland.simulator.result import SimulationResult
from ringland.simulator.run import simulate

__all__ = ["Changed", "changed_examples"]

_FEWEST_CYCLES = 4
_DAYS = (0.5, 2.0)
"""Days differ by so many times what `DAY` says; validation takes once."""


@dataclass(frozen=True, eq=False)
class Changed:
    """One recording with its truth: against the sound recording of its engine, and by itself."""

    against_sound: Example
    alone: Example


@dataclass(frozen=True, eq=False)
class _Visit:
    """One run of the engine on one day."""

    result: SimulationResult
    z: FloatArray


def changed_examples(seed: int, hook_ups: int = 2) -> tuple[Changed, ...]:
    """The pairs of case number `seed`, so many hook-ups of its two runs; those that cannot be
    judged are left out."""
    rng = np.random.default_rng([seed, 4343])
    case = draw_case(rng)
    day = DAY.times(float(rng.uniform(*_DAYS)))  # twice as unlike at most
    try:
        then = _run(rng, replace(case, faults=(), background=()), day)
        now = _run(rng, case, day)
    except RinglandError:
        return ()
    found = (_pair(rng, case, then, now, seed=seed, day=day) for _ in range(hook_ups))
    return tuple(pair for pair in found if pair is not None)


def _run(rng: np.random.Generator, case: DrawnCase, day: Day) -> _Visit:
    z = rng.standard_normal(DRAWS)
    held = case.held_rpm
    result = simulate(
        engine_on_day(case.engine, z, seed=int(rng.integers(1 << 30)), day=day),
        condition="idle" if held is None else "held",
        seconds=float(rng.uniform(2.2, 6.5)),
        settle_s=1.6,
        held_rpm=None if held is None else held * (1.0 + day.speed * z[3]),
        load_nm=case.load_nm,
        faults=case.faults + case.background,
        seed=int(rng.integers(1 << 30)),
    )
    return _Visit(result, z)


def _pair(
    rng: np.random.Generator, case: DrawnCase, then: _Visit, now: _Visit, *, seed: int, day: Day
) -> Changed | None:
    """One hook-up of both runs; None where either recording cannot be judged or numbered."""
    spec = case.engine.spec
    hookup = drawn_hook_up(rng, spec, may_be_blind=False)
    told = described_by_technician(rng, spec, hookup)
    recorder = random_recorder(rng)
    colour = int(rng.integers(1 << 30))
    noise = rng.uniform(8.0, 35.0, 2)
    seeds = rng.integers(1 << 30, size=2)
    measured = []
    for visit, snr_db, number in zip((then, now), noise, seeds, strict=True):
        recording = record(
            visit.result,
            put_back(hookup, visit.z, day),
            recorder=replace(recorder, snr_db=float(snr_db)),
            seed=int(number),
        )
        found = _measured(coloured(np.random.default_rng(colour), recording), told)
        if found is None or found[0].reference is not Reference.CYLINDER:
            return None
        measured.append(found)
    (_, before), (cycles, after) = measured
    position = true_positions(cycles, now.result, told, hookup)
    alone, against = (
        recording_features(
            after.table, after.cylinders, told, speed_rpm=after.speed_rpm, sound=sound
        )
        for sound in (None, before)
    )
    if alone is None or against is None:
        return None
    example = Example(
        seed=seed,
        values=alone,
        faults=tuple(
            (f.kind, tuple(position[c] for c in f.cylinders), f.severity) for f in case.faults
        ),
        diesel=spec.fuel is Fuel.DIESEL,
        numbered=True,
        idling=case.held_rpm is None,
        snr_db=float(noise[1]),
    )
    return Changed(replace(example, values=against), example)


def _measured(recording: Recording, told: EngineSpec) -> tuple[CycleSet, Measured] | None:
    cycles = find_cycles(recording, told)
    if isinstance(cycles, str) or len(cycles.kept) < _FEWEST_CYCLES:
        return None
    cycles, cylinders = measure_and_turn(recording, told, cycles)
    speed = float(np.median(cycles.speed_rpm))
    return cycles, Measured(measure_metrics(cylinders), cylinders, speed)

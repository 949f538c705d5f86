"""Simulated cases of one engine recorded twice: while it was sound, and as it is now.

The engine, its exhaust and its sensors are the same; the day is another one. Drawn like the cases
of ringland.reference.cases, from other series of numbers. docs/theory/reference.md, section 5.
"""

from dataclasses import dataclass, replace

import numpy as np

from ringland.errors import RinglandError
from ringland.model import Reference
from ringland.model._arrays import FloatArray
from ringland.reference.cases import (
    DrawnCase,
    DrawnRecording,
    Example,
    described_by_technician,
    draw_case,
    drawn_hook_up,
    example_of,
    features_of,
    measured_recording,
)
from ringland.reference.colour import coloured
from ringland.simulator.another_day import DAY, DRAWS, Day, engine_on_day, put_back
from ringland.simulator.hookup import record
from ringland.simulator.hookup_random import random_recorder
from ringland.simulator.result import SimulationResult
from ringland.simulator.run import simulate

__all__ = ["Changed", "changed_examples"]

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
    made, seen = [], []
    for visit, snr_db, number in zip((then, now), noise, seeds, strict=True):
        that_day = put_back(hookup, visit.z, day)
        recording = record(
            visit.result,
            that_day,
            recorder=replace(recorder, snr_db=float(snr_db)),
            seed=int(number),
        )
        recording = coloured(np.random.default_rng(colour), recording)
        found = measured_recording(recording, told)
        if found is None or found[0].reference is not Reference.CYLINDER:
            return None
        seen.append(found)
        made.append(DrawnRecording(case, visit.result, that_day, told, recording, float(snr_db)))
    (_, before), (cycles, after) = seen
    alone, against = features_of(after, told), features_of(after, told, before)
    if alone is None or against is None:
        return None
    example = example_of(seed, made[1], cycles, alone)
    return Changed(replace(example, values=against), example)

"""Pairs of recordings of one simulated engine, before and after, with known truth.

Between the two it is another day (ringland.simulator.another_day); no mechanical state differs but
the fault that is put in.
"""

from dataclasses import replace

import numpy as np
from cases import Case, MadeCase, _rng, _told, draw_case, engine_of

from ringland.pipeline import analyse
from ringland.simulator.another_day import DAY, DRAWS, Day, engine_on_day, put_back
from ringland.simulator.faults import Fault
from ringland.simulator.hookup import HookUp, record, truth
from ringland.simulator.hookup_random import random_hookup, random_recorder
from ringland.simulator.parameters import SimulatedEngine
from ringland.simulator.recorder import Recorder
from ringland.simulator.run import simulate
from ringland.verify.readings import Measured, measured_from_analysis

__all__ = ["DAY", "Day", "draw_engine", "make_visit", "measure"]


def draw_engine(index: int, seed: int) -> tuple[Case, SimulatedEngine, HookUp, Recorder]:
    """Engine number `index` with its usual hook-up; sound."""
    case = replace(draw_case(index, seed), kind="healthy", cylinder=None, severity=0.0)
    engine = engine_of(case)
    drawn = _rng(case, 3)
    return case, engine, random_hookup(drawn, engine.spec), random_recorder(drawn)


def make_visit(index: int, visit: int, seed: int, fault: Fault | None, day: Day = DAY) -> MadeCase:
    """Visit number `visit` of engine `index`: started and hooked up anew."""
    case, engine, hookup, recorder = draw_engine(index, seed)
    rng = np.random.default_rng([seed, index, 50 + visit])
    z = rng.standard_normal(DRAWS)
    engine = engine_on_day(engine, z, seed=int(rng.integers(1 << 30)), day=day)
    idle = case.condition == "idle"
    speed = float(_rng(case, 2).uniform(1450.0, 1550.0)) * (1.0 + day.speed * z[3])
    result = simulate(
        engine,
        condition=case.condition,
        seconds=20.0 if idle else 12.0,
        held_rpm=None if idle else speed,
        load_nm=0.0,
        faults=(fault,) if fault is not None else (),
        seed=int(rng.integers(1 << 30)),
    )
    hookup = put_back(hookup, z, day)
    recorder = replace(
        recorder,
        snr_db=max(8.0, (recorder.snr_db or 20.0) + day.snr_db * z[9]),
        offset_fraction=float(rng.uniform(-0.05, 0.05)),
    )
    own = index * 100 + visit
    return MadeCase(
        case=case,
        recording=record(result, hookup, recorder=recorder, seed=own),
        engine=_told(case, engine.spec, hookup),
        result=result,
        told=truth(result, hookup, seed=own),
        snr_db=recorder.snr_db or float("nan"),
    )


def measure(made: MadeCase) -> Measured:
    """What the pipeline measured on it."""
    said = made.recording
    return measured_from_analysis(analyse(said, made.engine, diagnose=False))

"""Pairs of recordings of one simulated engine, before and after, with known truth.

Between the two the sensors are taken off and put on again, the engine is started anew and the day
is another one: depth in the tailpipe, gas temperature, gains, hose ends, weather, held speed,
ventilation and each cylinder's burn and lift are a little different. How much is stated in `Day`
(own assumptions, no source); no mechanical state differs but the fault that is put in.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from cases import Case, MadeCase, _rng, _told, draw_case, engine_of

from ringland.pipeline import analyse
from ringland.simulator.faults import Fault
from ringland.simulator.hookup import HookUp, record, truth
from ringland.simulator.hookup_random import random_hookup, random_recorder
from ringland.simulator.parameters import SimulatedEngine, with_healthy_spread
from ringland.simulator.recorder import Recorder
from ringland.simulator.run import simulate
from ringland.verify.readings import Measured, measured_from_analysis

__all__ = ["DAY", "Day", "draw_engine", "make_visit", "measure"]


@dataclass(frozen=True)
class Day:
    """Standard deviations of what differs from one hook-up to the next; shares unless named."""

    depth_m: float = 0.03
    gas_temperature: float = 0.04
    gain: float = 0.05
    hose_end: float = 0.3
    ambient_k: float = 8.0
    ambient_pa: float = 1000.0
    speed: float = 0.015  # idle or held
    ventilation: float = 0.05
    snr_db: float = 2.0
    cylinder_scale: float = 0.1  # of the spread between sound cylinders


DAY = Day()


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
    z = rng.standard_normal(12)
    engine = with_healthy_spread(engine, seed=int(rng.integers(1 << 30)), scale=day.cylinder_scale)
    e = engine.engine
    engine = replace(
        engine,
        idle_rpm=engine.idle_rpm * (1.0 + day.speed * z[3]),
        engine=replace(
            e,
            ambient_k=e.ambient_k + day.ambient_k * z[0],
            ambient_pa=e.ambient_pa + day.ambient_pa * z[1],
            supply_k=e.supply_k + day.ambient_k * z[0],
            supply_pa=e.supply_pa + day.ambient_pa * z[1],
            ventilation_m2=e.ventilation_m2 * math.exp(day.ventilation * z[2]),
        ),
    )
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
    hookup = _again(hookup, z, day)
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


def _again(hookup: HookUp, z: np.ndarray, day: Day) -> HookUp:
    """The same sensors put back by hand."""
    paths = tuple(
        replace(
            p,
            sensor_inside_m=float(
                np.clip(p.sensor_inside_m + day.depth_m * z[4], 0.03, 0.9 * p.sections[-1].length_m)
            ),
        )
        for p in hookup.paths
    )
    temperature, exhaust, crankcase = (
        hookup.exhaust_temperature_k,
        hookup.exhaust_sensor,
        hookup.crankcase_sensor,
    )
    tube = hookup.crankcase_tube
    assert temperature and exhaust and crankcase and tube
    return replace(
        hookup,
        paths=paths,
        exhaust_temperature_k=temperature * math.exp(day.gas_temperature * z[5]),
        exhaust_sensor=replace(
            exhaust, sensitivity=exhaust.sensitivity * math.exp(day.gain * z[6])
        ),
        crankcase_sensor=replace(
            crankcase, sensitivity=crankcase.sensitivity * math.exp(day.gain * z[7])
        ),
        crankcase_tube=replace(
            tube, dead_volume_m3=tube.dead_volume_m3 * math.exp(day.hose_end * z[8])
        ),
    )


def measure(made: MadeCase) -> Measured:
    """What the pipeline measured on it."""
    said = made.recording
    return measured_from_analysis(analyse(said, made.engine, diagnose=False))

"""The same engine with the same sensors on another day.

Between two recordings of one engine the sensors are taken off and put on again, the engine is
started anew and the weather is another one: depth in the tailpipe, gas temperature, gains, hose
ends, held or idle speed, ventilation and each cylinder's burn and lift are a little different. How
much is stated in `Day` (own assumptions, no source); nothing mechanical differs.
"""

import math
from dataclasses import dataclass, fields, replace

import numpy as np

from ringland.model._arrays import FloatArray
from ringland.simulator.hookup import HookUp
from ringland.simulator.parameters import SimulatedEngine, with_healthy_spread

__all__ = ["DAY", "DRAWS", "Day", "engine_on_day", "put_back"]

DRAWS = 12
"""Standard normal numbers that a day takes; 10 and 11 are spare."""


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

    def times(self, factor: float) -> "Day":
        """Days that differ so many times as much."""
        return Day(**{f.name: factor * getattr(self, f.name) for f in fields(self)})


DAY = Day()


def engine_on_day(
    engine: SimulatedEngine, z: FloatArray, seed: int, day: Day = DAY
) -> SimulatedEngine:
    """The engine as it runs on the day of draws `z` (DRAWS,); `seed` of how its cylinders vary."""
    engine = with_healthy_spread(engine, seed=seed, scale=day.cylinder_scale)
    e = engine.engine
    return replace(
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


def put_back(hookup: HookUp, z: FloatArray, day: Day = DAY) -> HookUp:
    """The same sensors put back by hand on the day of draws `z` (DRAWS,)."""
    paths = tuple(
        replace(
            p,
            sensor_inside_m=float(
                np.clip(p.sensor_inside_m + day.depth_m * z[4], 0.03, 0.9 * p.sections[-1].length_m)
            ),
        )
        for p in hookup.paths
    )
    temperature, exhaust, crankcase, tube = (
        hookup.exhaust_temperature_k,
        hookup.exhaust_sensor,
        hookup.crankcase_sensor,
        hookup.crankcase_tube,
    )
    return replace(
        hookup,
        paths=paths,
        exhaust_temperature_k=None
        if temperature is None
        else temperature * math.exp(day.gas_temperature * z[5]),
        exhaust_sensor=None
        if exhaust is None
        else replace(exhaust, sensitivity=exhaust.sensitivity * math.exp(day.gain * z[6])),
        crankcase_sensor=None
        if crankcase is None
        else replace(crankcase, sensitivity=crankcase.sensitivity * math.exp(day.gain * z[7])),
        crankcase_tube=None
        if tube is None
        else replace(tube, dead_volume_m3=tube.dead_volume_m3 * math.exp(day.hose_end * z[8])),
    )

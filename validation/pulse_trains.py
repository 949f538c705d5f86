"""Random pulse trains with known crank angle: no physics, so that nothing is shared with it.

Train k of a seed is always the same. A pulse is a bell, followed by an undershoot of random depth;
its width is a share of the mean firing interval. Cylinders differ in strength, the speed wanders.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringland.engines import layouts
from ringland.model import Channel, ChannelRole, Condition, EngineSpec, Recording

__all__ = ["Train", "even_engine", "make_train", "pulse_train", "random_engine", "random_train"]

FloatArray = NDArray[np.float64]

RATE_HZ = 5_000.0


@dataclass(frozen=True, eq=False)
class Train:
    """A recording and what is true of it: `time_s`, `angle_deg` (n,) for every sample."""

    recording: Recording
    engine: EngineSpec
    time_s: FloatArray
    angle_deg: FloatArray

    @property
    def speed_rpm(self) -> float:
        """Mean speed."""
        turned = self.angle_deg[-1] - self.angle_deg[0]
        return float(turned / (self.time_s[-1] - self.time_s[0]) / 6.0)


def even_engine(cylinders: int) -> EngineSpec:
    """An even-firing four-stroke engine without any further knowledge."""
    angles = tuple(720.0 * k / cylinders for k in range(cylinders))
    order = tuple(range(1, cylinders + 1))
    return EngineSpec(f"even {cylinders}", cylinders, order, angles)


def random_engine(rng: np.random.Generator) -> EngineSpec:
    """1 to 16 cylinders alike likely; half of the time a layout from practice, if there is one."""
    cylinders = int(rng.integers(1, 17))
    known = [
        one.engine
        for one in layouts()
        if one.engine.cylinders == cylinders
        and one.engine.strokes == 4
        and one.engine.outlet_count == 1
    ]
    if known and rng.random() < 0.5:
        return known[int(rng.integers(len(known)))]
    return even_engine(cylinders)


def pulse_train(
    engine: EngineSpec,
    angle_deg: FloatArray,
    *,
    strength: FloatArray,
    width: float = 0.2,
    undershoot: float = 0.0,
    delay_deg: float = 0.0,
) -> FloatArray:
    """Pressure at every angle (n,): one bell per firing.

    `strength` (cycles, cylinders) of every firing, counted from crank angle 0; `width` of a bell at
    half its height and `delay_deg` of its middle as a share of the firing interval and in degrees.
    """
    interval = engine.cycle_deg / engine.cylinders
    sigma = width * interval / 2.355
    out = np.zeros(len(angle_deg))
    cycles = strength.shape[0]
    for column, fires in enumerate(engine.firing_angles_deg):
        late = angle_deg - fires - delay_deg
        # the nearest firing of this cylinder and its two neighbours
        nearest = np.round(late / engine.cycle_deg).astype(np.int64)
        for step in (-1, 0, 1):
            number = nearest + step
            height = strength[np.clip(number, 0, cycles - 1), column]
            offset = (late - number * engine.cycle_deg) / sigma
            out += height * np.exp(-0.5 * offset**2)
            out -= undershoot * height * np.exp(-0.5 * (offset / 1.5 - 2.0) ** 2)
    return out


def make_train(
    rng: np.random.Generator,
    engine: EngineSpec,
    *,
    speed_rpm: float,
    seconds: float,
    snr_db: float,
    wander: float = 0.02,
    wander_period_s: float | None = None,
    spread: float = 0.05,
    cycle_scatter: float = 0.03,
    width: float = 0.2,
    undershoot: float = 0.0,
    condition: Condition = Condition.IDLE,
    role: ChannelRole = ChannelRole.EXHAUST,
) -> Train:
    """One train. `wander` is the peak excursion of the speed, `spread` the standard deviation of
    strength between cylinders, `cycle_scatter` that from cycle to cycle."""
    count = round(seconds * RATE_HZ)
    time_s = np.arange(count) / RATE_HZ
    period_s = wander_period_s or float(rng.uniform(1.5, 5.0))
    swing = np.sin(2.0 * np.pi * (time_s / period_s + rng.random()))
    speed = speed_rpm * (1.0 + wander * swing)
    start = rng.uniform(0.0, engine.cycle_deg)
    steps_deg = 0.5 * (speed[1:] + speed[:-1]) * 6.0 / RATE_HZ
    angle = start + np.concatenate([[0.0], np.cumsum(steps_deg)])
    cycles = int(angle[-1] / engine.cycle_deg) + 2
    strength = 1.0 + spread * rng.standard_normal(engine.cylinders)[None, :]
    strength = strength * (1.0 + cycle_scatter * rng.standard_normal((cycles, engine.cylinders)))
    clean = pulse_train(engine, angle, strength=strength, width=width, undershoot=undershoot)
    noise = float(clean.std()) * 10.0 ** (-snr_db / 20.0)
    samples = clean + noise * rng.standard_normal(count)
    channel = Channel("exhaust", role, samples, RATE_HZ, unit="V")
    return Train(Recording((channel,), condition=condition), engine, time_s, angle)


def random_train(index: int, seed: int, snr_db: float, condition: Condition) -> Train:
    """Train number `index` of a seed: 1 to 16 cylinders at idle speed (or, with the condition not
    given, at any speed from idle to 3000 rpm), 3 to 6 s."""
    rng = np.random.default_rng([seed, index])
    engine = random_engine(rng)
    fastest = 1100.0 if condition is Condition.IDLE else 3000.0
    return make_train(
        rng,
        engine,
        speed_rpm=float(np.exp(rng.uniform(np.log(550.0), np.log(fastest)))),
        seconds=float(rng.uniform(3.0, 6.0)),
        snr_db=snr_db,
        width=float(rng.uniform(0.12, 0.3)),
        undershoot=float(rng.uniform(0.0, 0.6)),
        condition=condition,
    )

"""Channels that come by wire: spark or injector pick-up, crank tooth wheel."""

import math
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from ringland.errors import SettingError
from ringland.model import EngineSpec, ToothWheel

__all__ = [
    "WHEELS",
    "Trigger",
    "TriggerFault",
    "ignition_voltage",
    "spark_times_s",
    "tooth_edges_s",
    "tooth_voltage",
    "trigger_events_s",
]

Array = NDArray[np.float64]

# Patterns of the trade; slots without a tooth counted from the first tooth after the widest gap.
# Common practice, no source.
WHEELS = MappingProxyType(
    {
        "60-2": ToothWheel("60-2", 60, (58, 59)),
        "36-1": ToothWheel("36-1", 36, (35,)),
        "36-2": ToothWheel("36-2", 36, (34, 35)),
        "36-2-1": ToothWheel("36-2-1", 36, (16, 34, 35)),
        "24": ToothWheel("24", 24, ()),
        "12": ToothWheel("12", 12, ()),
    }
)


class TriggerFault(StrEnum):
    """What can be wrong with a clipped-on trigger; `size` of the fault in brackets."""

    MISSING = "trigger_missing"  # share of pulses lost
    BOUNCING = "trigger_bouncing"  # share of pulses followed by a second one
    NOISY = "trigger_noisy"  # false pulses per true pulse
    WRONG_CYLINDER = "trigger_wrong_cylinder"  # firing positions too late


@dataclass(frozen=True)
class Trigger:
    """A pick-up on the coil, spark lead or injector lead of `cylinder`.

    The pulse comes `advance_deg` before that cylinder's firing top dead centre, and again one
    revolution later when `pulses_per_cycle` is 2 (wasted spark). `jitter_deg`: standard deviation.
    `as_edges`: recorded as an edge train rather than a voltage.
    """

    cylinder: int
    advance_deg: float = 10.0
    pulses_per_cycle: int = 1
    jitter_deg: float = 0.3
    as_edges: bool = False

    def __post_init__(self) -> None:
        if self.pulses_per_cycle not in (1, 2):
            raise SettingError(
                "a trigger has an impossible number of pulses",
                got=f"{self.pulses_per_cycle} per cycle",
                allowed="1, or 2 for wasted spark",
            )


def _crossings_s(angle_deg: Array, time_s: Array, first_deg: float, step_deg: float) -> Array:
    """Moments at which the angle first passes first + k * step; an engine may rock back."""
    angle_deg = np.maximum.accumulate(angle_deg)
    low = math.ceil((angle_deg[0] - first_deg) / step_deg)
    high = math.floor((angle_deg[-1] - first_deg) / step_deg)
    return np.interp(first_deg + step_deg * np.arange(low, high + 1), angle_deg, time_s)


def spark_times_s(
    engine: EngineSpec, trigger: Trigger, time_s: Array, angle_deg: Array, shift: int = 0
) -> Array:
    """Moments of the trigger pulses; `shift`: clipped on that many firing positions too late."""
    position = engine.firing_order.index(trigger.cylinder) + shift
    angle = engine.firing_angles_deg[position % engine.cylinders] - trigger.advance_deg
    return _crossings_s(angle_deg, time_s, angle, engine.cycle_deg / trigger.pulses_per_cycle)


def trigger_events_s(
    engine: EngineSpec,
    trigger: Trigger,
    clock: tuple[Array, Array],
    *,
    faults: tuple[tuple[TriggerFault, float], ...],
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """Pulses as they come through the lead: (time_s, height), height 1 for a clean one.

    `clock` is (time_s, crank_angle_deg) of the run.
    """
    time_s, angle_deg = clock
    sizes = dict(faults)
    shift = round(sizes.get(TriggerFault.WRONG_CYLINDER, 0.0))
    events = spark_times_s(engine, trigger, time_s, angle_deg, shift)
    rate = np.gradient(angle_deg, time_s)
    speed = np.interp(events, time_s, rate) if len(events) else np.ones(0)
    events = events + trigger.jitter_deg * rng.standard_normal(len(events)) / np.maximum(speed, 1.0)
    height = 1.0 + 0.08 * rng.standard_normal(len(events))
    lost = rng.random(len(events)) < sizes.get(TriggerFault.MISSING, 0.0)
    bounced = ~lost & (rng.random(len(events)) < sizes.get(TriggerFault.BOUNCING, 0.0))
    again = events[bounced] + rng.uniform(1.5e-3, 4.0e-3, int(bounced.sum()))
    false_count = rng.poisson(sizes.get(TriggerFault.NOISY, 0.0) * len(events))
    false = rng.uniform(time_s[0], time_s[-1], false_count)
    times = np.concatenate([events[~lost], again, false])
    heights = np.concatenate(
        [height[~lost], 0.7 * height[bounced], rng.uniform(0.3, 0.9, false_count)]
    )
    order = np.argsort(times)
    inside = (times[order] >= time_s[0]) & (times[order] < time_s[-1])
    return times[order][inside], heights[order][inside]


def ignition_voltage(events: tuple[Array, Array], count: int, rate_hz: float) -> Array:
    """What a pick-up on the lead gives, volts: strike (stretched to a quarter of a millisecond, as
    pick-ups for slow recorders do), burn line of about a millisecond, ring-down.

    `events` is (time_s, height). Shape from memory of secondary ignition traces, 5 V strike.
    """
    out = np.zeros(count)
    span = np.arange(int(3.5e-3 * rate_hz))
    burn_s = 1.2e-3
    for time_s, height in zip(*events, strict=True):
        first = math.ceil(time_s * rate_hz)
        index = first + span
        index = index[index < count]
        t = index / rate_hz - time_s
        after = np.maximum(t - burn_s, 0.0)
        shape = np.exp(-t / 0.25e-3) + 0.12 * (t < burn_s)
        ring = 0.15 * np.exp(-after / 0.35e-3) * np.sin(2.0 * math.pi * 4000.0 * after)
        out[index] += 5.0 * height * (shape + ring * (t >= burn_s))
    return out


def _tooth_slots(wheel: ToothWheel, angle_deg: Array, offset_deg: float) -> tuple[Array, Array]:
    """Position inside the slot, 0 to 1, and 1 where that slot has a tooth."""
    slot = ((angle_deg - offset_deg) % 360.0) * wheel.slots / 360.0
    number = np.floor(slot).astype(np.int64) % wheel.slots
    present = np.ones(wheel.slots)
    present[list(wheel.missing)] = 0.0
    return slot - np.floor(slot), present[number]


def tooth_voltage(wheel: ToothWheel, angle_deg: Array, rate_hz: float, offset_deg: float) -> Array:
    """A variable-reluctance sensor's voltage, (n,): proportional to speed, falls through zero at
    the middle of each tooth; about 3 V amplitude at 800 rpm for 60 slots."""
    inside, present = _tooth_slots(wheel, angle_deg, offset_deg)
    speed = np.gradient(angle_deg) * rate_hz
    amplitude = 3.0 * speed / 4800.0 * wheel.slots / 60.0
    return np.asarray(amplitude * present * np.sin(2.0 * math.pi * inside))


def tooth_edges_s(
    wheel: ToothWheel, time_s: Array, angle_deg: Array, offset_deg: float
) -> tuple[Array, NDArray[np.int64]]:
    """A switching sensor's edges: high over the first half of each slot that has a tooth."""
    pitch = 360.0 / wheel.slots
    edges = []
    for k in sorted(set(range(wheel.slots)) - set(wheel.missing)):
        for half, level in ((0.0, 1), (0.5, 0)):
            times = _crossings_s(angle_deg, time_s, offset_deg + (k + half) * pitch, 360.0)
            edges.append(np.stack([times, np.full(len(times), float(level))]))
    both = np.concatenate(edges, axis=1)
    both = both[:, np.argsort(both[0], kind="stable")]
    return both[0], both[1].astype(np.int64)

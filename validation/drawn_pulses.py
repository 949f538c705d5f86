"""Recordings drawn with a pencil: no engine at all, only pulses of some shape, one per firing.

A third kind of input beside the simulator and `quick_model.py`, for what neither of them has: any
pulse shape, any echo, a crankcase that lets its gas go at any rate. Faults are changes of the drawn
pulses. Shapes and sizes are our own; nothing in `src/` may be tuned on them.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from other_case import OtherCase
from scipy.signal import butter, lfilter, sosfilt

from ringland.model import Channel, ChannelRole, Condition, EngineSpec, Recording

__all__ = ["FAULTS", "described", "draw_pencil", "pencil_recording"]

FloatArray = NDArray[np.float64]

FAULTS = {
    "misfire": (0.2, 1.0),
    "weak_burn": (0.3, 0.6),
    "ring_leak": (2.0, 5.0),
    "exhaust_valve_leak": (0.2, 0.6),
}
"""Severity: share of firings missing, share of the pulse lost, gas past the rings over the usual,
height over the pulse's of what is heard before it."""

_ADVANCE_DEG = 10.0


def draw_pencil(index: int, seed: int, engine: EngineSpec, kind: str) -> OtherCase:
    """Case number `index` of a seed."""
    rng = np.random.default_rng([seed, index])
    low, high = FAULTS.get(kind, (1.0, 1.0))
    idling = rng.random() < 0.5
    return OtherCase(
        engine=engine,
        kind=kind,
        cylinder=int(rng.integers(1, engine.cylinders + 1)),
        severity=float(np.exp(rng.uniform(math.log(low), math.log(high)))),
        diesel=False,
        rpm=float(rng.uniform(600.0, 900.0) if idling else rng.uniform(1300.0, 1700.0)),
        seconds=float(rng.uniform(2.0, 6.0)),
        snr_db=float(rng.uniform(12.0, 30.0)),
        seed=int(rng.integers(1 << 30)),
    )


def described(case: OtherCase) -> EngineSpec:
    """What the technician writes down: the layout and where the trigger is clipped on."""
    return replace(
        case.engine,
        trigger_cylinder=case.engine.firing_order[0],
        trigger_advance_deg=_ADVANCE_DEG,
    )


def pencil_recording(case: OtherCase) -> Recording:
    """The case as a recording with exhaust, crankcase and trigger."""
    rng = np.random.default_rng(case.seed)
    rate = float(rng.choice((5_000.0, 10_000.0, 20_000.0)))
    time = np.arange(round(case.seconds * rate)) / rate
    speed = case.rpm * _wander(rng, time)
    angle = np.cumsum(6.0 * speed / rate) + rng.uniform(0.0, 720.0)
    heights, gas, early = _firings(rng, case, angle)
    shape = _Shape(int(rng.integers(3)), float(rng.uniform(15.0, 45.0)))
    opens, delay_s = float(rng.uniform(125.0, 150.0)), float(rng.uniform(0.003, 0.012))
    heard = angle - 6.0 * speed * delay_s - opens
    outlets = sorted(set(case.engine.outlets)) or [1]
    channels = []
    for outlet in outlets:
        pressure = np.zeros(len(time))
        for column in range(case.engine.cylinders):
            cylinder = case.engine.firing_order[column]
            if case.engine.outlets and case.engine.outlets[cylinder - 1] != outlet:
                continue
            fires = case.engine.firing_angles_deg[column]
            pressure += _train(heard - fires, heights[:, column], shape.pulse)
            pressure += _train(heard - fires, early[:, column], _before)
        role = ChannelRole.EXHAUST if outlet == outlets[0] else ChannelRole.EXHAUST_2
        channels.append(Channel(role.value, role, _heard(rng, pressure, rate, case.snr_db), rate))
    flow = np.zeros(len(time))
    for column, fires in enumerate(case.engine.firing_angles_deg):
        flow += _train(angle - fires, gas[:, column], _past_rings)
    channels.append(
        Channel(
            "crankcase",
            ChannelRole.CRANKCASE,
            _heard(rng, _vented(rng, flow, rate), rate, case.snr_db),
            rate,
        )
    )
    spark = (angle - case.engine.firing_angles_deg[0] + _ADVANCE_DEG) % 720.0
    level = 5.0 * (spark < 10.0) + 0.05 * rng.standard_normal(len(time))
    channels.append(Channel("ignition", ChannelRole.IGNITION, level, rate, unit="V"))
    condition = Condition.IDLE if case.rpm < 1000.0 else Condition.HELD
    return Recording(channels=tuple(channels), condition=condition)


def _wander(rng: np.random.Generator, time: FloatArray) -> FloatArray:
    """About 1, some percent up and down."""
    walk = np.cumsum(rng.standard_normal(200)) * 0.01 / 14.0
    return np.asarray(1.0 + np.interp(time, np.linspace(0.0, time[-1], 200), walk - walk.mean()))


def _firings(
    rng: np.random.Generator, case: OtherCase, angle: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(cycles, positions) pulse height, gas past the rings and what is heard before the pulse; a
    cycle more at either end than the recording holds."""
    count = case.engine.cylinders
    cycles = int(angle[-1] // 720.0) + 3
    usual = 1.0 + 0.04 * rng.standard_normal(count)
    heights = usual * (1.0 + 0.06 * rng.standard_normal((cycles, count)))
    leaking = 1.0 + 0.15 * rng.standard_normal(count)
    gas = np.maximum(leaking, 0.4) * (1.0 + 0.08 * rng.standard_normal((cycles, count)))
    early = np.zeros((cycles, count))
    column = case.engine.firing_order.index(case.cylinder)
    if case.kind == "misfire":
        missed = rng.random(cycles) < case.severity
        heights[missed, column] = rng.uniform(-0.2, 0.15, missed.sum())
    elif case.kind == "weak_burn":
        heights[:, column] *= 1.0 - case.severity
    elif case.kind == "ring_leak":
        gas[:, column] *= case.severity
        heights[:, column] *= 0.92
    elif case.kind == "exhaust_valve_leak":
        early[:, column] = case.severity
        heights[:, column] *= 0.85
    return heights, gas, early


@dataclass(frozen=True)
class _Shape:
    """One of three pulses: a bell, a rush with an undershoot, half a sine. `width_deg` of each."""

    number: int
    width_deg: float

    def pulse(self, late_deg: FloatArray) -> FloatArray:
        x = late_deg / self.width_deg
        if self.number == 0:
            return np.exp(-0.5 * x**2)
        if self.number == 1:
            rush = np.where(x > 0.0, x * np.exp(1.0 - np.maximum(x, 0.0)), 0.0)
            return np.asarray(rush - 0.25 * np.exp(-0.5 * (x - 2.5) ** 2))
        return np.where((x > 0.0) & (x < 3.0), np.sin(np.pi * x / 3.0), 0.0)


def _before(late_deg: FloatArray) -> FloatArray:
    """Gas through a valve that does not shut: about the firing, some 110 degrees before."""
    return np.exp(-0.5 * ((late_deg + 110.0) / 35.0) ** 2)


def _past_rings(late_deg: FloatArray) -> FloatArray:
    return np.exp(-0.5 * ((late_deg - 15.0) / 35.0) ** 2)


def _train(late_deg: FloatArray, heights: FloatArray, pulse) -> FloatArray:  # type: ignore[no-untyped-def]
    """A pulse for every firing of one cylinder, `late_deg` counted from its first firing."""
    out = np.zeros(len(late_deg))
    for cycle in range(-1, len(heights) - 1):
        away = late_deg - 720.0 * cycle
        near = (away > -260.0) & (away < 320.0)
        out[near] += heights[cycle + 1] * pulse(away[near])
    return out


def _vented(rng: np.random.Generator, flow: FloatArray, rate: float) -> FloatArray:
    """Pressure of a volume that lets gas go within 1 to 300 ms: dp/dt = q - p / T."""
    forgets = math.exp(-1.0 / (rate * float(np.exp(rng.uniform(math.log(1e-3), math.log(0.3))))))
    return np.asarray(lfilter([1.0 - forgets], [1.0, -forgets], flow - flow.mean()))


def _heard(
    rng: np.random.Generator, pressure: FloatArray, rate: float, snr_db: float
) -> FloatArray:
    """Behind an echo (six times in ten) and a low corner, with noise."""
    heard = np.array(pressure - pressure.mean())
    if rng.random() < 0.6:
        late = round(float(rng.uniform(0.004, 0.03)) * rate)
        heard[late:] += float(rng.uniform(-0.4, 0.4)) * heard[:-late].copy()
    corner = butter(1, float(rng.uniform(0.2, 2.0)), "high", fs=rate, output="sos")
    heard = sosfilt(corner, heard)
    noise = float(np.std(heard)) * 10.0 ** (-snr_db / 20.0)
    return np.asarray(heard + noise * rng.standard_normal(len(heard)))

"""A second, much simpler engine model, to try everything on recordings of another make.

It shares no code, parameters or assumptions about pipes with `ringland.simulator`: constant
specific heats, fixed manifold pressure, fixed crank speed but for a wander, no travelling waves. A
tailpipe sensor hears the sum of the cylinders' outflows through a random linear path (delay, low
corner, one or two echoes, something between flow and pressure). Equations: Heywood, Internal
Combustion Engine Fundamentals, 1988, chapters 2, 6, 9 and appendix C (from memory).

Nothing in `src/` may be tuned on it: it is there to be strange.
"""

import math
from dataclasses import replace

import numpy as np
from numba import njit
from numpy.typing import NDArray
from other_case import OtherCase
from scipy.signal import butter, sosfilt

from ringland.model import (
    Channel,
    ChannelRole,
    Condition,
    EdgeTrain,
    EngineSpec,
    Fuel,
    Recording,
)

__all__ = ["FAULTS", "described", "draw_quick", "quick_recording"]

FloatArray = NDArray[np.float64]

STEP_DEG = 0.5
_PARTS = 5  # of a step, for the stiff flow between cylinder and collector
_GAS = 287.0
_AMBIENT_PA = 101_325.0
FAULTS = {
    "misfire": (0.2, 1.0),
    "weak_burn": (0.25, 0.6),
    "ring_leak": (2.0, 8.0),
    "exhaust_valve_leak": (2.0, 8.0),
    "inlet_valve_leak": (2.0, 8.0),
}
"""Kinds of fault and their severity: a share or mm2."""


@njit(cache=True)  # type: ignore[untyped-decorator]
def _flow(area: float, p1: float, t1: float, p2: float, t2: float) -> float:
    """Mass flow 1 to 2 through an orifice, kg/s, either way (Heywood, appendix C)."""
    gamma = 1.33
    sign = 1.0
    if p2 > p1:
        p1, t1, p2, t2 = p2, t2, p1, t1
        sign = -1.0
    ratio = max(p2 / p1, (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0)))
    # straight line instead of a root near equal pressures: the root is stiff there
    near = min(1.0, (1.0 - ratio) / 0.01)
    ratio = min(ratio, 0.99)
    term = 2.0 * gamma / (gamma - 1.0) * (ratio ** (2.0 / gamma) - ratio ** ((gamma + 1.0) / gamma))
    return sign * near * area * p1 / math.sqrt(287.0 * t1) * math.sqrt(max(term, 0.0))


@njit(cache=True)  # type: ignore[untyped-decorator]
def _lift(angle: float, opens: float, closes: float) -> float:
    """0 to 1, raised cosine between two angles after firing top dead centre."""
    along = (angle - opens) % 720.0
    lasts = (closes - opens) % 720.0
    if along >= lasts:
        return 0.0
    return 0.5 * (1.0 - math.cos(2.0 * math.pi * along / lasts))


@njit(cache=True)  # type: ignore[untyped-decorator]
def _run(  # type: ignore[no-untyped-def]
    firing, rpm, cycles, bore, stroke, rod, ratio, heat, burns, starts, cams, areas, leaks,
    manifold, collector_of, collector_m3, tail_m2, case_m3, breather_m2,
):  # fmt: skip
    """Outflow of every cylinder (steps, n), kg/s, crankcase pressure (steps,), Pa, and the work of
    the gas on the pistons (steps,), J."""
    n = len(firing)
    per = int(720 / STEP_DEG)
    steps = cycles * per
    fine = STEP_DEG / _PARTS
    dt = fine / (6.0 * rpm)
    swept = math.pi / 4.0 * bore * bore * stroke
    clear = swept / (ratio - 1.0)
    crank = 0.5 * stroke
    piston = math.pi / 4.0 * bore * bore
    p = np.full(n, 1.0e5)
    t = np.full(n, 350.0)
    v = np.zeros(n)
    for c in range(n):
        th = math.radians(-firing[c])
        s = crank * math.cos(th) + math.sqrt(rod * rod - (crank * math.sin(th)) ** 2)
        v[c] = clear + piston * (crank + rod - s)
    outlets = tail_m2.shape[0]
    pc = np.full(outlets, 1.03e5)
    pk = 1.0e5
    flow = np.zeros((steps, n))
    case = np.zeros(steps)
    work = np.zeros(steps)
    gamma = 1.33
    cv = _GAS / (gamma - 1.0)
    cp = cv + _GAS
    burnt = np.zeros(n)
    volume_was = -1.0
    for i in range(steps * _PARTS):
        angle = i * fine
        collected = np.zeros(outlets)
        blown = 0.0
        volume_case = case_m3
        for c in range(n):
            own = (angle - firing[c]) % 720.0
            number = int((angle - firing[c] + 360.0) // 720.0)
            cycle = min(cycles - 1, max(0, number))
            th = math.radians(own + fine)
            s = crank * math.cos(th) + math.sqrt(rod * rod - (crank * math.sin(th)) ** 2)
            x = crank + rod - s
            new = clear + piston * x
            volume_case += swept - piston * x
            mass = p[c] * v[c] / (_GAS * t[c])
            inlet = areas[0, c] * _lift(own, cams[0], cams[1]) + leaks[1, c]
            exhaust = areas[1, c] * _lift(own, cams[2], cams[3]) + leaks[2, c]
            k = collector_of[c]
            fin = _flow(inlet, manifold, 310.0, p[c], t[c])
            fex = _flow(exhaust, p[c], t[c], pc[k], 700.0)
            fri = _flow(leaks[0, c], p[c], t[c], pk, 340.0)
            # Wiebe burn, all heat of the cycle as drawn
            along = (own - starts[cycle, c]) % 720.0
            done = 1.0 - math.exp(-6.9 * (along / burns[cycle, c]) ** 3) if along < 400.0 else 0.0
            dq = heat[cycle, c] * max(0.0, done - burnt[c]) if along < 400.0 else 0.0
            burnt[c] = done if along < 400.0 else 0.0
            area = 2.0 * piston + math.pi * bore * (x + clear / piston)
            speed = 2.0 * stroke * rpm / 60.0
            h = 130.0 * (v[c] ** -0.06) * (p[c] / 1e5) ** 0.8 * t[c] ** -0.4 * (speed + 1.4) ** 0.8
            wall = h * area * (t[c] - 430.0) * dt
            work[i // _PARTS] += (p[c] - pk) * (new - v[c])
            energy = mass * cv * t[c] + dq - wall - p[c] * (new - v[c])
            energy += dt * cp * (max(fin, 0.0) * 310.0 + min(fin, 0.0) * t[c])
            energy -= dt * cp * (max(fex, 0.0) * t[c] + min(fex, 0.0) * 700.0)
            energy -= dt * cp * (max(fri, 0.0) * t[c] + min(fri, 0.0) * 340.0)
            mass = max(mass + dt * (fin - fex - fri), 0.02 * 1.0e5 * clear / (_GAS * 500.0))
            t[c] = min(max(energy / (mass * cv), 220.0), 3000.0)
            v[c] = new
            p[c] = mass * _GAS * t[c] / new
            collected[k] += fex
            blown += fri
            flow[i // _PARTS, c] += fex / _PARTS
        for k in range(outlets):
            out = _flow(tail_m2[k], pc[k], 700.0, 101325.0, 300.0)
            pc[k] = max(2.0e4, pc[k] + dt * _GAS * 700.0 / collector_m3 * (collected[k] - out))
        out = _flow(breather_m2, pk, 340.0, 101325.0 - 400.0, 340.0)
        if volume_was > 0.0:
            pk *= volume_was / volume_case
        volume_was = volume_case
        pk = min(max(pk + dt * _GAS * 340.0 / volume_case * (blown - out), 5.0e4), 2.0e5)
        case[i // _PARTS] = pk
    return flow, case, work


def draw_quick(index: int, seed: int, engine: EngineSpec, kind: str) -> OtherCase:
    """Case `index`: which cylinder, how bad, fuel, speed, length and noise."""
    rng = np.random.default_rng([seed, index, 0])
    low, high = FAULTS.get(kind, (0.0, 0.0))
    return OtherCase(
        engine=engine,
        kind=kind,
        cylinder=int(rng.integers(1, engine.cylinders + 1)),
        severity=float(rng.uniform(low, high)),
        diesel=bool(rng.random() < 0.35),
        rpm=float(rng.uniform(620.0, 880.0) if rng.random() < 0.6 else rng.uniform(1400.0, 1600.0)),
        seconds=float(rng.uniform(2.0, 8.0)),
        snr_db=float(rng.uniform(12.0, 30.0)),
        seed=int(rng.integers(1 << 30)),
    )


def _engine_run(
    case: OtherCase, rng: np.random.Generator, cycles: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Outflows, crankcase pressure, and by how much of itself the speed of the crank is off its
    mean, at every step of angle."""
    n = case.engine.cylinders
    firing = np.zeros(n)
    for number, angle in zip(case.engine.firing_order, case.engine.firing_angles_deg, strict=True):
        firing[number - 1] = angle
    bore = float(rng.uniform(0.075, 0.105))
    stroke = bore * float(rng.uniform(0.9, 1.2))
    manifold = 0.96e5 if case.diesel else float(rng.uniform(0.36, 0.55)) * 1e5
    swept = math.pi / 4 * bore**2 * stroke
    idle = case.rpm < 1000.0
    fresh = manifold * swept / (_GAS * 330.0)
    work_pa = 3.3e5 if idle else 4.0e5
    heat_each = swept * work_pa * 2.2 if case.diesel else fresh * 0.95 * 2.7e6
    rough = idle and not case.diesel
    cov = float(rng.uniform(0.03, 0.12) if rough else rng.uniform(0.015, 0.05))
    uneven = float(rng.uniform(0.01, 0.05))
    scatter = 1.0 + cov * rng.standard_normal((cycles, n))
    heat = heat_each * np.clip(scatter, 0.3, 1.6) * (1.0 + uneven * rng.standard_normal(n))
    starts = (rng.uniform(-18.0, -8.0) if not case.diesel else rng.uniform(-6.0, 0.0)) + (
        rng.normal(0.0, 1.0, n) + rng.normal(0.0, 1.0, (cycles, n))
    )
    burns = rng.uniform(45.0, 75.0) * np.exp(0.08 * rng.standard_normal((cycles, n)))
    leaks = np.zeros((3, n))
    leaks[0] = 0.5e-6 * np.exp(rng.normal(0.0, 0.25, n)) * rng.uniform(0.5, 2.0)
    row = {"ring_leak": 0, "inlet_valve_leak": 1, "exhaust_valve_leak": 2}.get(case.kind)
    at = case.cylinder - 1
    if row is not None:
        leaks[row, at] += case.severity * 1e-6
    if case.kind == "weak_burn":
        heat[:, at] *= 1.0 - case.severity
    if case.kind == "misfire":
        missed = rng.random(cycles) < case.severity
        heat[missed, at] = 0.0
    areas = np.stack([np.full(n, 0.16), np.full(n, 0.13)]) * math.pi / 4 * bore**2
    areas = areas * np.exp(0.02 * rng.standard_normal((2, n)))
    cams = np.array([348.0, 590.0, 138.0, 372.0]) + np.array([*rng.normal(0.0, 6.0, 4)])
    outlets = case.engine.outlets or (1,) * n
    rod = stroke * float(rng.uniform(1.55, 1.85))
    flow, crankcase, work = _run(
        firing, case.rpm, cycles, bore, stroke, rod,
        float(rng.uniform(16.0, 19.0) if case.diesel else rng.uniform(9.0, 11.5)),
        heat, burns, starts + 720.0 * (starts < 0.0), cams, areas, leaks, manifold,
        np.array(outlets, dtype=np.int64) - 1, float(rng.uniform(0.8e-3, 4e-3)),
        np.full(max(outlets), float(rng.uniform(3e-4, 9e-4))),
        n * swept * float(rng.uniform(2.0, 4.5)), float(rng.uniform(0.2e-4, 1.5e-4)),
    )  # fmt: skip
    return flow, crankcase, _off_mean(case, firing, work, (bore, stroke, rod))


def _off_mean(
    case: OtherCase, firing: FloatArray, work: FloatArray, size_m: tuple[float, float, float]
) -> FloatArray:
    """Energy theorem for a rigid crank with pistons: what the gas did and the pistons' own speed
    took, less what is slower than a cycle (the load), over twice the energy of the mean speed."""
    rng = np.random.default_rng([case.seed, 2])
    bore, stroke, rod = size_m
    omega = case.rpm * math.pi / 30.0
    litres = case.engine.cylinders * math.pi / 4.0 * bore**2 * stroke * 1e3
    inertia = 0.1 * litres * float(rng.uniform(0.6, 1.8)) * (1.5 if case.diesel else 1.0)
    mass = 0.5 * (bore / 0.085) ** 3 * float(rng.uniform(0.8, 1.3))
    step = math.radians(STEP_DEG)
    angle = step * np.arange(len(work))
    energy = np.cumsum(work)
    for one in firing:
        own = angle - math.radians(one)
        crank = 0.5 * stroke
        place = crank * np.cos(own) + np.sqrt(rod**2 - (crank * np.sin(own)) ** 2)
        energy -= 0.5 * mass * (np.gradient(place, step) * omega) ** 2
    per_cycle = round(720.0 / STEP_DEG)
    padded = np.pad(energy, (per_cycle // 2, per_cycle - per_cycle // 2 - 1), mode="reflect")
    slow = np.convolve(padded, np.full(per_cycle, 1.0 / per_cycle), mode="valid")
    off: FloatArray = np.clip((energy - slow) / (inertia * omega**2), -0.3, 0.3)
    return off


def _teeth(case: OtherCase, time_s: FloatArray, turned_deg: FloatArray) -> EdgeTrain:
    """A switching sensor at a wheel of 58 or 35 teeth that are not quite where they should be."""
    rng = np.random.default_rng([case.seed, 3])
    slots, missing = ((60, (58, 59)), (36, (35,)))[int(rng.integers(2))]
    pitch = 360.0 / slots
    error = float(rng.uniform(0.01, 0.1)) * rng.standard_normal((slots, 2))
    late = float(rng.uniform(1e-6, 1e-5))
    offset = float(rng.uniform(0.0, 360.0))
    edges = []
    for turn in range(int(turned_deg[0] // 360.0) - 1, int(turned_deg[-1] // 360.0) + 1):
        for slot in sorted(set(range(slots)) - set(missing)):
            for half, level in ((0.0, 1), (0.5, 0)):
                at = 360.0 * turn + offset + (slot + half) * pitch + error[slot, int(2 * half)]
                edges.append((at, level))
    at_deg = np.array([a for a, _ in edges])
    inside = (at_deg > turned_deg[0]) & (at_deg < turned_deg[-1])
    at_s = np.interp(at_deg[inside], turned_deg, time_s)
    at_s = np.maximum.accumulate(at_s + late * rng.standard_normal(len(at_s)))
    levels = np.array([v for _, v in edges])[inside]
    role = ChannelRole.CRANK_TOOTH
    return EdgeTrain(role.value, role, at_s, levels, float(time_s[0]), float(time_s[-1]))


def _path(x: FloatArray, rate_hz: float, rng: np.random.Generator) -> FloatArray:
    """From outflow to what a tailpipe sensor says: delay, silencer, echoes, slope."""
    n = len(x)
    f = np.fft.rfftfreq(n, 1.0 / rate_hz)
    delay = float(rng.uniform(2.0, 6.0)) / float(rng.uniform(420.0, 600.0))
    h = np.exp(-2j * np.pi * f * delay)
    slope = float(rng.uniform(0.0, 1.0))
    h = h * (np.maximum(f, 1.0) / 50.0) ** slope * np.exp(1j * np.pi / 2 * slope)
    corner = float(np.exp(rng.uniform(np.log(60.0), np.log(400.0))))
    h = h / (1.0 + 1j * f / corner)
    if rng.random() < 0.6:
        h = h / (1.0 + 1j * f / (corner * float(rng.uniform(1.0, 3.0))))
    for _ in range(int(rng.integers(0, 3))):
        echo = float(rng.uniform(-0.45, 0.45))
        h = h / (1.0 - echo * np.exp(-2j * np.pi * f * float(rng.uniform(2e-3, 16e-3))))
    low = float(rng.choice([0.2, 0.5, 1.0, 2.0]))
    h = h * (1j * f / low) / (1.0 + 1j * f / low)
    heard: FloatArray = np.fft.irfft(np.fft.rfft(x) * h, n)
    return heard


def _on_time(values: FloatArray, turned_deg: FloatArray) -> FloatArray:
    return np.interp(turned_deg, np.arange(len(values)) * STEP_DEG, values)


def quick_recording(case: OtherCase, *, trigger: bool = True, wheel: bool = False) -> Recording:
    """The recording: exhaust (one or two), crankcase and, if asked for, ignition of cylinder 1 and
    the teeth of a crank whose speed swings with the work of its cylinders."""
    rng = np.random.default_rng([case.seed, 1])
    rate_hz = float(rng.choice([10_000.0, 20_000.0, 50_000.0]))
    count = round((case.seconds + 1.0) * rate_hz)
    time_s = np.arange(count) / rate_hz
    wander = float(rng.uniform(0.002, 0.012))
    swing = np.sin(2 * np.pi * (time_s / float(rng.uniform(1.5, 5.0)) + rng.random()))
    turned = (
        1440.0
        + float(rng.uniform(0.0, 720.0))
        + np.cumsum(case.rpm * (1.0 + wander * swing) * 6.0 / rate_hz)
    )
    cycles = int(turned[-1] / 720.0) + 2
    flow, crankcase, off = _engine_run(case, rng, cycles)
    if wheel:
        moved = np.cumsum(off) * STEP_DEG
        turned = turned + _on_time(moved - moved.mean(), turned)
    n = case.engine.cylinders
    outlets = case.engine.outlets or (1,) * n
    late = rng.uniform(0.0, 0.8e-3, n)  # primary pipes are not alike
    channels = []
    skip = round(1.0 * rate_hz)

    def sensed(x: FloatArray) -> FloatArray:
        x = x[skip:]
        noise = float(x.std()) * 10.0 ** (-case.snr_db / 20.0)
        return x + noise * rng.standard_normal(len(x))

    for k in range(max(outlets)):
        heard = np.zeros(count)
        for c in range(n):
            if outlets[c] == k + 1:
                at = turned - late[c] * 6.0 * case.rpm
                heard += _on_time(flow[:, c], at)
        role = (ChannelRole.EXHAUST, ChannelRole.EXHAUST_2)[k]
        channels.append(
            Channel(role.value, role, sensed(_path(heard, rate_hz, rng)), rate_hz, unit="V")
        )
    case_p = _on_time(crankcase, turned)
    corner = float(rng.uniform(60.0, 250.0))
    case_p = sosfilt(butter(2, corner, fs=rate_hz, output="sos"), case_p - case_p.mean())
    low = float(rng.choice([0.1, 0.3, 1.0]))
    case_p = sosfilt(butter(1, low, "highpass", fs=rate_hz, output="sos"), case_p)
    channels.append(Channel("crankcase", ChannelRole.CRANKCASE, sensed(case_p), rate_hz, unit="V"))
    if trigger:
        first = case.engine.firing_angles_deg[case.engine.firing_order.index(1)]
        inside = ((turned - first) % 720.0) < 720.0 * 0.01
        spark = 5.0 * inside + 0.05 * rng.standard_normal(count)
        channels.append(Channel("ignition", ChannelRole.IGNITION, spark[skip:], rate_hz, unit="V"))
    condition = Condition.IDLE if case.rpm < 1000.0 else Condition.HELD
    edges = (_teeth(case, time_s[skip:] - time_s[skip], turned[skip:]),) if wheel else ()
    return Recording(tuple(channels), edges, condition=condition)


def described(case: OtherCase) -> EngineSpec:
    """What is known of the engine: layout and fuel, the trigger on cylinder 1 at its top dead
    centre; no geometry."""
    return replace(
        case.engine,
        fuel=Fuel.DIESEL if case.diesel else Fuel.PETROL,
        trigger_cylinder=1,
        trigger_advance_deg=0.0,
        geometry=None,
    )

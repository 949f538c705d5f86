"""Hook-up faults seen only once the crank angle is known.

What repeats with the engine and what does not are then apart: hum stands in what does not; a damp
hose, crossed leads and a spark twice per cycle show in the shape of what does. Limits were set on
simulated hook-ups (own heuristic); how often they are right: docs/validation/hook_up.md.
"""

import numpy as np
from numpy.typing import NDArray

from ringland.live._kinds import HookUpFinding, HookUpKind
from ringland.live._likely import Explained, explain
from ringland.model import (
    AngleSignal,
    Channel,
    ChannelRole,
    Condition,
    CycleSet,
    CylinderSet,
    EngineSpec,
    PhaseSource,
    Recording,
    Reference,
)

__all__ = ["from_angle"]

FloatArray = NDArray[np.float64]

_MAINS_HZ = (50.0, 60.0)
_HUM_SHARE = 0.15
_HUM_STANDS_OUT = 30.0
_HUM_RATE_HZ = 5000.0
_SWAPPED_RATIO = 1.0
_SHARP_CRANKCASE = 1.35
_SMOOTH_ORDER = 0.97
_ORDERS = 10
_ALTERNATE, _ALTERNATE_AT_TWICE = 0.4, 0.15
_ODD_AT_TWICE = 0.05
_TWICE = (1.6, 2.5)
_FEWEST_ROWS = 8
_CLEAR = 0.5  # log likelihood ratio from which a hook-up other than that described is named
_CLEAR_PLACE = 2.0  # more are tried
_CLEAR_SWAP = 1.5  # the crankcase is known less well
_SAME = 0.1  # told apart by nothing but rounding
_WORDS = {
    HookUpKind.SWAPPED: (
        "Exhaust and crankcase may be swapped: each looks like the other.",
        "Check which hose goes where and swap the channel names if they are crossed.",
    ),
    HookUpKind.HOSE: (
        "The exhaust pulses are rounded off and late, as by a damp or blocked hose.",
        "Blow out and dry the hose, look for water in the sensor and a blocked or kinked hose, and "
        "record again.",
    ),
    HookUpKind.WRONG_OUTLET: (
        "Each tailpipe's pulses come where the other's should.",
        "Check which sensor is in which tailpipe, the outlets of the engine file, and that the "
        "trigger is on the right cylinder.",
    ),
    HookUpKind.WRONG_CYLINDER: (
        "The exhaust pulses come where another firing position's should.",
        "Check which cylinder the pick-up is on, trigger_cylinder and the firing order in the "
        "engine file.",
    ),
}


def from_angle(
    recording: Recording, engine: EngineSpec, cycles: CycleSet, cylinders: CylinderSet
) -> list[HookUpFinding]:
    """Faults by what the averaged cycle and the rest of it look like."""
    signals = {s.role: s for s in cylinders.signals if len(s.values) >= _FEWEST_ROWS}
    out = _hum(recording, cycles, signals)
    exhaust, crankcase = signals.get(ChannelRole.EXHAUST), signals.get(ChannelRole.CRANKCASE)
    heard = max(1, len(engine.positions_on_outlet(min(engine.outlets))))
    if exhaust is not None and cycles.phase_source is PhaseSource.TRIGGER:
        out += _twice_per_cycle(exhaust, heard, engine, _twice_idle(recording, engine, cycles))
    absolute = cycles.reference is Reference.CYLINDER and engine.strokes == 4
    if absolute and recording.condition is Condition.IDLE:
        out += _best_explained(explain(signals, engine, _cycle_s(cycles)))
    elif exhaust is not None and crankcase is not None:
        out += _shapes(exhaust, crankcase, engine)
    return out


def _best_explained(found: Explained) -> list[HookUpFinding]:
    """The hook-up that explains the lines best, if clearly better than the one described; two
    names where two mistakes look alike."""
    ratio: dict[tuple[HookUpKind, str], float] = {
        (HookUpKind.HOSE, name): value - _CLEAR for name, value in found.hoses.items()
    }
    if found.swapped is not None:
        ratio[HookUpKind.SWAPPED, ""] = found.swapped - _CLEAR_SWAP
    for (_, exchanged), value in found.places.items():
        kind = HookUpKind.WRONG_OUTLET if exchanged else HookUpKind.WRONG_CYLINDER
        ratio[kind, ""] = max(value - _CLEAR_PLACE, ratio.get((kind, ""), -np.inf))
    best = max(ratio.values(), default=0.0)
    if best <= 0.0 or not found.known:
        return []
    return [
        HookUpFinding(kind, channel, *_WORDS[kind], certain=False)
        for (kind, channel), value in ratio.items()
        if value > best - _SAME
    ]


def _mean_order(signal: AngleSignal, pulses: int) -> float | None:
    """Mean multiple of the pulse rate in the averaged cycle, weighted by power above its noise."""
    size = np.abs(np.fft.rfft(signal.mean - signal.mean.mean()))
    noise2 = float(np.mean(np.square(signal.standard_error))) * len(signal.mean)
    order = np.arange(1, min(len(size), _ORDERS * pulses))
    power = np.maximum(np.square(size[order]) - noise2, 0.0)
    total = float(power.sum())
    return float(order @ power) / total / pulses if total > 0.0 else None


def _cycle_s(cycles: CycleSet) -> float:
    """Usual length of a cycle."""
    return float(np.median([c.stop_s - c.start_s for c in cycles.cycles]))


def _shapes(
    exhaust: AngleSignal, crankcase: AngleSignal, engine: EngineSpec
) -> list[HookUpFinding]:
    """Crossed leads: the crankcase is the sharper one. A damp hose: what is left of the exhaust
    lies below its pulse rate."""
    heard = max(1, len(engine.positions_on_outlet(min(engine.outlets))))
    sharp, smooth = _mean_order(exhaust, heard), _mean_order(crankcase, engine.cylinders)
    if sharp is None or smooth is None:
        return []
    ratio = smooth * engine.cylinders / (sharp * heard)
    if ratio > _SWAPPED_RATIO and smooth > _SHARP_CRANKCASE:
        kind = HookUpKind.SWAPPED
    elif sharp < _SMOOTH_ORDER:
        kind = HookUpKind.HOSE
    else:
        return []
    return [HookUpFinding(kind, exhaust.channel, *_WORDS[kind], certain=False)]


def _twice_idle(recording: Recording, engine: EngineSpec, cycles: CycleSet) -> bool:
    """The trigger alone says about twice the idle speed of the engine file."""
    speed, idle = cycles.mean_speed_rpm.value, engine.idle_speed_rpm
    if speed is None or idle is None or recording.condition is not Condition.IDLE:
        return False
    return _TWICE[0] < speed / idle < _TWICE[1]


def _twice_per_cycle(
    exhaust: AngleSignal, heard: int, engine: EngineSpec, twice_idle: bool
) -> list[HookUpFinding]:
    """Half the pulses between two triggers, or every other stretch alike: a wasted spark."""
    if engine.strokes != 4 or (engine.trigger_pulses_per_cycle or 1) != 1:
        return []
    rows = exhaust.values - exhaust.values.mean(axis=1, keepdims=True)
    size = np.sqrt(np.square(rows).sum(axis=1)) + 1e-300
    rows = rows / size[:, None]
    next_one = float(np.median(np.sum(rows[1:] * rows[:-1], axis=1)))
    after_next = float(np.median(np.sum(rows[2:] * rows[:-2], axis=1)))
    half = False
    if heard % 2 == 0:
        power = np.square(np.abs(np.fft.rfft(exhaust.mean - exhaust.mean.mean())))
        order = np.arange(1, min(len(power), 5 * heard))
        whole = power[order[order % heard == 0]].sum()
        odd = power[order[(order % (heard // 2) == 0) & (order % heard != 0)]].sum()
        half = bool(odd > (_ODD_AT_TWICE if twice_idle else 1.0) * whole)
        half = half and engine.even_firing and engine.outlet_count == 1
    alternate = _ALTERNATE_AT_TWICE if twice_idle else _ALTERNATE
    if not half and after_next - next_one < alternate:
        return []
    return [
        HookUpFinding(
            HookUpKind.WASTED_SPARK,
            "ignition",
            "The trigger comes twice per engine cycle, as a wasted spark does: which of the two "
            "turns is the firing one cannot be told from it.",
            "Say so in the engine description (trigger_pulses_per_cycle = 2), or trigger from an "
            "injector.",
            certain=False,
        )
    ]


def _hum(
    recording: Recording, cycles: CycleSet, signals: dict[ChannelRole, AngleSignal]
) -> list[HookUpFinding]:
    """A mains line in what is left when the averaged cycle is taken away."""
    out = []
    for role, signal in signals.items():
        channel = recording.channel(role)
        if channel is None:
            continue
        samples, time_s, rate_hz = _slow(channel)
        angle = cycles.angle_at(time_s)
        engine_part = np.interp(
            angle % cycles.cycle_deg, signal.angle_deg, signal.mean, period=cycles.cycle_deg
        )
        rest = samples - engine_part
        known = np.isfinite(rest)
        if np.count_nonzero(known) < rate_hz:
            continue
        rest = np.where(known, rest, 0.0)
        swing = float(np.std(signal.mean))
        hz = _mains_line(rest, rate_hz, swing, float(np.mean(known)))
        if hz is not None:
            out.append(
                HookUpFinding(
                    HookUpKind.HUM,
                    channel.name,
                    f"Mains hum at {hz:.0f} Hz.",
                    "Unplug chargers and lamps, run the laptop from its battery, keep cables away "
                    "from mains leads.",
                    certain=False,
                )
            )
    return out


def _slow(channel: Channel) -> tuple[FloatArray, FloatArray, float]:
    """Samples at about 5 kHz, means of groups, with their times and rate: plenty for the mains, and
    a tenth of the work at 50 kHz."""
    factor = max(1, int(channel.rate_hz / _HUM_RATE_HZ))
    count = len(channel.samples) // factor
    samples = channel.samples[: count * factor].reshape(count, factor).mean(axis=1)
    rate_hz = channel.rate_hz / factor
    middle_s = 0.5 * (factor - 1) / channel.rate_hz
    return samples, channel.start_s + middle_s + np.arange(count) / rate_hz, rate_hz


def _mains_line(rest: FloatArray, rate_hz: float, swing: float, known: float) -> float | None:
    """The mains frequency whose line stands out of `rest`, or None."""
    count = len(rest)
    amplitude = np.abs(np.fft.rfft(rest * np.hanning(count))) * 4.0 / count / max(known, 1e-3)
    step = rate_hz / count
    for hz in _MAINS_HZ:
        at = round(hz / step)
        reach = round(6.0 / step)
        if at + reach >= len(amplitude) or reach < 8:
            continue
        line = float(amplitude[at - 2 : at + 3].max())
        around = np.concatenate([amplitude[at - reach : at - 4], amplitude[at + 5 : at + reach]])
        if line > _HUM_SHARE * swing and line**2 > _HUM_STANDS_OUT * float(np.median(around)) ** 2:
            return hz
    return None

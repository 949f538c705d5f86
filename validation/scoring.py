"""Hold one analysis against the truth of its recording."""

import math
from typing import Any

import numpy as np
from cases import MadeCase

from ringland.model import Analysis, ChannelRole, Reference, State, arrival_prior

__all__ = ["score", "true_cylinders"]

_EXHAUST = (ChannelRole.EXHAUST, ChannelRole.EXHAUST_2)
_BLOW_DOWN_DEG = 140.0  # rise of the blow-down after firing top dead centre, all engines here
_ORDER = {State.NOT_JUDGED: -1, State.NORMAL: 0, State.ALERT: 1, State.ALARM: 2}


def _wrapped(angle_deg: np.ndarray, cycle_deg: float) -> np.ndarray:
    return (angle_deg + cycle_deg / 2.0) % cycle_deg - cycle_deg / 2.0


def true_cylinders(analysis: Analysis, made: MadeCase) -> dict[int, int]:
    """Cylinder behind each firing position of the analysis.

    With a cylinder reference that is the firing order. Without one, the moment at which the
    analysis expects a position's pulse (the usual delay after its angle) is compared with when
    each cylinder's blow-down really reached the sensor; the best turn of the firing order is taken.
    """
    engine, cycles = made.result.engine, analysis.cycles
    order = engine.firing_order
    if cycles is None or cycles.reference is Reference.CYLINDER:
        return dict(enumerate(order, start=1))
    cycle = engine.cycle_deg
    late_s = next(iter(made.told.path_delay_s.values()), 0.0)
    speed = cycles.mean_speed_rpm.value or float(made.result.speed_rpm.mean())
    pulse = arrival_prior(made.engine, speed).rise_deg
    start = math.ceil(cycles.angle_deg[0] / cycle + 1.0) * cycle
    turns = np.arange(start, cycles.angle_deg[-1] - 2.0 * cycle, cycle)
    angles = np.asarray(engine.firing_angles_deg)
    true_at = np.empty((len(turns), len(order)))
    for k, turn in enumerate(turns):
        heard_s = cycles.time_at(turn + angles + pulse)
        true_at[k] = np.interp(heard_s - late_s, made.result.time_s, made.result.crank_angle_deg)
    blow_down = angles + _BLOW_DOWN_DEG
    best, turned = math.inf, 0
    for shift in range(len(order)):
        off = _wrapped(true_at - np.roll(blow_down, -shift), cycle)
        mean = abs(float(np.angle(np.mean(np.exp(2j * np.pi * off / cycle))))) + float(off.std())
        if mean < best:
            best, turned = mean, shift
    return {p: order[(p - 1 + turned) % len(order)] for p in range(1, len(order) + 1)}


def _rate(analysis: Analysis, position: int) -> dict[str, Any]:
    if analysis.cylinders is None:
        return {}
    for count in analysis.cylinders.misfires:
        if count.firing_position == position and count.channel in _EXHAUST:
            rate = count.rate
            return {"rate": [rate.low, rate.value, rate.high], "counted": count.missed,
                    "of": count.cycles}  # fmt: skip
    return {}


def _top_cause(analysis: Analysis, cylinder_of: dict[int, int]) -> dict[str, Any]:
    diagnosis = analysis.diagnosis
    causes = getattr(diagnosis, "causes", ())
    if not causes:
        return {}
    top = max(causes, key=lambda c: c.probability)
    where = None if top.firing_position is None else cylinder_of.get(top.firing_position)
    return {"cause": top.failure_mode, "cause_cylinder": where, "probability": top.probability}


def _leading(analysis: Analysis, cylinder_of: dict[int, int]) -> int | None:
    """Cylinder of the symptom that lies furthest beyond its own alert limit, or None."""
    if analysis.symptoms is None:
        return None
    most, leading = 1.0, None
    for symptom in analysis.symptoms.symptoms:
        value, limit = symptom.deviation.value, symptom.alert_limit
        if symptom.firing_position is None or value is None or not limit:
            continue
        beyond = abs(value / limit)
        if _ORDER[symptom.state] > 0 and beyond >= most:
            most, leading = beyond, cylinder_of.get(symptom.firing_position)
    return leading


def score(analysis: Analysis, made: MadeCase) -> dict[str, Any]:
    """What was named, whether it was right, and the misfire rate of the faulty cylinder.

    `named`: cylinders in the worst state that any position is in, if that is alert or alarm.
    """
    cylinder_of = true_cylinders(analysis, made)
    out: dict[str, Any] = {
        "not_judged": analysis.not_judged,
        "reference": None if analysis.cycles is None else analysis.cycles.reference.value,
        "speed_rpm": None if analysis.cycles is None else analysis.cycles.mean_speed_rpm.value,
        "true_speed_rpm": float(made.result.speed_rpm.mean()),
    }
    if analysis.symptoms is None or analysis.cylinders is None:
        return out
    states = {cylinder_of[p]: analysis.symptoms.state_of(p) for p in cylinder_of}
    worst = max(states.values(), key=_ORDER.__getitem__)
    named = sorted(c for c, s in states.items() if s is worst) if _ORDER[worst] > 0 else []
    out |= {
        "leading": _leading(analysis, cylinder_of),
        "named": named,
        "state": worst.value,
        "state_of_faulty": None,
        "numbers_claimed": any(a.cylinder is not None for a in analysis.cylinders.assignments),
        "numbers_right": all(
            a.cylinder is None or a.cylinder == cylinder_of[a.firing_position]
            for a in analysis.cylinders.assignments
        ),
    }
    out |= _top_cause(analysis, cylinder_of)
    cylinder = made.case.cylinder
    if cylinder is not None:
        position = next(p for p, c in cylinder_of.items() if c == cylinder)
        out["state_of_faulty"] = states[cylinder].value
        out |= _rate(analysis, position)
        out["truly_missed"] = int(made.told.cycles.misfired[:, cylinder - 1].sum())
        out["true_cycles"] = int(made.told.cycles.misfired.shape[0])
    return out

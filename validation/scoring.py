"""Hold one analysis against the truth of its recording."""

from typing import Any

from cases import MadeCase

from ringland.model import Analysis, ChannelRole, State
from ringland.reference.cases import true_positions

__all__ = ["score", "true_cylinders"]

_EXHAUST = (ChannelRole.EXHAUST, ChannelRole.EXHAUST_2)
_ORDER = {State.NOT_JUDGED: -1, State.NORMAL: 0, State.ALERT: 1, State.ALARM: 2}


def true_cylinders(analysis: Analysis, made: MadeCase) -> dict[int, int]:
    """Cylinder behind each firing position of the analysis.

    With a cylinder reference that is the firing order. Without one, the moment at which the
    analysis expects a position's pulse (the usual delay after its angle) is compared with when
    each cylinder's blow-down really reached the sensor; the best turn of the firing order is taken.
    """
    if analysis.cycles is None:
        return dict(enumerate(made.result.engine.firing_order, start=1))
    found = true_positions(analysis.cycles, made.result, made.engine, made.told.hookup)
    return {position: cylinder for cylinder, position in sorted(found.items(), key=lambda i: i[1])}


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

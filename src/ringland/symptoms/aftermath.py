"""One fault, one cylinder: what a stronger sign elsewhere explains steps down.

Alarms become alerts. Alerts of quantities that mostly follow others (pressure before the blow-down,
suction, scatter, pull) become normal, with the reason.

A cylinder that does not fire, or leaks, leaves its mark in what is heard of the others: the next
pulse begins lower, a leak is heard in windows that are not its own. See docs/theory/symptoms.md,
section 3.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from ringland.model import State, Symptom
from ringland.symptoms.simulated import AGAINST_SIMULATED

__all__ = ["without_aftermath"]

_EARLY = "exhaust_early_pressure"
_FOLLOWING = (_EARLY, "exhaust_suction", "exhaust_cycle_scatter", "crankcase_pull")
_PULSE = ("exhaust_pulse_strength", "exhaust_misfire_rate", _EARLY)
_MANY_TIMES = 3.0  # own heuristic: what leaks over into another cylinder's window is below a third
_LITTLE = 2.5  # times the alarm limit
_FEWER_BITS = 3.0  # eight times less likely than the position that explains the recording best


def without_aftermath(
    symptoms: Sequence[Symptom], channel_of: Mapping[tuple[str, int | None], str]
) -> tuple[Symptom, ...]:
    """The symptoms with what another position explains stepped down, with the reason.

    `channel_of`: (metric, firing position) to the channel it was measured on.
    """
    alarms = [s for s in symptoms if s.state is State.ALARM]
    suspects = [s for s in symptoms if s.metric == AGAINST_SIMULATED and _raised(s)]
    suspected = {s.firing_position for s in suspects}
    out = []
    for s in symptoms:
        follows = s.metric in _FOLLOWING and _raised(s) and s.firing_position not in suspected
        if follows and suspects:
            out.append(_stepped_down(s, State.NORMAL, max(suspects, key=_size)))
        elif cause := _explained_by(s, alarms, suspected, channel_of):
            out.append(_stepped_down(s, State.ALERT, cause))
        else:
            out.append(s)
    return tuple(out)


def _raised(symptom: Symptom) -> bool:
    return symptom.state in (State.ALERT, State.ALARM)


def _explained_by(
    symptom: Symptom,
    alarms: Sequence[Symptom],
    suspected: Collection[int | None],
    channel_of: Mapping[tuple[str, int | None], str],
) -> Symptom | None:
    """The alarm at another position that explains this one best; None where none does.

    `suspected`: positions that simulated engines find fault with, alert or alarm.
    """
    if symptom.state is not State.ALARM:
        return None
    others = [a for a in alarms if a.firing_position != symptom.firing_position]
    if symptom.metric == AGAINST_SIMULATED:
        fitting = [a for a in others if a.metric == AGAINST_SIMULATED]
        fitting = [a for a in fitting if _size(a) > _size(symptom) + _FEWER_BITS]
    elif symptom.compared_with == "own cylinders":
        here = channel_of.get((symptom.metric, symptom.firing_position))
        same = [a for a in others if channel_of.get((a.metric, a.firing_position)) == here]
        fitting = [a for a in same if a.metric == symptom.metric]
        fitting = [a for a in fitting if _excess(a) > _MANY_TIMES * _excess(symptom)]
        if symptom.metric == _EARLY:
            fitting += [a for a in same if a.metric in _PULSE and _excess(a) > _excess(symptom)]
        little = symptom.metric == _EARLY or _excess(symptom) < _LITTLE
        if little and symptom.firing_position not in suspected:
            # simulated engines see the whole cycle on every channel
            fitting += [a for a in others if a.metric == AGAINST_SIMULATED]
    else:
        return None
    return max(fitting, key=_excess, default=None)


def _size(symptom: Symptom) -> float:
    return abs(symptom.deviation.value or 0.0)


def _excess(symptom: Symptom) -> float:
    """How many times its alarm limit."""
    return _size(symptom) / symptom.alarm_limit if symptom.alarm_limit else 0.0


def _stepped_down(symptom: Symptom, state: State, cause: Symptom) -> Symptom:
    simulated = cause.metric == AGAINST_SIMULATED
    why = "explains what was recorded better" if simulated else "is further beyond its limit"
    return replace(
        symptom,
        state=state,
        reason=f"position {cause.firing_position} {why} and may cause this; "
        "judge again when that one is put right",
    )

"""Alarms that need a witness: by themselves they are alerts.

A comparison with the own cylinders and one with simulated engines fail for different reasons, so an
alarm on pulse strength or misfire rests on both. Strength counts in the swing that the cylinders
share: eight wide pulses add up to nearly a level, the unit shrinks, and small differences look like
several missing pulses. Pressure before the blow-down is where echoes of the others arrive.
Crankcase push is uneven on sound engines too, where bays breathe unequally, and torque pulses are
where many cylinders drive the crank at once. See
docs/theory/symptoms.md, section 4.
"""

from collections.abc import Sequence
from dataclasses import replace

from ringland.model import State, Symptom
from ringland.symptoms.simulated import AGAINST_SIMULATED

__all__ = ["with_witness"]

_STRENGTH, _EARLY = "exhaust_pulse_strength", "exhaust_early_pressure"
_MISFIRE, _SCATTER = "exhaust_misfire_rate", "exhaust_cycle_scatter"
_PUSH, _TORQUE = "crankcase_push", "crank_torque_pulse"
_WITNESSES = {
    _STRENGTH: (_MISFIRE, AGAINST_SIMULATED),
    _MISFIRE: (_STRENGTH, _SCATTER, AGAINST_SIMULATED),
    _EARLY: (_STRENGTH, _MISFIRE, AGAINST_SIMULATED),
    _PUSH: (AGAINST_SIMULATED,),
    _TORQUE: (AGAINST_SIMULATED,),
}
_MOST_LACKING = 2.0  # own heuristic: the pulse and a suction as deep as it is high
_PUSH_BY_ITSELF = 5.0  # alarm limits; sound simulated engines hardly ever push that far
_OVERLAP = "the pulses overlap so much that little swing is left to measure one by"
_ALONE = {
    _STRENGTH: "nothing else points at this one",
    _MISFIRE: "pulses come in two kinds, but nothing else points at this one",
    _EARLY: "echoes of the other pulses arrive there too, and nothing else points at this one",
    _PUSH: "sound simulated engines push as unevenly, where bays of the crankcase differ",
    _TORQUE: "sound engines of many cylinders drive the crank as unevenly",
}


def with_witness(symptoms: Sequence[Symptom]) -> tuple[Symptom, ...]:
    """Alarms without the witness they need become alerts, with the reason.

    Pressure before the blow-down needs one; strength, misfire rate, torque pulse and crankcase push
    (up to five times its alarm limit) where simulated engines were asked; and strength where more
    is lacking than a cylinder has. Witnesses: alerts or alarms (in the last case alarms) of the
    metrics in _WITNESSES at the same position.
    """
    raised = {
        (s.metric, s.firing_position) for s in symptoms if s.state in (State.ALERT, State.ALARM)
    }
    surely = {(s.metric, s.firing_position) for s in symptoms if s.state is State.ALARM}
    asked = any(s.metric == AGAINST_SIMULATED and s.state is not State.NOT_JUDGED for s in symptoms)
    out = []
    for s in symptoms:
        reason = _needs_one(s, asked)
        seen = surely if reason == _OVERLAP else raised  # a broken unit asks for a sure witness
        alone = not any((m, s.firing_position) in seen for m in _WITNESSES.get(s.metric, ()))
        out.append(replace(s, state=State.ALERT, reason=reason) if reason and alone else s)
    return tuple(out)


def _needs_one(symptom: Symptom, asked: bool) -> str | None:
    """Why this alarm needs a witness; None where it needs none."""
    if symptom.state is not State.ALARM:
        return None
    if symptom.metric == _STRENGTH and (symptom.deviation.value or 0.0) < -_MOST_LACKING:
        return _OVERLAP
    if symptom.metric in (_STRENGTH, _MISFIRE, _PUSH, _TORQUE) and not asked:
        return None
    limit = symptom.alarm_limit or 0.0
    if symptom.metric == _PUSH and (symptom.deviation.value or 0.0) > _PUSH_BY_ITSELF * limit:
        return None
    return _ALONE.get(symptom.metric)

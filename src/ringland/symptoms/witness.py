"""Alarms that need a witness: by themselves they are alerts.

Strength counts in the swing that the cylinders share. Eight wide pulses add up to nearly a level,
the unit shrinks, and small differences look like several missing pulses; a cylinder cannot lack
more than its whole pulse and a suction as deep. Pressure before the blow-down is where echoes of
the others arrive. See docs/theory/symptoms.md, section 4.
"""

from collections.abc import Sequence
from dataclasses import replace

from ringland.model import State, Symptom
from ringland.symptoms.simulated import AGAINST_SIMULATED

__all__ = ["with_witness"]

_STRENGTH, _EARLY = "exhaust_pulse_strength", "exhaust_early_pressure"
_WITNESSES = {
    _STRENGTH: ("exhaust_misfire_rate", AGAINST_SIMULATED),
    _EARLY: (_STRENGTH, "exhaust_misfire_rate", AGAINST_SIMULATED),
}
_MOST_LACKING = 2.0  # own heuristic: the pulse and a suction as deep as it is high
_REASONS = {
    _STRENGTH: "the pulses overlap so much that little swing is left to measure one by",
    _EARLY: "echoes of the other pulses arrive there too, and nothing else points at this one",
}


def with_witness(symptoms: Sequence[Symptom]) -> tuple[Symptom, ...]:
    """Alarms without the witness they need become alerts, with the reason.

    Pressure before the blow-down always needs one, strength where more is lacking than a cylinder
    has. Witnesses: alerts or alarms at the same position of the metrics in _WITNESSES.
    """
    found = {
        (s.metric, s.firing_position) for s in symptoms if s.state in (State.ALERT, State.ALARM)
    }
    return tuple(
        replace(s, state=State.ALERT, reason=_REASONS[s.metric])
        if _needs_one(s) and not any((m, s.firing_position) in found for m in _WITNESSES[s.metric])
        else s
        for s in symptoms
    )


def _needs_one(symptom: Symptom) -> bool:
    if symptom.state is not State.ALARM:
        return False
    if symptom.metric == _STRENGTH:
        return (symptom.deviation.value or 0.0) < -_MOST_LACKING
    return symptom.metric == _EARLY

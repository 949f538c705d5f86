"""Pulses that overlap until little of them is left: an alarm on their strength needs a witness.

Strength counts in the swing that the cylinders share. Eight wide pulses add up to nearly a level,
the unit shrinks, and small differences look like several missing pulses. A cylinder cannot lack
more than its whole pulse and a suction as deep. See docs/theory/symptoms.md, section 4.
"""

from collections.abc import Sequence
from dataclasses import replace

from ringland.model import State, Symptom
from ringland.symptoms.simulated import AGAINST_SIMULATED

__all__ = ["without_overlap"]

_STRENGTH, _MISFIRE = "exhaust_pulse_strength", "exhaust_misfire_rate"
_MOST_LACKING = 2.0  # own heuristic: the pulse and a suction as deep as it is high


def without_overlap(symptoms: Sequence[Symptom]) -> tuple[Symptom, ...]:
    """Alarms on more strength than a cylinder has become alerts, with the reason, unless misfire or
    simulated engines point at the same cylinder."""
    witnessed = {
        s.firing_position
        for s in symptoms
        if s.metric in (_MISFIRE, AGAINST_SIMULATED) and s.state in (State.ALERT, State.ALARM)
    }
    return tuple(
        replace(
            s,
            state=State.ALERT,
            reason="the pulses overlap so much that little swing is left to measure one by",
        )
        if s.metric == _STRENGTH
        and s.state is State.ALARM
        and (s.deviation.value or 0.0) < -_MOST_LACKING
        and s.firing_position not in witnessed
        else s
        for s in symptoms
    )

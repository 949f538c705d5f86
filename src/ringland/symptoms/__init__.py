"""Deviations that matter: states from metric values."""

from ringland.symptoms.judge import ALARM_RATE, ALERT_RATE, judge_symptoms
from ringland.symptoms.simulated import AGAINST_SIMULATED, simulated_symptoms

__all__ = [
    "AGAINST_SIMULATED",
    "ALARM_RATE",
    "ALERT_RATE",
    "judge_symptoms",
    "simulated_symptoms",
]

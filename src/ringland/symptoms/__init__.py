"""Deviations that matter: states from metric values."""

from ringland.symptoms.judge import ALARM_RATE, ALERT_RATE, judge_symptoms

__all__ = ["ALARM_RATE", "ALERT_RATE", "judge_symptoms"]

"""Symptoms: deviations and the state they put a cylinder in."""

from dataclasses import dataclass
from enum import StrEnum

from ringland.model.estimate import Estimate

__all__ = ["State", "Symptom", "SymptomTable"]


class State(StrEnum):
    """ISO 13374 states, and "not judged"."""

    NORMAL = "normal"
    ALERT = "alert"
    ALARM = "alarm"
    NOT_JUDGED = "not_judged"


@dataclass(frozen=True)
class Symptom:
    """One metric of one firing position held against its comparison.

    `deviation` is value minus comparison, with interval; `limit` the deviation at which the state
    changes (alert); `p_value` the probability of so large a deviation on a sound engine, before
    allowing for the number of cells (the table does that). `compared_with` is "own cylinders",
    "own history" or "limit". `sentence` is what a mechanic would say.
    """

    metric: str
    firing_position: int | None
    state: State
    deviation: Estimate
    alert_limit: float | None
    alarm_limit: float | None
    p_value: float | None
    compared_with: str
    sentence: str
    reason: str = ""


@dataclass(frozen=True)
class SymptomTable:
    """All symptoms, with the false-alarm rates the whole table was held to."""

    symptoms: tuple[Symptom, ...]
    alarm_rate: float
    alert_rate: float

    def state_of(self, firing_position: int | None) -> State:
        """The worst state of one firing position; NOT_JUDGED when nothing was judged."""
        order = {State.NOT_JUDGED: -1, State.NORMAL: 0, State.ALERT: 1, State.ALARM: 2}
        states = [s.state for s in self.symptoms if s.firing_position == firing_position]
        return max(states, key=order.__getitem__, default=State.NOT_JUDGED)

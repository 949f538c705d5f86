"""Alarms that rest on two kinds of comparison."""

import pytest

from ringland.model import Estimate, State, Symptom
from ringland.symptoms.simulated import AGAINST_SIMULATED
from ringland.symptoms.witness import with_witness


def symptom(metric: str, state: State, position: int = 2) -> Symptom:
    return Symptom(
        metric, position, state, Estimate.from_se(-0.6, 0.02, "1"), 0.2, 0.35, None, "own", ""
    )


@pytest.mark.parametrize("metric", ["crank_torque_pulse", "crankcase_push"])
def test_alarm_rests_on_simulated_engines_too(metric: str) -> None:
    alarm = symptom(metric, State.ALARM)
    for seen, expected in ((State.NORMAL, State.ALERT), (State.ALERT, State.ALARM)):
        judged = with_witness([alarm, symptom(AGAINST_SIMULATED, seen)])
        assert judged[0].state is expected
        assert bool(judged[0].reason) == (expected is State.ALERT)


def test_at_another_position_it_is_no_witness() -> None:
    alarm = symptom("crank_torque_pulse", State.ALARM)
    judged = with_witness([alarm, symptom(AGAINST_SIMULATED, State.ALARM, 3)])
    assert judged[0].state is State.ALERT


def test_where_simulated_engines_cannot_be_asked_it_stands_by_itself() -> None:
    alarm = symptom("crank_torque_pulse", State.ALARM)
    assert with_witness([alarm])[0].state is State.ALARM

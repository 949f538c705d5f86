"""Alarms that a stronger one elsewhere explains, or that lack the witness they need, are alerts."""

from dataclasses import replace

import pytest

from ringland.model import Estimate, State, Symptom
from ringland.symptoms import AGAINST_SIMULATED
from ringland.symptoms.aftermath import without_aftermath
from ringland.symptoms.witness import with_witness

LIMITS = {
    "exhaust_pulse_strength": 0.4,
    "exhaust_early_pressure": 0.5,
    "exhaust_misfire_rate": 0.04,
    "crankcase_push": 1.1,
    AGAINST_SIMULATED: 3.5,
}
COMPARED = {AGAINST_SIMULATED: "simulated engines", "exhaust_misfire_rate": "limit"}


def alarm(metric: str, position: int, deviation: float) -> Symptom:
    return Symptom(
        metric,
        position,
        State.ALARM,
        Estimate.from_se(deviation, 0.01, "1"),
        LIMITS[metric] / 2.0,
        LIMITS[metric],
        None,
        COMPARED.get(metric, "own cylinders"),
        "",
    )


def judged(*symptoms: Symptom, channels: tuple[str, ...] = ("exhaust",) * 8) -> list[State]:
    channel_of = {
        (s.metric, s.firing_position): channels[(s.firing_position or 1) - 1] for s in symptoms
    }
    found = without_aftermath(symptoms, channel_of)
    assert all(bool(s.reason) == (s.state is not State.ALARM) for s in found)
    return [s.state for s in found]


@pytest.mark.parametrize("metric", ["exhaust_pulse_strength", "exhaust_misfire_rate"])
def test_early_pressure_after_a_missing_pulse_is_its_aftermath(metric: str) -> None:
    """The pulse before was missing, so this one begins differently (common practice, no source)."""
    size = -1.5 if metric == "exhaust_pulse_strength" else 0.9
    found = judged(alarm(metric, 2, size), alarm("exhaust_early_pressure", 3, 0.75))
    assert found == [State.ALARM, State.ALERT]


def test_not_across_outlets() -> None:
    found = judged(
        alarm("exhaust_pulse_strength", 2, -1.5),
        alarm("exhaust_early_pressure", 3, 0.75),
        channels=("exhaust", "exhaust", "exhaust_2"),
    )
    assert found == [State.ALARM, State.ALARM]


def test_two_faults_of_one_size_are_both_named() -> None:
    found = judged(alarm("exhaust_pulse_strength", 2, -1.2), alarm("exhaust_pulse_strength", 5, -1))
    assert found == [State.ALARM, State.ALARM]


def test_a_small_one_beside_one_three_times_as_large() -> None:
    found = judged(alarm("crankcase_push", 1, 8.2), alarm("crankcase_push", 2, 2.4))
    assert found == [State.ALARM, State.ALERT]


def test_simulated_engines_prefer_one_position() -> None:
    found = judged(alarm(AGAINST_SIMULATED, 1, 11.4), alarm(AGAINST_SIMULATED, 8, 6.6))
    assert found == [State.ALARM, State.ALERT]
    found = judged(alarm(AGAINST_SIMULATED, 1, 11.4), alarm(AGAINST_SIMULATED, 8, 9.0))
    assert found == [State.ALARM, State.ALARM]


def test_the_reason_names_the_position() -> None:
    found = without_aftermath(
        [alarm("exhaust_pulse_strength", 2, -1.5), alarm("exhaust_early_pressure", 3, 0.75)],
        {("exhaust_pulse_strength", 2): "exhaust", ("exhaust_early_pressure", 3): "exhaust"},
    )
    assert "position 2" in found[1].reason


def test_a_small_alarm_where_simulated_engines_see_nothing() -> None:
    elsewhere = alarm(AGAINST_SIMULATED, 1, 9.0)
    assert judged(elsewhere, alarm("crankcase_push", 4, 1.5)) == [State.ALARM, State.ALERT]
    assert judged(elsewhere, alarm("crankcase_push", 4, 3.0)) == [State.ALARM, State.ALARM]
    both = judged(elsewhere, alarm("crankcase_push", 4, 1.5), alarm(AGAINST_SIMULATED, 4, 8.0))
    assert both == [State.ALARM] * 3


def test_strength_needs_a_witness_where_simulated_engines_were_asked() -> None:
    weak = alarm("exhaust_pulse_strength", 2, -0.8)
    elsewhere = replace(alarm(AGAINST_SIMULATED, 3, 0.1), state=State.NORMAL)
    assert [s.state for s in with_witness([weak])] == [State.ALARM]
    found = with_witness([weak, elsewhere])[0]
    assert found.state is State.ALERT
    assert "nothing else" in found.reason
    seen = replace(alarm(AGAINST_SIMULATED, 2, 3.0), state=State.ALERT)
    assert with_witness([weak, seen])[0].state is State.ALARM


def test_misfire_needs_a_witness_too() -> None:
    missing = alarm("exhaust_misfire_rate", 2, 0.3)
    elsewhere = replace(alarm(AGAINST_SIMULATED, 3, 0.1), state=State.NORMAL)
    assert with_witness([missing])[0].state is State.ALARM
    assert with_witness([missing, elsewhere])[0].state is State.ALERT
    scattered = replace(alarm("exhaust_pulse_strength", 2, 0.3), metric="exhaust_cycle_scatter")
    assert with_witness([missing, elsewhere, scattered])[0].state is State.ALARM


def test_early_pressure_alone_is_an_alert() -> None:
    early = alarm("exhaust_early_pressure", 3, 0.9)
    assert [s.state for s in with_witness([early])] == [State.ALERT]
    weak = alarm("exhaust_pulse_strength", 3, -0.5)
    assert [s.state for s in with_witness([early, weak])] == [State.ALARM] * 2


def test_what_mostly_follows_is_normal_where_another_is_suspected() -> None:
    suspected = alarm(AGAINST_SIMULATED, 1, 6.0)
    assert judged(suspected, alarm("exhaust_early_pressure", 4, 0.9)) == [State.ALARM, State.NORMAL]
    assert judged(suspected, alarm("crankcase_push", 4, 4.0)) == [State.ALARM, State.ALARM]

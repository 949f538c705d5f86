"""Each cylinder against simulated engines: states by the limits, sentences a mechanic would say."""

from ringland.model import CaseEvidence, Estimate, State, unknown
from ringland.symptoms import AGAINST_SIMULATED, simulated_symptoms


def evidence(*bits: Estimate) -> CaseEvidence:
    return CaseEvidence({}, 0.0, (), faulty=bits, limits=(2.0, 4.0))


def test_states_follow_the_limits() -> None:
    found = simulated_symptoms(
        evidence(
            Estimate(1.0, 0.5, 1.5, "bit"),
            Estimate(3.0, 2.0, 4.0, "bit"),
            Estimate(5.0, 3.9, 6.1, "bit"),  # beyond the alarm limit, but not for certain
            Estimate(10.0, 9.0, 11.0, "bit"),
            unknown("bit", "this cylinder is switched off"),
        )
    )
    assert [s.state for s in found] == [
        State.NORMAL, State.ALERT, State.ALERT, State.ALARM, State.NOT_JUDGED,
    ]  # fmt: skip
    assert {s.metric for s in found} == {AGAINST_SIMULATED}
    assert [s.firing_position for s in found] == [1, 2, 3, 4, 5]


def test_no_alarm_where_none_may_rest_on_it() -> None:
    cases = CaseEvidence(
        {}, 0.0, (), faulty=(Estimate(9.0, 8.0, 10.0, "bit"),), limits=(2.0, float("inf"))
    )
    (found,) = simulated_symptoms(cases)
    assert found.state is State.ALERT
    assert found.alarm_limit is None


def test_ten_bits_are_a_thousand_times() -> None:
    (ten,) = simulated_symptoms(evidence(Estimate(10.0, 9.0, 11.0, "bit")))
    assert "about 1000 times likelier" in ten.sentence
    (most,) = simulated_symptoms(evidence(Estimate(40.0, 39.0, 41.0, "bit")))
    assert "more than a million times" in most.sentence

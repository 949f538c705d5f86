"""Which test comes next, and what to do."""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pytest

from ringland.advice import Costs, actions, next_tests
from ringland.advice.actions import load_actions
from ringland.advice.next_test import _given, _payoff, _two_step_rates
from ringland.advice.value import (
    answer_probability,
    entropy_bits,
    expected_information_bits,
    posterior_given_answer,
)
from ringland.diagnosis import diagnose, load_knowledge
from ringland.errors import SettingError
from ringland.model import (
    CandidateTest,
    Cause,
    Diagnosis,
    EngineSpec,
    Estimate,
    GivenAnswer,
    Outlook,
    State,
    Symptom,
    SymptomTable,
    unknown,
)

ENGINE = EngineSpec("test", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0))
LIMITS = {
    "exhaust_pulse_strength": -0.15,
    "exhaust_misfire_rate": 0.02,
    "exhaust_early_pressure": 0.2,
    "crankcase_push": 0.3,
    "crankcase_pull": 0.3,
    "crank_torque_pulse": -0.2,
}
DEAD = {
    ("exhaust_pulse_strength", 2): 4.0,
    ("exhaust_misfire_rate", 2): 5.0,
    ("crank_torque_pulse", 2): 2.0,
}


def ranked(
    times: Mapping[tuple[str, int], float], answers: Sequence[GivenAnswer] = ()
) -> Diagnosis:
    rows = []
    for metric, limit in LIMITS.items():
        for position in range(1, 5):
            size = times.get((metric, position), 0.0)
            deviation = Estimate.from_se(size * limit, 0.1 * abs(limit), "1")
            state = State.ALARM if size > 1 else State.NORMAL
            rows.append(
                Symptom(metric, position, state, deviation, limit, 2 * limit, None, "own", "")
            )
    table = SymptomTable(tuple(rows), 0.01, 0.05)
    return diagnose(table, None, None, ENGINE, answers=answers)


def outlook_of(diagnosis: Diagnosis) -> Outlook:
    assert diagnosis.outlook is not None
    return diagnosis.outlook


def test_outlook_predicts_what_an_answer_does() -> None:
    """The ranking shown for an answer is the ranking after that answer is given."""
    before = ranked(DEAD)
    for test in next_tests(before):
        for answer in test.outcomes:
            place = answer.firing_position or test.firing_position
            given = GivenAnswer(test.test, answer.outcome, firing_position=place)
            after = ranked(DEAD, (given,))
            shown = dict(answer.ranking)
            for cause in after.causes[:2]:
                if cause.titled in shown:
                    assert shown[cause.titled] == pytest.approx(cause.probability, abs=1e-3)


def test_answers_are_a_distribution_and_information_is_bounded() -> None:
    outlook = outlook_of(ranked(DEAD))
    most = entropy_bits(outlook.probability)
    assert outlook.probability.sum() == pytest.approx(1.0, abs=1e-12)
    for test in outlook.tests:
        assert np.abs(test.likelihood.sum(0) - 1).max() < 1e-12
        bits = expected_information_bits(outlook.probability, test.likelihood)
        assert -1e-12 <= bits <= min(most, np.log2(len(test.outcomes))) + 1e-12
    for (i, j), joint in outlook.joint.items():
        assert outlook.tests[i].group == outlook.tests[j].group
        np.testing.assert_allclose(joint.sum(1), outlook.tests[i].likelihood, atol=1e-9)
        np.testing.assert_allclose(joint.sum(0), outlook.tests[j].likelihood, atol=1e-9)


def test_two_steps_against_enumeration() -> None:
    """Two-step rate from what is left after both answers, every second test tried."""
    outlook = outlook_of(ranked(DEAD))
    prior = outlook.probability
    useful = list(range(0, len(outlook.tests), 3))
    rates = _two_step_rates(outlook, useful[:4], useful, 10.0)
    for first in useful[:4]:
        test = outlook.tests[first]
        p_answer = answer_probability(prior, test.likelihood)
        after = posterior_given_answer(prior, test.likelihood)
        bits, minutes = entropy_bits(prior), test.minutes + 10.0
        left = 0.0
        for answer, weight in enumerate(p_answer):
            options = [
                (
                    expected_information_bits(after[answer], _given(outlook, first, answer, s)),
                    outlook.tests[s].minutes + 10.0,
                )
                for s in useful
                if s != first
            ]
            gain, longer = max(options, key=lambda o: o[0] / o[1])
            left += weight * (entropy_bits(after[answer]) - gain)
            minutes += weight * longer
        assert rates[first] == pytest.approx((bits - left) / minutes, rel=1e-9)


def test_a_dead_cylinder_is_told_apart_in_few_tests() -> None:
    """A perfect technician on a misfire by ignition: within three tests above nine in ten."""
    knowledge = load_knowledge()
    answers: list[GivenAnswer] = []
    for _ in range(3):
        diagnosis = ranked(DEAD, answers)
        best = next_tests(diagnosis)[0]
        row = knowledge.test(best.test).row("ignition_misfire")
        outcome = knowledge.test(best.test).outcomes[int(np.argmax(row))].id
        answers.append(GivenAnswer(best.test, outcome, firing_position=best.firing_position))
        present = next(c for c in ranked(DEAD, answers).causes).present
        assert present is not None
        if present > 0.9:
            break
    final = ranked(DEAD, answers).causes[0]
    assert (final.failure_mode, final.firing_position) == ("ignition_misfire", 2)
    assert final.present is not None and final.present > 0.9


def test_nothing_to_ask_of_a_sound_engine() -> None:
    assert next_tests(ranked({})) == ()
    assert next_tests(ranked({}), even_if_sound=True) != ()


def test_an_answered_test_is_not_asked_again() -> None:
    answers = (
        GivenAnswer("borescope", "oil_wet", firing_position=2),
        GivenAnswer("power_balance", "drops_little", firing_position=2),
    )
    asked = {
        (t.test, t.firing_position)
        for t in next_tests(ranked(DEAD, answers), most=100, even_if_sound=True)
    }
    assert ("borescope", 2) not in asked
    assert "power_balance" not in {test for test, _ in asked}, "it was done on every cylinder"


def test_a_test_of_every_cylinder_is_asked_once_and_names_the_one_that_stands_out() -> None:
    found = [t for t in next_tests(ranked(DEAD), most=100) if t.test == "trouble_codes"]
    (codes,) = found  # once, not once for every suspect
    assert codes.firing_position is None
    of_all = [o.outcome for o in codes.outcomes if o.firing_position is None]
    assert of_all == ["no_code", "random_misfire", "mixture", "other"]
    named = {o.firing_position: o for o in codes.outcomes if o.outcome == "this_cylinder"}
    assert max(named, key=lambda p: named[p].probability) == 2
    assert named[2].titled.startswith("Firing position 2: ")
    assert 0.9 < sum(o.probability for o in codes.outcomes) <= 1.0


def test_limits_on_time_and_equipment() -> None:
    quick = next_tests(ranked(DEAD), minutes=8)
    assert quick and all(t.minutes <= 8 for t in quick)
    only = next_tests(ranked(DEAD), equipment=["scan tool"])
    assert only and all(set(t.equipment) <= {"scan tool"} for t in only)


def tiny(likelihoods: Sequence[Sequence[Sequence[float]]], minutes: Sequence[float]) -> Diagnosis:
    """A hand-made outlook with three equally likely single causes besides "nothing wrong"."""
    tests = tuple(
        CandidateTest(
            f"t{i}", f"Test {i}", None, None, m, 0.0, (), (), ("a", "b"), ("A", "B"), f"g{i}",
            np.array(rows),
        )
        for i, (rows, m) in enumerate(zip(likelihoods, minutes, strict=True))
    )  # fmt: skip
    outlook = Outlook(
        causes=(("healthy", None), ("none_of_these", None), ("x", 1), ("y", 1), ("z", 1), ("w", 1)),
        cause_names=("Nothing wrong", "Something else", "X", "Y", "Z", "W"),
        members=np.array([[2, -1], [3, -1], [4, -1], [5, -1]]),
        probability=np.full(4, 0.25),
        tests=tests,
        joint={},
        repair_hours=np.array([0.0, 8.0, 2.0, 10.0, 5.0, 5.0]),
        run_on_hours=np.array([0.0, 15.0, 20.0, 30.0, 20.0, 20.0]),
    )
    cause = Cause("x", "X", 1, None, 0.25, unknown("1", "invented"))
    return Diagnosis((cause,), 0.0, 0.0, outlook=outlook)


def test_looking_ahead_changes_the_choice() -> None:
    """Hand-countable: four equal causes. Picking one out of four tells 0.811 bits in 8 minutes
    (0.101 a minute), halving them 1 bit in 10 (0.100): greedy picks one out. Two steps: picking one
    out, then a half of the rest in 3 of 4 cases, (0.811 + 0.689) / 15.5 = 0.0968; halving, then the
    shorter test where it settles the pair and the other half otherwise, 2 / 19 = 0.105."""
    halves = [[1, 1, 0, 0], [0, 0, 1, 1]]
    other = [[1, 0, 1, 0], [0, 1, 0, 1]]
    pick = [[1, 0, 0, 0], [0, 1, 1, 1]]
    d = tiny([halves, other, pick], [10.0, 10.0, 8.0])
    outlook = outlook_of(d)
    bits = [expected_information_bits(outlook.probability, t.likelihood) for t in outlook.tests]
    assert bits == pytest.approx([1.0, 1.0, 0.811278], abs=1e-6)
    assert bits[2] / 8 > bits[0] / 10
    rates = _two_step_rates(outlook, [0, 2], [0, 1, 2], 0.0)
    assert rates == pytest.approx({0: 2 / 19, 2: 1.5 / 15.5})
    assert next_tests(d, changeover_minutes=0.0)[0].test in ("t0", "t1")


def test_saving_against_enumeration() -> None:
    """Expected saving: every decision for every answer tried in turn, in hours."""
    rng = np.random.default_rng(3)
    rows = rng.dirichlet(np.ones(2), 4).T
    d = tiny([rows.tolist()], [30.0])
    outlook = outlook_of(d)
    payoff = _payoff(outlook)
    assert payoff[0].tolist() == [-20.0, -30.0, -20.0, -20.0]
    assert payoff[2].tolist() == [-2.0, -32.0, -22.0, -22.0]
    prior = outlook.probability
    best = max(
        sum(prior[s] * rows[a, s] * payoff[choice[a], s] for s in range(4) for a in range(2))
        for choice in itertools.product(range(len(payoff)), repeat=2)
    )
    now = float((payoff @ prior).max())
    expected = (best - now - 0.5) * 80.0
    found = next_tests(d, costs=Costs(80.0, "EUR"))
    if expected > 0:
        assert found[0].expected_saving is not None
        assert found[0].expected_saving.value == pytest.approx(expected)
        assert found[0].expected_saving.unit == "EUR"
    else:
        assert found == ()


def test_costs_must_make_sense() -> None:
    with pytest.raises(SettingError):
        Costs(-1.0, "EUR")


# --- actions --------------------------------------------------------------------------------------


def test_every_mode_has_advice() -> None:
    assert set(load_actions().by_mode) == {m.id for m in load_knowledge().modes}


def advised(diagnosis: Diagnosis) -> list[str]:
    return [a.action for a in actions(diagnosis)]


def test_a_sound_engine_is_watched() -> None:
    only = actions(ranked({}))
    assert [a.action for a in only] == ["watch"]
    assert only[0].reasons[0].startswith("Nothing wrong: 9 in 10")


def test_a_cleanable_cause_is_cleaned_and_measured_again_before_repair() -> None:
    ring = ranked({("crankcase_push", 2): 4, ("crankcase_pull", 2): 3})
    assert ring.causes[0].failure_mode == "ring_leak"
    assert advised(ring)[:2] == ["clean_and_retest", "repair"]


def test_dangerous_cause_stands_the_vehicle_down() -> None:
    answers = (
        GivenAnswer("combustion_gas_in_coolant", "present"),
        GivenAnswer("smoke_full_throttle", "white"),
        GivenAnswer("overheated", "yes"),
    )
    first = actions(ranked({}, answers))[0]
    assert first.action == "take_out_of_service"
    assert first.urgency == "before it is used again"
    assert any("coolant" in r.lower() for r in first.reasons)


def test_hook_up_trouble_is_measured_again() -> None:
    answers = (GivenAnswer("hook_up_recheck", "changed"),)
    d = ranked({}, answers)
    d = replace(d, healthy=min(d.healthy, 0.5))
    found = advised(d)
    hook_up = sum(c.probability for c in d.causes if c.failure_mode == "sensor_or_hose_fault")
    assert ("measure_again" in found) == (hook_up >= 0.3)


def test_unsure_means_one_more_test() -> None:
    d = ranked({("exhaust_pulse_strength", 2): 1.6, ("crank_torque_pulse", 2): 1.4})
    d = replace(d, next_tests=next_tests(d))
    assert "test_first" in advised(d) or "clean_and_retest" in advised(d)
    for action in actions(d):
        assert action.owner_words and action.workshop_words and action.reasons and action.cautions

"""Tests that are done on every cylinder in one go: what one result says of each of them."""

from itertools import product

import numpy as np
import pytest

from ringland.diagnosis import diagnose, load_knowledge
from ringland.diagnosis.every_cylinder import parts_of
from ringland.diagnosis.evidence import answer_observations
from ringland.diagnosis.knowledge import Scope
from ringland.diagnosis.likelihood import answer_observation, quadrature
from ringland.errors import BadInput
from ringland.model import Diagnosis, EngineSpec, GivenAnswer, SymptomTable

KNOWLEDGE = load_knowledge()
EVERY = [t.id for t in KNOWLEDGE.tests if t.scope is Scope.EVERY_CYLINDER]
ENGINE = EngineSpec("three", 3, (1, 3, 2), (0.0, 240.0, 480.0))
NOTHING = SymptomTable((), 0.01, 0.05)


def ranked(*answers: GivenAnswer) -> Diagnosis:
    return diagnose(NOTHING, None, None, ENGINE, answers=answers, complaint=True)


def present(d: Diagnosis, mode: str, position: int | None) -> float:
    return next(
        c.present or 0.0
        for c in d.causes
        if (c.failure_mode, c.firing_position) == (mode, position)
    )


@pytest.mark.parametrize("name", EVERY)
def test_the_two_parts_make_the_table(name: str) -> None:
    """With one cylinder, engine part times cylinder part is the row that the file gives."""
    test = KNOWLEDGE.test(name)
    parts = parts_of(test)
    for mode, row in test.likelihood.items():
        given = dict(zip((o.id for o in test.outcomes), row, strict=True))
        of_cylinder = 1.0
        if parts.whole is not None:
            whole = parts.whole.likelihood[mode]
            assert sum(whole) == pytest.approx(1.0, abs=1e-12)
            of_cylinder = whole[0]
            for outcome, p in zip(parts.whole.outcomes[1:], whole[1:], strict=True):
                assert p == pytest.approx(given.pop(outcome.id), abs=1e-12)
        for outcome, p in zip(parts.one.outcomes, parts.one.likelihood[mode], strict=True):
            assert of_cylinder * p == pytest.approx(given.pop(outcome.id), abs=1e-12)
        assert not given


@pytest.mark.parametrize("name", EVERY)
def test_what_could_come_out_sums_to_one(name: str) -> None:
    """Every combination of answers of three cylinders, and the answers of the whole, enumerated."""
    parts = parts_of(KNOWLEDGE.test(name))
    _, weights = quadrature()

    def chance(part: str, outcome: int) -> np.ndarray:
        test = parts.one if part == "one" else parts.whole
        assert test is not None
        seen = answer_observation(KNOWLEDGE, test, 1, outcome)
        return (
            seen.shows * (seen.if_shows - seen.if_not)[:, None] + seen.if_not[:, None]
        ) @ weights

    one = [chance("one", n) for n in range(len(parts.one.outcomes))]
    combined = sum(np.prod(three, axis=0) for three in product(one, repeat=3))
    if parts.whole is not None:
        whole = [chance("whole", n) for n in range(len(parts.whole.outcomes))]
        combined = whole[0] * combined + sum(whole[1:])
    assert np.abs(combined - 1.0).max() < 1e-12


def test_a_cylinder_that_stands_out_says_that_the_others_do_not() -> None:
    none, third = ranked(), ranked(GivenAnswer("trouble_codes", "this_cylinder", 3))
    assert present(third, "ignition_misfire", 3) > 3 * present(none, "ignition_misfire", 3)
    assert present(third, "ignition_misfire", 1) < present(none, "ignition_misfire", 1)
    assert present(third, "lean_mixture", None) < present(none, "lean_mixture", None)


def test_one_code_counts_once_however_often_it_is_given() -> None:
    once = ranked(GivenAnswer("trouble_codes", "mixture"))
    twice = ranked(*(GivenAnswer("trouble_codes", "mixture", p) for p in (1, 2, 3)))
    for mode in ("lean_mixture", "rich_mixture"):
        assert present(twice, mode, None) == pytest.approx(present(once, mode, None), abs=1e-12)


def test_a_normal_answer_is_of_all_or_of_the_cylinder_it_names() -> None:
    """That the compression of cylinder 2 is normal says nothing of one that was not measured."""
    none, second = ranked(), ranked(GivenAnswer("compression", "normal", 2))
    every = ranked(GivenAnswer("compression", "normal"))
    leak = "exhaust_valve_leak"
    assert present(second, leak, 2) < 0.5 * present(none, leak, 2)
    assert present(second, leak, 1) >= present(none, leak, 1)
    assert present(every, leak, 1) < 0.5 * present(none, leak, 1)


def test_the_last_word_counts() -> None:
    """Codes read again, and none: the first reading is over."""
    third = GivenAnswer("trouble_codes", "this_cylinder", 3)
    clear = GivenAnswer("trouble_codes", "no_code")
    assert ranked(third, clear).healthy == pytest.approx(ranked(clear).healthy, abs=1e-12)
    assert ranked(clear, third).healthy == pytest.approx(ranked(third).healthy, abs=1e-12)


def test_a_code_of_the_whole_beside_one_of_a_cylinder() -> None:
    """P0171 and P0303 are both there: neither is turned into its opposite."""
    both = [
        GivenAnswer("trouble_codes", "mixture"),
        GivenAnswer("trouble_codes", "this_cylinder", 3),
    ]
    seen = answer_observations(KNOWLEDGE, both, None, 3)
    assert {o.firing_position: o.abnormal for o in seen} == {None: 1.0, 3: 1.0}
    assert all("nothing of the engine" not in o.sentence.lower() for o in seen)


def test_two_that_stand_out_are_both_counted() -> None:
    two = [GivenAnswer("misfire_counters", "counts_here", p) for p in (1, 3)]
    seen = answer_observations(KNOWLEDGE, two, None, 3)
    at = {o.firing_position: o.abnormal for o in seen}
    assert at == {None: 0.0, 1: 1.0, 2: 0.0, 3: 1.0}


def test_with_a_neighbour_nothing_is_known_of_the_others() -> None:
    """It does not say which of the two beside it."""
    low = [GivenAnswer("relative_compression", "low_neighbours", 2)]
    assert {o.firing_position for o in answer_observations(KNOWLEDGE, low, None, 3)} == {2}


def test_which_cylinder_stood_out_must_be_said() -> None:
    with pytest.raises(BadInput, match="which cylinder stood out"):
        ranked(GivenAnswer("power_balance", "drops_little"))
    assert ranked(GivenAnswer("power_balance", "drops_like_others")).healthy > ranked().healthy

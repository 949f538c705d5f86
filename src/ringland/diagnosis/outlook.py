"""What each follow-up test could say next, given all that is known so far."""

from collections.abc import Sequence

import numpy as np

from ringland.diagnosis.belief import Belief
from ringland.diagnosis.knowledge import FollowUpTest, Knowledge, Scope
from ringland.diagnosis.likelihood import Observation, answer_observation, group_log_likelihood
from ringland.diagnosis.words import fault_name
from ringland.model import CandidateTest, EngineSpec, Fuel, Outlook
from ringland.model._arrays import FloatArray, IntArray

__all__ = ["make_outlook"]

_LEAST_PROBABILITY = 1e-8
_MOST_HYPOTHESES = 2500
_MOST_POSITIONS = 3
_SUSPECT = 0.02


def make_outlook(
    knowledge: Knowledge,
    belief: Belief,
    *,
    numbers: Sequence[int | None] | None,
    engine: EngineSpec,
    done: frozenset[tuple[str, int | None]] = frozenset(),
) -> Outlook:
    """Outcome probabilities of every test worth considering, under every hypothesis that counts.

    Hypotheses below 1e-8 are left out and the rest scaled to sum 1. `done` are (test, firing
    position) already answered.
    """
    chosen = _hypotheses_that_count(belief.probability)
    probability = belief.probability[chosen] / belief.probability[chosen].sum()
    tests, places = _candidates(knowledge, belief, engine, done)
    candidates = tuple(
        _candidate(knowledge, belief, chosen, test, place=place, numbers=numbers)
        for test, place in zip(tests, places, strict=True)
    )
    joint: dict[tuple[int, int], FloatArray] = {}
    for i, first in enumerate(tests):
        for j in range(i + 1, len(tests)):
            if first.group == tests[j].group and places[i] == places[j]:
                joint[i, j] = _joint(knowledge, belief, chosen, (first, tests[j]), places[i])
    members = belief.hypotheses.members[chosen]
    faults = belief.hypotheses.faults
    known = [f for f in faults if f.mode not in belief.hypotheses.unknown]
    modes = [knowledge.modes[f.mode - 1] for f in known]
    number_of = np.array(
        [1 if f.mode in belief.hypotheses.unknown else i + 2 for i, f in enumerate(faults)] + [-1]
    )
    cause = number_of[members]
    cause[(members[:, 0] < 0), 0] = 0
    return Outlook(
        causes=(
            ("healthy", None),
            ("none_of_these", None),
            *(
                (m.id, f.positions[0] if f.positions else None)
                for m, f in zip(modes, known, strict=True)
            ),
        ),
        cause_names=(
            "Nothing wrong",
            "Something that is not in the list",
            *(fault_name(m, f.positions, numbers) for m, f in zip(modes, known, strict=True)),
        ),
        members=cause,
        probability=probability,
        tests=candidates,
        joint=joint,
        repair_hours=np.array([0.0, 8.0] + [m.repair_hours for m in modes]),
        run_on_hours=np.array([0.0, 15.0] + [m.run_on_hours for m in modes]),
    )


def _hypotheses_that_count(probability: FloatArray) -> IntArray:
    order = np.argsort(-probability, kind="stable")[:_MOST_HYPOTHESES]
    chosen: IntArray = order[probability[order] >= _LEAST_PROBABILITY]
    return chosen


def _candidates(
    knowledge: Knowledge,
    belief: Belief,
    engine: EngineSpec,
    done: frozenset[tuple[str, int | None]],
) -> tuple[list[FollowUpTest], list[int | None]]:
    """Tests with where to do them: the most suspect firing positions, or the engine."""
    h = belief.hypotheses
    mass = np.zeros(h.positions)
    for column in (0, 1):
        share = np.bincount(
            h.members[:, column] + 1, belief.probability, minlength=len(h.faults) + 1
        )[1:]
        for fault, weight in zip(h.faults, share, strict=True):
            for position in fault.positions:
                mass[position - 1] += weight
    order = np.argsort(-mass, kind="stable")[:_MOST_POSITIONS]
    suspects = [int(p) + 1 for p in order if mass[p] >= _SUSPECT] or [int(order[0]) + 1]
    tests: list[FollowUpTest] = []
    places: list[int | None] = []
    for test in knowledge.tests:
        if test.fuels and engine.fuel is not Fuel.UNKNOWN and engine.fuel.value not in test.fuels:
            continue
        for place in suspects if test.scope is Scope.CYLINDER else [None]:
            if (test.id, place) not in done:
                tests.append(test)
                places.append(place)
    return tests, places


def _conditional(
    belief: Belief, chosen: IntArray, extra: Sequence[Observation], place: int | None
) -> FloatArray:
    """(hypotheses,) probability of the extra observations given everything known so far."""
    before = belief.same_place(extra[0].group, place)
    factor = group_log_likelihood([*before, *extra])
    if before:
        factor = factor - belief.factors[extra[0].group, place]
    result: FloatArray = np.exp(belief.expand(factor, place, chosen))
    return result


def _candidate(
    knowledge: Knowledge,
    belief: Belief,
    chosen: IntArray,
    test: FollowUpTest,
    *,
    place: int | None,
    numbers: Sequence[int | None] | None,
) -> CandidateTest:
    likelihood = np.array(
        [
            _conditional(belief, chosen, [answer_observation(knowledge, test, place, o)], place)
            for o in range(len(test.outcomes))
        ]
    )
    cylinder = numbers[place - 1] if numbers is not None and place is not None else None
    return CandidateTest(
        test=test.id,
        title=test.title,
        firing_position=place,
        cylinder=cylinder,
        minutes=test.minutes,
        material_hours=test.material_hours,
        equipment=test.equipment,
        cautions=test.cautions,
        outcomes=tuple(o.id for o in test.outcomes),
        outcome_titles=tuple(o.title for o in test.outcomes),
        group=test.group,
        likelihood=likelihood / likelihood.sum(0),
    )


def _joint(
    knowledge: Knowledge,
    belief: Belief,
    chosen: IntArray,
    tests: tuple[FollowUpTest, FollowUpTest],
    place: int | None,
) -> FloatArray:
    """(outcomes, outcomes, hypotheses): probability of both answers."""
    first, second = tests
    both = np.array(
        [
            [
                _conditional(
                    belief,
                    chosen,
                    [
                        answer_observation(knowledge, first, place, a),
                        answer_observation(knowledge, second, place, b),
                    ],
                    place,
                )
                for b in range(len(second.outcomes))
            ]
            for a in range(len(first.outcomes))
        ]
    )
    scaled: FloatArray = both / both.sum((0, 1))
    return scaled

"""What each follow-up test could say next, given all that is known so far."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from ringland.diagnosis.belief import Belief
from ringland.diagnosis.every_cylinder import parts_of
from ringland.diagnosis.hypotheses import Hypotheses
from ringland.diagnosis.knowledge import FollowUpTest, Knowledge, Reach, Scope
from ringland.diagnosis.likelihood import answer_observation, group_terms, quadrature
from ringland.diagnosis.words import fault_name
from ringland.model import CandidateTest, EngineSpec, Fuel, Outlook
from ringland.model._arrays import FloatArray, IntArray, read_only, read_only_int
from ringland.model.evidence import JointTables

__all__ = ["make_outlook"]

_LEAST_PROBABILITY = 1e-8
_MOST_HYPOTHESES = 2500
_MOST_POSITIONS = 3
_SUSPECT = 0.02


_COMPARES = frozenset({"crank_speed", "port_temperature", "power_balance", "relative_compression"})
"""Tests that hold one cylinder against the others: of no use where there is but one."""


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
    kinds = {place: _kinds(belief, place, chosen) for place in places}
    suspects = _suspects(belief)
    candidates = tuple(
        _candidate_of_every_cylinder(
            knowledge, belief, chosen, test, suspects=suspects, numbers=numbers
        )
        if test.scope is Scope.EVERY_CYLINDER
        else _candidate(knowledge, belief, kinds[place], test, place=place, numbers=numbers)
        for test, place in zip(tests, places, strict=True)
    )
    joint: dict[tuple[int, int], FloatArray] = {}
    for i, first in enumerate(tests):
        for j in range(i + 1, len(tests)):
            if (
                first.group == tests[j].group
                and places[i] == places[j]
                and Scope.EVERY_CYLINDER not in (first.scope, tests[j].scope)
            ):
                joint[i, j] = _told(knowledge, belief, (first, tests[j]), places[i])
    members = belief.hypotheses.members[chosen]
    plan = _causes(knowledge, belief.hypotheses, None if numbers is None else tuple(numbers))
    cause = plan.number[members]
    cause[(members[:, 0] < 0), 0] = 0
    return Outlook(
        causes=plan.causes,
        cause_names=plan.names,
        members=cause,
        probability=probability,
        tests=candidates,
        joint=JointTables(joint, {key: kinds[places[key[0]]] for key in joint}),
        repair_hours=plan.repair_hours,
        run_on_hours=plan.run_on_hours,
    )


@dataclass(frozen=True, eq=False)
class _Causes:
    """What an outlook says of its causes, and the `number` of each fault among them (the last one:
    no fault, -1)."""

    causes: tuple[tuple[str, int | None], ...]
    names: tuple[str, ...]
    number: IntArray
    repair_hours: FloatArray
    run_on_hours: FloatArray


@lru_cache(maxsize=16)
def _causes(
    knowledge: Knowledge, hypotheses: Hypotheses, numbers: tuple[int | None, ...] | None
) -> _Causes:
    unknown = hypotheses.unknown
    known = [f for f in hypotheses.faults if f.mode not in unknown]
    modes = [knowledge.modes[f.mode - 1] for f in known]
    return _Causes(
        causes=(
            ("healthy", None),
            ("none_of_these", None),
            *(
                (m.id, f.positions[0] if f.positions else None)
                for m, f in zip(modes, known, strict=True)
            ),
        ),
        names=(
            "Nothing wrong",
            "Something that is not in the list",
            *(fault_name(m, f.positions, numbers) for m, f in zip(modes, known, strict=True)),
        ),
        number=np.array(
            [1 if f.mode in unknown else i + 2 for i, f in enumerate(hypotheses.faults)] + [-1]
        ),
        repair_hours=read_only([0.0, 8.0] + [m.repair_hours for m in modes]),
        run_on_hours=read_only([0.0, 15.0] + [m.run_on_hours for m in modes]),
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
    tests: list[FollowUpTest] = []
    places: list[int | None] = []
    answered = {test for test, _ in done}
    suspects = _suspects(belief)
    for test in knowledge.tests:
        if test.fuels and engine.fuel is not Fuel.UNKNOWN and engine.fuel.value not in test.fuels:
            continue
        if test.scope is Scope.EVERY_CYLINDER and test.id in answered:
            continue
        if engine.cylinders < 2 and test.id in _COMPARES:
            continue
        for place in suspects if test.scope is Scope.CYLINDER else [None]:
            if (test.id, place) not in done:
                tests.append(test)
                places.append(place)
    return tests, places


def _suspects(belief: Belief) -> list[int]:
    """The firing positions most likely to be faulty, that one first."""
    h = belief.hypotheses
    at = [0.0] * h.positions
    for column in (0, 1):
        share = np.bincount(
            h.members[:, column] + 1, belief.probability, minlength=len(h.faults) + 1
        )[1:]
        for fault, weight in zip(h.faults, share.tolist(), strict=True):
            for position in fault.positions:
                at[position - 1] += weight
    mass = np.array(at)
    order = np.argsort(-mass, kind="stable")[:_MOST_POSITIONS]
    return [int(p) + 1 for p in order if mass[p] >= _SUSPECT] or [int(order[0]) + 1]


@lru_cache(maxsize=256)
def _answers(knowledge: Knowledge, test: FollowUpTest) -> FloatArray:
    """(outcomes, pairs, nodes) likelihood of each outcome of a test, at whatever place."""
    return group_terms(
        [answer_observation(knowledge, test, None, o) for o in range(len(test.outcomes))]
    )


@lru_cache(maxsize=1024)
def _usual(knowledge: Knowledge, tests: tuple[FollowUpTest, ...]) -> FloatArray:
    """`_probabilities` where nothing of the group was seen."""
    _, weights = quadrature()
    return read_only(_probabilities(knowledge, tests, weights[None, :]))


def _probabilities(
    knowledge: Knowledge, tests: tuple[FollowUpTest, ...], nodes: FloatArray
) -> FloatArray:
    """(outcomes, pairs) of one test or (outcomes, outcomes, pairs) of two of a group, with the
    weights (pairs, nodes) of the nodes."""
    known = _answers(knowledge, tests[0]) * nodes
    if len(tests) == 1:
        one: FloatArray = known.sum(2)
        one /= one.sum(0)
        return one
    both = known.transpose(1, 0, 2) @ _answers(knowledge, tests[1]).transpose(1, 2, 0)
    both /= both.sum((1, 2), keepdims=True)
    return np.ascontiguousarray(both.transpose(1, 2, 0))


def _told(
    knowledge: Knowledge, belief: Belief, tests: tuple[FollowUpTest, ...], place: int | None
) -> FloatArray:
    """`_probabilities` given everything known so far."""
    nodes = _so_far(belief, tests[0].group, place)
    return _usual(knowledge, tests) if nodes is None else _probabilities(knowledge, tests, nodes)


def _kinds(belief: Belief, place: int | None, chosen: IntArray) -> IntArray:
    """(chosen,) number of the pair of modes that each chosen hypothesis has at one place."""
    return read_only_int(belief.code(place)[chosen])


def _so_far(belief: Belief, group: str, place: int | None) -> FloatArray | None:
    """(pairs, nodes) weights of the nodes given what was seen of this group at this place, sum 1
    over the nodes; None when nothing was seen."""
    before = belief.same_place(group, place)
    if not before:
        return None
    _, weights = quadrature()
    product = group_terms(before).prod(0)
    largest = product.max(1, keepdims=True)
    # many answers that fit no cause could leave nothing but zeros: then they tell no node apart
    scaled = np.where(largest > 0.0, product / np.where(largest > 0.0, largest, 1.0), 1.0)
    known: FloatArray = scaled * weights
    known /= known.sum(1, keepdims=True)
    return known


def _candidate(
    knowledge: Knowledge,
    belief: Belief,
    kind: IntArray,
    test: FollowUpTest,
    *,
    place: int | None,
    numbers: Sequence[int | None] | None,
) -> CandidateTest:
    cylinder = numbers[place - 1] if numbers is not None and place is not None else None
    return replace(
        _described(test),
        firing_position=place,
        cylinder=cylinder,
        outcomes=tuple(o.id for o in test.outcomes),
        outcome_titles=tuple(o.title for o in test.outcomes),
        table=_told(knowledge, belief, (test,), place),
        kind=kind,
    )


def _described(test: FollowUpTest) -> CandidateTest:
    """What the knowledge files say of a test, its answers left open."""
    return CandidateTest(
        test=test.id,
        title=test.title,
        firing_position=None,
        cylinder=None,
        minutes=test.minutes,
        material_hours=test.material_hours,
        equipment=test.equipment,
        cautions=test.cautions,
        outcomes=(),
        outcome_titles=(),
        group=test.group,
        table=np.zeros((0, 0)),
    )


def _candidate_of_every_cylinder(
    knowledge: Knowledge,
    belief: Belief,
    chosen: IntArray,
    test: FollowUpTest,
    *,
    suspects: Sequence[int],
    numbers: Sequence[int | None] | None,
) -> CandidateTest:
    """A test on all cylinders: it speaks of the engine as a whole, all are normal, one suspect
    stands out alone, the first suspect is named with its neighbour, or something else comes out."""
    parts = parts_of(test)
    places = range(1, belief.hypotheses.positions + 1)
    of_cylinders = np.ones(len(chosen))
    rows: list[tuple[str, str, int | None, FloatArray]] = []
    if parts.whole is not None:
        table = _told(knowledge, belief, (parts.whole,), None)
        of_cylinders, *wide = _spread_over(table, belief, None, chosen)
        rows += [
            (o.id, o.title, None, row)
            for o, row in zip(parts.whole.outcomes[1:], wide, strict=True)
        ]
    told = {
        p: _spread_over(_told(knowledge, belief, (parts.one,), p), belief, p, chosen)
        for p in places
    }
    normal = np.array([told[p][parts.usual] for p in places])
    usual = parts.one.outcomes[parts.usual]
    rows.insert(0, (usual.id, usual.title, None, of_cylinders * normal.prod(0)))
    for p in suspects:
        alone = of_cylinders * np.delete(normal, p - 1, axis=0).prod(0)
        for outcome, here in zip(parts.one.outcomes, told[p], strict=True):
            if outcome.shows and outcome.reach is Reach.CYLINDER:
                rows.append((outcome.id, outcome.title, p, alone * here))
            elif outcome.shows and p == suspects[0]:  # its neighbours may show anything
                rows.append((outcome.id, outcome.title, p, of_cylinders * here))
    left = np.maximum(1.0 - np.sum([row for *_, row in rows], axis=0), 1e-12)
    rows.append(("", "Something else", None, left))
    likelihood = np.array([row for *_, row in rows])
    known = numbers or (None,) * len(places)
    return replace(
        _described(test),
        outcomes=tuple(name for name, *_ in rows),
        outcome_titles=tuple(title for _, title, *_ in rows),
        table=likelihood / likelihood.sum(0),
        stands_out=tuple((p, None if p is None else known[p - 1]) for _, _, p, _ in rows),
    )


def _spread_over(
    table: FloatArray, belief: Belief, place: int | None, chosen: IntArray
) -> FloatArray:
    """(outcomes, pairs) at one place to (outcomes, chosen)."""
    return np.take(table, _kinds(belief, place, chosen), axis=-1)

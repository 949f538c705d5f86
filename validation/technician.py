"""A simulated technician: does the follow-up tests that are asked for, and answers with errors.

Answers are drawn from the knowledge files' own tables, moved at random by up to `wobble` (their
stated uncertainty is +-0.15), so that the technician does not follow the tables exactly.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from ringland.advice import next_tests
from ringland.diagnosis import load_knowledge
from ringland.diagnosis.every_cylinder import parts_of
from ringland.diagnosis.hypotheses import Hypotheses
from ringland.diagnosis.knowledge import FollowUpTest, Scope
from ringland.diagnosis.likelihood import answer_observation, quadrature
from ringland.model import Diagnosis, GivenAnswer

__all__ = [
    "MOST",
    "SURE",
    "TEXTBOOK",
    "WOBBLE",
    "Case",
    "Followed",
    "answers_of",
    "follow",
    "present",
]

WOBBLE = 0.15
MOST = 12
"""Tests after which the technician gives up."""
SURE = 0.9
TEXTBOOK = (
    "hook_up_recheck",
    "trouble_codes",
    "vacuum_gauge",
    "power_balance",
    "compression",
    "leakdown",
    "swap_ignition",
    "swap_injector",
    "crankcase_pressure",
    "smoke_full_throttle",
    "fuel_trims",
    "exhaust_back_pressure",
    "combustion_gas_in_coolant",
)
"""A usual order of workshop manuals: codes, vacuum, balance, compression, leak-down, parts."""


@dataclass
class Case:
    """One engine with what is wrong with it (`hypothesis`) and what is drawn as it is asked."""

    hypotheses: Hypotheses
    hypothesis: int
    rng: np.random.Generator
    node: dict[tuple[str, int | None], int] = field(default_factory=dict)

    def code(self, place: int | None) -> int:
        h = self.hypotheses
        codes = h.engine_code if place is None else h.position_code[:, place - 1]
        return int(codes[self.hypothesis])

    def node_of(self, group: str, place: int | None) -> int:
        """The size of the fault as this group sees it: one draw for all items of the group."""
        key = (group, place)
        if key not in self.node:
            _, weights = quadrature()
            self.node[key] = int(self.rng.choice(len(weights), p=weights))
        return self.node[key]


def _drawn(case: Case, test: FollowUpTest, place: int | None, wobble: float) -> int:
    """Number of the outcome at one place: from the table, moved at random by up to +-wobble."""
    knowledge = load_knowledge()
    code, node = case.code(place), case.node_of(test.group, place)
    p = []
    for outcome in range(len(test.outcomes)):
        seen = answer_observation(knowledge, test, place, outcome)
        shows = seen.shows[code, node]
        p.append(shows * seen.if_shows[code] + (1 - shows) * seen.if_not[code])
    table = np.array(p)
    shift = wobble * case.rng.uniform(-1.0, 1.0, len(p)) * np.minimum(1.0, table / 0.15)
    moved = np.clip(table + shift, 1e-4, 1.0)
    return int(case.rng.choice(len(p), p=moved / moved.sum()))


def answers_of(
    case: Case, test: FollowUpTest, place: int | None, wobble: float = WOBBLE
) -> list[GivenAnswer]:
    """What the technician reports; of a test on every cylinder each one that stands out."""
    if test.scope is not Scope.EVERY_CYLINDER:
        chosen = test.outcomes[_drawn(case, test, place, wobble)]
        return [GivenAnswer(test.id, chosen.id, place)]
    parts = parts_of(test)
    if parts.whole is not None:
        number = _drawn(case, parts.whole, None, wobble)
        if number:
            return [GivenAnswer(test.id, parts.whole.outcomes[number].id)]
    found = [
        GivenAnswer(test.id, parts.one.outcomes[number].id, p)
        for p in range(1, case.hypotheses.positions + 1)
        if (number := _drawn(case, parts.one, p, wobble)) != parts.usual
    ]
    return found or [GivenAnswer(test.id, parts.one.outcomes[parts.usual].id)]


def present(diagnosis: Diagnosis, mode: str, places: tuple[int, ...]) -> float:
    """Probability that the true cause is there."""
    first = places[0] if places else None
    return max(
        (c.present or 0.0)
        for c in diagnosis.causes
        if c.failure_mode == mode and c.firing_position == first
    )


@dataclass(frozen=True)
class Followed:
    """`tests` and `minutes` until some cause passed 9 in 10; None where none did. `right`: it was
    the true one. `in_the_end`: tests until the true one did, going on where another came first."""

    tests: int | None
    minutes: float
    right: bool
    done: tuple[str, ...]
    in_the_end: int | None = None


def follow(
    case: Case,
    rank: Callable[..., Diagnosis],
    truth: tuple[str, tuple[int, ...]],
    *,
    planned: bool,
    wobble: float = WOBBLE,
    at_any: bool = False,
) -> Followed:
    """Tests one after another until the true cause passes 9 in 10; with `at_any` what is told is
    when any does, and he goes on to see when the true one does.

    `rank`: the causes with `answers` counted. `planned`: the test that Ringland asks for; else the
    textbook's next one, on the cylinder that leads.
    """
    knowledge = load_knowledge()
    answers: list[GivenAnswer] = []
    done: list[str] = []
    minutes = 0.0
    order = list(TEXTBOOK)
    stopped: Followed | None = None
    while True:
        d = rank(answers=tuple(answers))
        right = present(d, *truth) > SURE
        if right and stopped is None:
            return Followed(len(done), minutes, True, tuple(done), len(done))
        if right and stopped is not None:
            return replace(stopped, in_the_end=len(done))
        if at_any and stopped is None and max(c.present or 0.0 for c in d.causes) > SURE:
            stopped = Followed(len(done), minutes, False, tuple(done))
        if planned:
            choice = next_tests(d, even_if_sound=True, most=1)
            test = knowledge.test(choice[0].test) if choice else None
            place = choice[0].firing_position if choice else None
        else:
            test = knowledge.test(order.pop(0)) if order else None
            suspect = next((c.firing_position for c in d.causes if c.firing_position), 1)
            place = suspect if test is not None and test.scope is Scope.CYLINDER else None
        if test is None or len(done) == MOST:
            return stopped or Followed(None, minutes, False, tuple(done))
        minutes += test.minutes
        done.append(test.id)
        answers += answers_of(case, test, place, wobble)

"""Which follow-up test to do next."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ringland.advice.value import (
    answer_probability,
    expected_information_bits,
    information_table,
    posterior_given_answer,
    value_of_test,
)
from ringland.errors import SettingError
from ringland.model import CandidateTest, Diagnosis, Estimate, NextTest, Outlook, PossibleAnswer
from ringland.model._arrays import FloatArray

__all__ = ["Costs", "next_tests"]

_LOOKED_AHEAD = 6
"""First tests that are followed one step further."""
_SHOWN_CAUSES = 4
_LEAST_BITS = 0.005
CHANGEOVER_MINUTES = 10.0
"""Fetching tools, walking round, writing down: what every test costs besides its own minutes
(common practice, no source). Without it many weak quick tests crowd out the one that settles it."""
_SOUND = 0.8


@dataclass(frozen=True)
class Costs:
    """What the owner pays. `hour` is one hour of labour, in `currency`; `factor_low`,
    `factor_high` bound how far the repair and running-on hours of the knowledge files may be off
    for this engine. Material and running-on are counted in hours of labour."""

    hour: float
    currency: str
    factor_low: float = 0.5
    factor_high: float = 2.0

    def __post_init__(self) -> None:
        if not (self.hour > 0 and 0 < self.factor_low <= 1 <= self.factor_high):
            raise SettingError(
                "The costs make no sense.",
                got=f"hour {self.hour}, factors {self.factor_low} to {self.factor_high}",
                allowed="a positive hour and factors around 1",
            )


def next_tests(
    diagnosis: Diagnosis,
    *,
    costs: Costs | None = None,
    minutes: float | None = None,
    equipment: Sequence[str] | None = None,
    most: int = 5,
    even_if_sound: bool = False,
    changeover_minutes: float = CHANGEOVER_MINUTES,
) -> tuple[NextTest, ...]:
    """Follow-up tests, most useful first; empty when nothing can be learnt.

    A sound engine (8 in 10 or more) needs none, unless `even_if_sound`.

    Ordered by expected information per minute (mutual information with the causes over the work
    of the test and of changing over to it),
    looking two tests ahead for the leading ones. With `costs` by the expected saving per minute:
    what deciding after the answer saves, less the work of the test; tests that
    save nothing are left out. `minutes` leaves out longer
    tests, `equipment` those that need something else than what is at hand.
    """
    outlook = diagnosis.outlook
    if outlook is None or (diagnosis.healthy >= _SOUND and not even_if_sound):
        return ()
    chosen = [i for i, t in enumerate(outlook.tests) if _possible(t, minutes, equipment)]
    prior = outlook.probability
    bits = {i: expected_information_bits(prior, outlook.tests[i].likelihood) for i in chosen}
    useful = [i for i in chosen if bits[i] >= _LEAST_BITS]
    saving = {i: _saving(outlook, i) for i in useful} if costs is not None else {}
    useful = [i for i in useful if costs is None or saving[i] > 0]

    def rate(i: int) -> float:
        if costs is not None:
            return saving[i] / (outlook.tests[i].minutes + changeover_minutes)
        return bits[i] / (outlook.tests[i].minutes + changeover_minutes)

    order = sorted(useful, key=lambda i: (-rate(i), outlook.tests[i].test))
    if costs is None and order:
        ahead = _two_step_rates(outlook, order[:_LOOKED_AHEAD], useful, changeover_minutes)
        order[:_LOOKED_AHEAD] = sorted(ahead, key=lambda i: (-max(ahead[i], rate(i)), -rate(i)))
    return tuple(_next_test(outlook, i, bits[i], saving.get(i), costs) for i in order[:most])


def _possible(test: CandidateTest, minutes: float | None, equipment: Sequence[str] | None) -> bool:
    if minutes is not None and test.minutes > minutes:
        return False
    return equipment is None or set(test.equipment) <= set(equipment)


def _two_step_rates(
    outlook: Outlook, leading: Sequence[int], useful: Sequence[int], changeover_minutes: float
) -> dict[int, float]:
    """Bits per minute, changeover included, of each leading test followed by whichever of the
    useful ones is then best for each answer."""
    prior = outlook.probability
    likelihoods = [outlook.tests[i].likelihood for i in useful]
    after = {i: posterior_given_answer(prior, outlook.tests[i].likelihood) for i in leading}
    gained = information_table(np.concatenate([after[i] for i in leading]), likelihoods)
    longer = np.array([outlook.tests[i].minutes + changeover_minutes for i in useful])
    rates, begin = {}, 0
    for first in leading:
        answers = len(after[first])
        bits = gained[:, begin : begin + answers].copy()
        begin += answers
        for row, second in enumerate(useful):
            if second == first or _overlap(outlook.tests[first], outlook.tests[second]):
                bits[row] = 0.0
            elif (min(first, second), max(first, second)) in outlook.joint:
                bits[row] = [
                    expected_information_bits(p, _given(outlook, first, answer, second))
                    for answer, p in enumerate(after[first])
                ]
        best = (bits / longer[:, None]).argmax(0)
        then_bits = bits[best, np.arange(answers)]
        then_minutes = np.where(then_bits > 0.0, longer[best], 0.0)
        test = outlook.tests[first]
        expected = answer_probability(prior, test.likelihood)
        total = expected_information_bits(prior, test.likelihood) + expected @ then_bits
        rates[first] = float(total / (test.minutes + changeover_minutes + expected @ then_minutes))
    return rates


def _overlap(first: CandidateTest, second: CandidateTest) -> bool:
    """Whether two tests of one group, one of them on every cylinder, see the same: what the second
    would add is not worked out, so nothing is promised of it."""
    return first.group == second.group and bool(first.stands_out or second.stands_out)


def _given(outlook: Outlook, first: int, answer: int, second: int) -> FloatArray:
    """(outcomes, hypotheses) of the second test after an answer to the first."""
    key = (min(first, second), max(first, second))
    if key not in outlook.joint:
        return outlook.tests[second].likelihood
    joint = outlook.joint[key]
    rows: FloatArray = joint[answer] if first < second else joint[:, answer]
    conditional: FloatArray = rows / np.maximum(rows.sum(0), 1e-300)
    return conditional


def _payoff(outlook: Outlook) -> FloatArray:
    """(decisions, hypotheses) minus the hours each decision costs under each hypothesis.

    Decision 0 runs on; decision k repairs cause k. A repair of the wrong cause costs its hours and
    the engine still runs on with its fault.
    """
    members = outlook.members
    two = members[:, 1] >= 0
    run_on = outlook.run_on_hours[members[:, 0]] + np.where(
        two, outlook.run_on_hours[members[:, 1]], 0.0
    )
    payoff = np.empty((len(outlook.causes), len(members)))
    payoff[0] = -run_on
    for cause in range(1, len(outlook.causes)):
        cured = (members == cause).any(1)
        payoff[cause] = -outlook.repair_hours[cause] - run_on
        payoff[cause, cured] += outlook.run_on_hours[cause]
    return payoff


def _saving(outlook: Outlook, index: int) -> float:
    """Expected saving of a test in hours of labour, less its own work and material."""
    test = outlook.tests[index]
    gain = value_of_test(outlook.probability, test.likelihood, _payoff(outlook))
    return gain - test.minutes / 60.0 - test.material_hours


def _next_test(
    outlook: Outlook, index: int, bits: float, saving: float | None, costs: Costs | None
) -> NextTest:
    test = outlook.tests[index]
    expected = answer_probability(outlook.probability, test.likelihood)
    after = posterior_given_answer(outlook.probability, test.likelihood)
    places = test.stands_out or ((None, None),) * len(test.outcomes)
    answers = tuple(
        PossibleAnswer(o, title, float(p), _ranking(outlook, after[i]), *places[i])
        for i, (o, title, p) in enumerate(
            zip(test.outcomes, test.outcome_titles, expected, strict=True)
        )
        if o  # what is left over cannot be answered with one word
    )
    return NextTest(
        test=test.test,
        title=test.title,
        firing_position=test.firing_position,
        cylinder=test.cylinder,
        information_bits=bits,
        minutes=test.minutes,
        bits_per_minute=bits / test.minutes,
        equipment=test.equipment,
        cautions=test.cautions,
        outcomes=answers,
        expected_saving=None if saving is None or costs is None else _money(saving, costs),
    )


def _money(saving_hours: float, costs: Costs) -> Estimate:
    value = saving_hours * costs.hour
    bounds = sorted((value * costs.factor_low, value * costs.factor_high))
    return Estimate(value, bounds[0], bounds[1], costs.currency)


def _ranking(outlook: Outlook, probability: FloatArray) -> tuple[tuple[str, float], ...]:
    """Leading causes in words with their share, two faults counting half each."""
    share = np.zeros(len(outlook.causes))
    two = outlook.members[:, 1] >= 0
    weight = np.where(two, 0.5, 1.0) * probability
    np.add.at(share, outlook.members[:, 0], weight)
    np.add.at(share, outlook.members[two, 1], weight[two])
    order = np.argsort(-share, kind="stable")[:_SHOWN_CAUSES]
    return tuple((outlook.cause_names[i], float(share[i])) for i in order)

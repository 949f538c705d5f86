"""Exact posterior over the hypotheses, and what it would be without one piece of evidence."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from ringland.diagnosis.hypotheses import Hypotheses
from ringland.diagnosis.knowledge import Knowledge, Scope
from ringland.diagnosis.likelihood import Observation, group_log_likelihood
from ringland.model import CaseEvidence
from ringland.model._arrays import BoolArray, FloatArray, IntArray

__all__ = ["Belief", "believe", "log_odds", "shares"]

_Place = tuple[str, int | None]


@dataclass(frozen=True, eq=False)
class Belief:
    """Posterior over `hypotheses` after `observations`.

    `log_weight` (hypotheses,): unnormalised natural log posterior. `factors`: (pairs,) log-
    likelihood of each evidence group at each place. `case_term` (hypotheses,): what simulated
    cases add, zeros when there are none; `case_parts`: by channel, `case_term` as it would be
    without that channel. `own` (hypotheses,): log-likelihood ratio of the recording itself against
    a sound engine, `weight` the share of it that counts beside other recordings and `others` what
    each of those adds (docs/theory/diagnosis.md, section 9).
    """

    hypotheses: Hypotheses
    observations: tuple[Observation, ...]
    factors: dict[_Place, FloatArray]
    log_weight: FloatArray
    case_term: FloatArray
    case_parts: dict[str, FloatArray] = field(default_factory=dict)
    own: FloatArray = field(default_factory=lambda: np.zeros(0))
    weight: float = 1.0
    others: tuple[FloatArray, ...] = ()

    @cached_property
    def probability(self) -> FloatArray:
        """(hypotheses,) posterior, sum 1."""
        return normalised(self.log_weight)

    def expand(
        self, factor: FloatArray, firing_position: int | None, among: IntArray
    ) -> FloatArray:
        """(..., pairs) at one place to (..., among) hypotheses."""
        h = self.hypotheses
        code = h.engine_code if firing_position is None else h.position_code[:, firing_position - 1]
        expanded: FloatArray = factor[..., code[among]]
        return expanded

    def same_place(self, group: str, firing_position: int | None) -> list[Observation]:
        """Observations of one group at one place."""
        return [
            o
            for o in self.observations
            if o.group == group and o.firing_position == firing_position
        ]

    def without(self, observation: Observation, among: IntArray) -> FloatArray:
        """(among,) posterior over some hypotheses had this one thing not been seen."""
        place = (observation.group, observation.firing_position)
        others = [o for o in self.same_place(*place) if o is not observation]
        factor = -self.factors[place]
        if others:
            factor = factor + group_log_likelihood(others)
        share = self.weight if observation.from_recording else 1.0
        change = share * self.expand(factor, observation.firing_position, among)
        return normalised(self.log_weight[among] + change)

    def without_cases(self, among: IntArray) -> FloatArray:
        """(among,) posterior over some hypotheses without what the simulated cases say."""
        return normalised((self.log_weight - self.weight * self.case_term)[among])

    def without_channel(self, channel: str, among: IntArray) -> FloatArray:
        """(among,) posterior over some hypotheses had the cases not heard this channel."""
        changed = self.log_weight + self.weight * (self.case_parts[channel] - self.case_term)
        return normalised(changed[among])


def normalised(log_weight: FloatArray) -> FloatArray:
    """exp of the log weights, scaled to sum 1."""
    weight: FloatArray = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    return weight


def shares(belief: Belief) -> tuple[FloatArray, FloatArray]:
    """(faults,) share of the posterior, two faults counting half each; and probability present."""
    members, p = belief.hypotheses.members, belief.probability
    count = len(belief.hypotheses.faults)
    two = members[:, 1] >= 0
    one = ~two & (members[:, 0] >= 0)

    def total(column: int, rows: BoolArray) -> FloatArray:
        return np.asarray(np.bincount(members[rows, column], p[rows], minlength=count), np.float64)

    alone, both = total(0, one), total(0, two) + total(1, two)
    return alone + 0.5 * both, alone + both


def log_odds(masks: BoolArray, probability: FloatArray) -> FloatArray:
    """(masks,) log2 of the odds of what is in each mask (masks, hypotheses)."""
    inside = masks @ probability
    outside = ~masks @ probability
    odds: FloatArray = np.log2(np.maximum(inside, 1e-300)) - np.log2(np.maximum(outside, 1e-300))
    return odds


def _factors(observations: Sequence[Observation]) -> dict[_Place, FloatArray]:
    grouped: dict[_Place, list[Observation]] = {}
    for seen in observations:
        grouped.setdefault((seen.group, seen.firing_position), []).append(seen)
    return {place: group_log_likelihood(seen) for place, seen in grouped.items()}


def _log_likelihood(hypotheses: Hypotheses, factors: dict[_Place, FloatArray]) -> FloatArray:
    total = np.zeros(len(hypotheses.log_prior))
    for (_, position), factor in factors.items():
        if position is None:
            total += factor[hypotheses.engine_code]
        else:
            total += factor[hypotheses.position_code[:, position - 1]]
    return total


def believe(
    knowledge: Knowledge,
    hypotheses: Hypotheses,
    observations: Sequence[Observation],
    cases: CaseEvidence | None = None,
) -> Belief:
    """Posterior from the tables and, when given, from simulated cases.

    With cases, what the tables say of the recorded cylinders is replaced by the cases; what they
    say of the whole engine stays, and answers keep what they add given the recording
    (docs/theory/diagnosis.md, equation 9).
    """
    factors = _factors(observations)
    table = _log_likelihood(hypotheses, factors)
    recorded = [o for o in observations if o.from_recording]
    told = _against_sound(hypotheses, recorded)
    case_term, case_parts = np.zeros_like(table), {}
    if cases is not None:
        engine = _against_sound(hypotheses, [o for o in recorded if o.firing_position is None])
        case_term = _case_term(knowledge, hypotheses, cases) + engine - told
        for channel, ratios in cases.without_channel.items():
            other = replace(cases, log_ratio=ratios)
            case_parts[channel] = _case_term(knowledge, hypotheses, other) + engine - told
    return Belief(
        hypotheses=hypotheses,
        observations=tuple(observations),
        factors=factors,
        log_weight=hypotheses.log_prior + table + case_term,
        case_term=case_term,
        case_parts=case_parts,
        own=told + case_term,
    )


def _against_sound(hypotheses: Hypotheses, observations: Sequence[Observation]) -> FloatArray:
    """(hypotheses,) log-likelihood ratio of observations against a sound engine."""
    told = _log_likelihood(hypotheses, _factors(observations))
    ratio: FloatArray = told - told[0]
    return ratio


def _case_term(knowledge: Knowledge, hypotheses: Hypotheses, cases: CaseEvidence) -> FloatArray:
    """(hypotheses,) log-likelihood ratio of the cylinders' pulses against a sound engine.

    Faults of the whole engine leave its cylinders alike: ratio 0. What is wrong with the hook-up
    looks like anything, as an unlisted fault does. Two faults share the evidence: the mean of both
    ratios, and log 2 where they are in different cylinders.
    """
    count = len(hypotheses.faults)
    per_fault = np.zeros(count + 1)
    local = np.zeros(count + 1, dtype=np.bool_)
    places = np.zeros((count + 1, hypotheses.positions), dtype=np.bool_)
    for index, fault in enumerate(hypotheses.faults):
        scope = None if fault.mode in hypotheses.unknown else knowledge.modes[fault.mode - 1].scope
        places[index, [p - 1 for p in fault.positions]] = True
        local[index] = scope is not Scope.ENGINE
        if scope is None or scope is Scope.HOOK_UP:
            per_fault[index] = cases.none_of_these
        elif fault.positions:
            mode = knowledge.modes[fault.mode - 1].id
            ratios = [cases.log_ratio.get((mode, p), cases.none_of_these) for p in fault.positions]
            per_fault[index] = np.mean(ratios) + np.log(len(ratios))
    first, second = hypotheses.members.T
    apart = ~(places[first] & places[second]).any(axis=1)
    sharing = local[first] & local[second]
    both = per_fault[first] + per_fault[second]
    term: FloatArray = np.where(sharing, 0.5 * both + np.log(2.0) * apart, both)
    return term

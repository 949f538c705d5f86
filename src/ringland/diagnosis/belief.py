"""Exact posterior over the hypotheses, and what it would be without one piece of evidence."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache

import numpy as np

from ringland.diagnosis.hypotheses import Hypotheses
from ringland.diagnosis.knowledge import Knowledge, Scope
from ringland.diagnosis.likelihood import Observation, group_log_likelihood
from ringland.model import CaseEvidence
from ringland.model._arrays import BoolArray, FloatArray, IntArray

__all__ = ["Belief", "believe", "log_odds", "shares", "term_of_places"]

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

    @cached_property
    def fault_shares(self) -> tuple[FloatArray, FloatArray]:
        """(faults,) share of the posterior, two faults counting half each; and the probability
        that each fault is there at all."""
        members, p = self.hypotheses.members, self.probability
        size = len(self.hypotheses.faults) + 1  # the first for no fault
        two = members[:, 1] >= 0

        def total(column: int, weights: FloatArray) -> FloatArray:
            summed = np.bincount(members[:, column] + 1, weights, minlength=size)[1:]
            return np.asarray(summed, np.float64)

        alone = total(0, np.where(two, 0.0, p))
        both = total(0, np.where(two, p, 0.0)) + total(1, p)
        return alone + 0.5 * both, alone + both

    def code(self, firing_position: int | None) -> IntArray:
        """(hypotheses,) number of the pair of modes at one place."""
        h = self.hypotheses
        return h.engine_code if firing_position is None else h.position_code[:, firing_position - 1]

    def expand(
        self, factor: FloatArray, firing_position: int | None, among: IntArray
    ) -> FloatArray:
        """(..., pairs) at one place to (..., among) hypotheses."""
        return np.take(factor, self.code(firing_position)[among], axis=-1)

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
    return belief.fault_shares


def log_odds(masks: BoolArray, probability: FloatArray) -> FloatArray:
    """(masks,) log2 of the odds of what is in each mask (masks, hypotheses)."""
    share = masks.astype(np.float64)
    inside, outside = share @ probability, (1.0 - share) @ probability
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

    With cases, what the tables say of the recorded cylinders' pulses is replaced by the cases; what
    they say of the whole engine and of compressions stays, and answers keep what they add given the
    recording (docs/theory/diagnosis.md, equation 9).
    """
    factors = _factors(observations)
    table = _log_likelihood(hypotheses, factors)
    recorded = _recorded_factors(observations, factors)
    told = _against_sound(_log_likelihood(hypotheses, recorded))
    case_term, case_parts = np.zeros_like(table), {}
    if cases is not None:
        kept = _factors([o for o in observations if o.from_recording and not o.judged_by(cases)])
        rest = _against_sound(_log_likelihood(hypotheses, kept)) - told
        every = {"": cases.log_ratio, **cases.without_channel}
        terms = _case_terms(knowledge, hypotheses, list(every.values()), cases.none_of_these)
        case_term, *others = terms + rest
        case_parts = dict(zip(cases.without_channel, others, strict=True))
    return Belief(
        hypotheses=hypotheses,
        observations=tuple(observations),
        factors=factors,
        log_weight=hypotheses.log_prior + table + case_term,
        case_term=case_term,
        case_parts=case_parts,
        own=told + case_term,
    )


def _recorded_factors(
    observations: Sequence[Observation], factors: dict[_Place, FloatArray]
) -> dict[_Place, FloatArray]:
    """`factors` without the answers."""
    answered = {(o.group, o.firing_position) for o in observations if not o.from_recording}
    mixed = [
        o for o in observations if o.from_recording and (o.group, o.firing_position) in answered
    ]
    alone = {place: factor for place, factor in factors.items() if place not in answered}
    return alone | _factors(mixed)


def _against_sound(log_likelihood: FloatArray) -> FloatArray:
    """(hypotheses,) log-likelihood ratio against a sound engine."""
    ratio: FloatArray = log_likelihood - log_likelihood[0]
    return ratio


def _case_terms(
    knowledge: Knowledge,
    hypotheses: Hypotheses,
    log_ratios: Sequence[Mapping[_Place, float]],
    none_of_these: float,
) -> FloatArray:
    """(log_ratios, hypotheses) log-likelihood ratio of the cylinders' pulses against a sound
    engine, for each of several tables of ratios.

    Faults of the whole engine leave its cylinders alike: ratio 0. What is wrong with the hook-up
    looks like anything, as an unlisted fault does. Two faults share the evidence: the mean of both
    ratios, and log 2 where they are in different cylinders.
    """
    plan = _sharing(knowledge, hypotheses)
    per_fault = np.zeros((len(log_ratios), len(hypotheses.faults) + 1))
    per_fault[:, plan.like_anything] = none_of_these
    for row, ratios in zip(per_fault, log_ratios, strict=True):
        row[plan.in_one] = [ratios.get(place, none_of_these) for place in plan.place]
        for index, places in plan.in_several:
            told = [ratios.get(place, none_of_these) for place in places]
            row[index] = sum(told) / len(told) + np.log(len(told))
    first, second = hypotheses.members.T
    terms: FloatArray = np.take(per_fault, first, axis=1) + np.take(per_fault, second, axis=1)
    terms *= plan.share
    terms += plan.apart
    return terms


def term_of_places(
    knowledge: Knowledge, hypotheses: Hypotheses, added: Mapping[_Place, float]
) -> FloatArray:
    """(hypotheses,) what is added to faults in one cylinder, by (failure mode, firing position);
    where two faults share the evidence each has half."""
    plan = _sharing(knowledge, hypotheses)
    per_fault = np.zeros(len(hypotheses.faults) + 1)
    per_fault[plan.in_one] = [added.get(place, 0.0) for place in plan.place]
    first, second = hypotheses.members.T
    term: FloatArray = (per_fault[first] + per_fault[second]) * plan.share
    return term


@dataclass(frozen=True, eq=False)
class _Sharing:
    """How the faults of one engine share the evidence of its pulses.

    `like_anything`: faults that look like something unlisted; `in_one`: the others that show in
    one cylinder, each with its mode there in `place`; `in_several`: those in more than one.
    `share` (hypotheses,): of both ratios, `apart` what is added.
    """

    like_anything: list[int]
    in_one: list[int]
    place: list[_Place]
    in_several: list[tuple[int, list[_Place]]]
    share: FloatArray
    apart: FloatArray


@lru_cache(maxsize=16)
def _sharing(knowledge: Knowledge, hypotheses: Hypotheses) -> _Sharing:
    count = len(hypotheses.faults)
    local = np.zeros(count + 1, dtype=np.bool_)
    places = np.zeros((count + 1, hypotheses.positions), dtype=np.bool_)
    like_anything: list[int] = []
    in_one: list[int] = []
    place: list[_Place] = []
    in_several: list[tuple[int, list[_Place]]] = []
    for index, fault in enumerate(hypotheses.faults):
        scope = None if fault.mode in hypotheses.unknown else knowledge.modes[fault.mode - 1].scope
        places[index, [p - 1 for p in fault.positions]] = True
        local[index] = scope is not Scope.ENGINE
        if scope is None or scope is Scope.HOOK_UP:
            like_anything.append(index)
        elif len(fault.positions) == 1:
            in_one.append(index)
            place.append((knowledge.modes[fault.mode - 1].id, fault.positions[0]))
        elif fault.positions:
            mode = knowledge.modes[fault.mode - 1].id
            in_several.append((index, [(mode, p) for p in fault.positions]))
    first, second = hypotheses.members.T
    apart = ~(places[first] & places[second]).any(axis=1)
    sharing = local[first] & local[second]
    return _Sharing(
        like_anything=like_anything,
        in_one=in_one,
        place=place,
        in_several=in_several,
        share=np.where(sharing, 0.5, 1.0),
        apart=np.where(sharing & apart, np.log(2.0), 0.0),
    )

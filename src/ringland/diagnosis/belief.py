"""Exact posterior over the hypotheses, and what it would be without one piece of evidence."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ringland.diagnosis.hypotheses import Hypotheses
from ringland.diagnosis.knowledge import Knowledge
from ringland.diagnosis.likelihood import Observation, group_log_likelihood
from ringland.model import CaseEvidence
from ringland.model._arrays import FloatArray, IntArray

__all__ = ["Belief", "believe"]

_Place = tuple[str, int | None]


@dataclass(frozen=True, eq=False)
class Belief:
    """Posterior over `hypotheses` after `observations`.

    `log_weight` (hypotheses,): unnormalised natural log posterior. `factors`: (pairs,) log-
    likelihood of each evidence group at each place. `case_term` (hypotheses,): what simulated
    cases add, zeros when there are none.
    """

    hypotheses: Hypotheses
    observations: tuple[Observation, ...]
    factors: dict[_Place, FloatArray]
    log_weight: FloatArray
    case_term: FloatArray

    @cached_property
    def probability(self) -> FloatArray:
        """(hypotheses,) posterior, sum 1."""
        return normalised(self.log_weight)

    def expand(
        self, factor: FloatArray, firing_position: int | None, among: IntArray
    ) -> FloatArray:
        """(pairs,) at one place to (among,) hypotheses."""
        h = self.hypotheses
        code = h.engine_code if firing_position is None else h.position_code[:, firing_position - 1]
        expanded: FloatArray = factor[code[among]]
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
        change = self.expand(factor, observation.firing_position, among)
        return normalised(self.log_weight[among] + change)

    def without_cases(self, among: IntArray) -> FloatArray:
        """(among,) posterior over some hypotheses without what the simulated cases say."""
        return normalised((self.log_weight - self.case_term)[among])


def normalised(log_weight: FloatArray) -> FloatArray:
    """exp of the log weights, scaled to sum 1."""
    weight: FloatArray = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    return weight


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

    With cases, what the tables say of the recording is replaced by the cases for every mode they
    cover, relative to a sound engine; answers keep what they add given the recording
    (docs/theory/diagnosis.md, equation 9).
    """
    factors = _factors(observations)
    table = _log_likelihood(hypotheses, factors)
    case_term = np.zeros_like(table)
    if cases is not None:
        recorded = [o for o in observations if o.from_recording]
        only = _log_likelihood(hypotheses, _factors(recorded))
        case_term = _case_term(knowledge, hypotheses, cases, only - only[0]) - (only - only[0])
    return Belief(
        hypotheses=hypotheses,
        observations=tuple(observations),
        factors=factors,
        log_weight=hypotheses.log_prior + table + case_term,
        case_term=case_term,
    )


def _case_term(
    knowledge: Knowledge, hypotheses: Hypotheses, cases: CaseEvidence, by_table: FloatArray
) -> FloatArray:
    """(hypotheses,) log-likelihood ratio against a sound engine, cases first, tables otherwise."""
    single = by_table[1 : 1 + len(hypotheses.faults)]
    per_fault = np.zeros(len(hypotheses.faults) + 1)
    for index, fault in enumerate(hypotheses.faults):
        if fault.mode in hypotheses.unknown:
            per_fault[index] = cases.none_of_these
            continue
        mode = knowledge.modes[fault.mode - 1].id
        ratios = [cases.log_ratio.get((mode, p)) for p in fault.positions or (None,)]
        known = [r for r in ratios if r is not None]
        per_fault[index] = sum(known) if len(known) == len(ratios) else float(single[index])
    members = hypotheses.members
    term: FloatArray = per_fault[members[:, 0]] + per_fault[members[:, 1]]
    return term

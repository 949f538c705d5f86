"""How probable each piece of evidence is under each pair of modes, with dependence inside a group.

One factor per group: Z standard normal (the size of the fault as this group sees it). Item j shows
with probability Phi((Phi^-1(p_j) + sqrt(rho) Z) / sqrt(1 - rho)), which keeps p_j as its marginal
(a one-factor Gaussian copula). Z is integrated by Gauss-Hermite quadrature.
Equation numbers: docs/theory/diagnosis.md, section 3.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numba
import numpy as np
from scipy.special import erfc, erfcx, ndtr, ndtri

from ringland.diagnosis.hypotheses import pair_members
from ringland.diagnosis.knowledge import EvidenceItem, FollowUpTest, Knowledge, Scope
from ringland.model import CaseEvidence
from ringland.model._arrays import FloatArray

__all__ = [
    "NODES",
    "Observation",
    "answer_observation",
    "deviation_densities",
    "group_log_likelihood",
    "group_terms",
    "item_observation",
    "quadrature",
]

NODES = 15
_SMALLEST = 1e-6
_SOFTNESS = 0.25
"""Width of the limit itself, as a share of it: nobody believes a limit to the last digit."""
_SOUND_WIDTH = 0.4
_FARTHEST = 300.0
_GROSS = 1.0 / 3000.0
_STARTER = "starter current"
_CRANK = "crank speed"
"""Channel of the items that no simulated case shows: none is turned by its starter."""
_ROOT_2 = math.sqrt(2.0)
_FAR_SHARE = 0.3
"""Share of faults that go very far beyond the limit (a dead cylinder against a 1 % limit)."""


@dataclass(frozen=True, eq=False)
class Observation:
    """One observed item or answer.

    `shows` (pairs, nodes): probability that it is abnormal; `if_shows`, `if_not` (pairs,): how
    probable what was seen is when it is abnormal, and when it is not. `firing_position` None: of
    the engine. `from_recording` False for an answer. `of_pulses`: what a cylinder's own pulses
    showed, which simulated cases know better; `of_crank`: the crank's speed did.
    """

    key: str
    group: str
    firing_position: int | None
    from_recording: bool
    shows: FloatArray
    if_shows: FloatArray
    if_not: FloatArray
    abnormal: float
    name: str
    sentence: str
    of_pulses: bool = False
    of_crank: bool = False

    def judged_by(self, cases: CaseEvidence | None) -> bool:
        """Whether the simulated cases say the same, and know it better."""
        return cases is not None and self.of_pulses and (self.of_crank or not cases.by_crank_alone)


@lru_cache(maxsize=1)
def quadrature() -> tuple[FloatArray, FloatArray]:
    """Nodes and weights for a standard normal variable."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(NODES)
    return np.asarray(nodes, dtype=np.float64), np.asarray(weights / weights.sum())


def _item_by_mode(knowledge: Knowledge, item: EvidenceItem, positions: int) -> FloatArray:
    """Probability that an item shows under each mode number (0 sound, last two unknown).

    The tables give the chance over the whole engine; what the fault itself adds is the part above
    the rate of a sound engine. At one position a scanned item has its share of the sound rate.
    """
    listed = np.array([item.likelihood.get(m.id, item.sound) for m in knowledge.modes])
    local = np.array([m.scope in (Scope.CYLINDER, Scope.NEIGHBOURS) for m in knowledge.modes])
    added = (listed - item.sound) / (1.0 - item.sound)
    sound = item.sound
    if item.scope is Scope.CYLINDER and item.scanned:
        sound = 1.0 - (1.0 - item.sound) ** (1.0 / positions)
        shared = 1.0 - (1.0 - np.maximum(added, 0.0)) ** (1.0 / positions)
        added = np.where(local, added, shared)
    by_mode = np.where(added >= 0, sound + (1.0 - sound) * added, sound * listed / item.sound)
    in_cylinder, in_engine = float(by_mode[local].mean()), float(by_mode[~local].mean())
    if item.scope is Scope.CYLINDER:
        in_cylinder = max(in_cylinder, knowledge.unknown_floor)
    in_engine = max(in_engine, 0.5 * knowledge.unknown_floor)
    everything: FloatArray = np.concatenate([[sound], by_mode, [in_cylinder, in_engine]])
    return np.clip(everything, _SMALLEST, 1 - _SMALLEST)


def _noisy_or(by_mode: FloatArray) -> FloatArray:
    """Probability under every pair of modes: either can show it, and so can a sound engine."""
    low, high = pair_members(len(by_mode))
    both = 1.0 - (1.0 - by_mode[low]) * (1.0 - by_mode[high]) / (1.0 - by_mode[0])
    alone = np.where(low == 0, by_mode[high], both)
    return np.clip(alone, _SMALLEST, 1 - _SMALLEST)


def _with_factor(probability: FloatArray, correlation: float) -> FloatArray:
    """(pairs, nodes): probability at each value of the group's factor."""
    nodes, _ = quadrature()
    threshold = ndtri(probability)[:, None]
    scaled = (threshold + np.sqrt(correlation) * nodes[None, :]) / np.sqrt(1.0 - correlation)
    table: FloatArray = ndtr(scaled)
    return table


@lru_cache(maxsize=1024)
def _item_table(knowledge: Knowledge, item: EvidenceItem, positions: int) -> FloatArray:
    by_mode = _item_by_mode(knowledge, item, positions)
    return _with_factor(_noisy_or(by_mode), knowledge.group(item.group).correlation)


@lru_cache(maxsize=1024)
def _answer_tables(
    knowledge: Knowledge, test: FollowUpTest
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(pairs, nodes) abnormal; (outcomes, pairs) each outcome if abnormal, and if not."""
    default = np.array(test.row("default"))
    rows = np.array([test.row(m.id) for m in knowledge.modes])
    local = np.array([m.scope in (Scope.CYLINDER, Scope.NEIGHBOURS) for m in knowledge.modes])
    by_mode = np.vstack([default, rows, rows[local].mean(0), rows[~local].mean(0)])
    abnormal = np.array([o.shows for o in test.outcomes])
    p_shows = by_mode[:, abnormal].sum(1)
    low, high = pair_members(len(by_mode))
    active = np.maximum((p_shows - p_shows[0]) / (1.0 - p_shows[0]), 1e-9)
    share = (active[low] / (active[low] + active[high]))[:, None]
    tables = []
    for chosen in (abnormal, ~abnormal):
        given = np.where(chosen, by_mode, 0.0)
        given /= given.sum(1, keepdims=True)
        mixed = share * given[low] + (1.0 - share) * given[high]
        tables.append(np.where((low == 0)[:, None], given[high], mixed).T)
    shows = _with_factor(_noisy_or(p_shows), knowledge.group(test.group).correlation)
    return shows, tables[0], tables[1]


@lru_cache(maxsize=1024)
def _due_to_fault(knowledge: Knowledge, item: EvidenceItem, positions: int) -> FloatArray:
    """(pairs,) share of showings that come from the fault and not from chance."""
    shows = _noisy_or(_item_by_mode(knowledge, item, positions))
    share: FloatArray = np.clip(1.0 - shows[0] / shows, 0.0, 1.0)
    return share


def _excess_densities(excess: float, relative_error: float) -> tuple[float, float]:
    """How probable an excess over the limit is for a real fault, and for a false alarm.

    `excess` in units of the limit. Both exponential: faults go far beyond the limit (mean 1.5),
    false alarms just beyond it (mean 0.2) but for one gross error in twenty. Scaled so that the
    two sum to 2; measurement error widens both until they say nothing.
    """
    far, near = np.hypot(1.5, relative_error), np.hypot(0.2, relative_error)
    fault = float(np.exp(-excess / far) / far)
    chance = 0.95 * float(np.exp(-excess / near) / near) + 0.05 * fault
    return 2.0 * fault / (fault + chance), 2.0 * chance / (fault + chance)


@lru_cache(maxsize=256)
def _answer_due_to_fault(knowledge: Knowledge, test: FollowUpTest) -> FloatArray:
    """(pairs,) share of abnormal answers that come from the fault and not from chance."""
    _, weights = quadrature()
    shows = _answer_tables(knowledge, test)[0] @ weights
    share: FloatArray = np.clip(1.0 - shows[0] / shows, 0.0, 1.0)
    return share


def _beyond_limit(value: float, mean: float, error: float) -> float:
    """Density at `value` of 1 + an exponential excess of this mean + a normal error."""
    over = value - 1.0
    z = (error / mean - over / error) / _ROOT_2
    if z > 0:
        return float(0.5 / mean * math.exp(-0.5 * (over / error) ** 2) * erfcx(z))
    return float(0.5 / mean * math.exp(0.5 * (error / mean) ** 2 - over / mean) * erfc(z))


def deviation_densities(
    value: float, error: float, sound_spread: float = 0.0
) -> tuple[float, float, float]:
    """Density of a measured deviation: shown by a fault, shown by chance, and not shown.

    `value` and its standard error in units of the limit, towards the side that counts. Not shown:
    normal about 0, the limit at 2.5 standard deviations of sound cylinders, or wider by
    `sound_spread` where the cylinders of this engine differ more among themselves. Shown by a
    fault: beyond the limit by an exponential of mean 1.5, or 15 in three of ten; by chance: of
    mean 0.2, but for one gross error in twenty. All widened by the measurement's error. One
    reading in 3000 is wrong altogether and looks like a fault, so that no single reading is
    believed without end (equations 5 to 7 of docs/theory/diagnosis.md).
    """
    value = min(max(value, -1.0), _FARTHEST)
    soft = math.hypot(error, _SOFTNESS)
    near, far = _beyond_limit(value, 1.5, soft), _beyond_limit(value, 15.0, soft)
    fault = (1.0 - _FAR_SHARE) * near + _FAR_SHARE * far
    chance = 0.95 * _beyond_limit(value, 0.2, soft) + 0.05 * fault
    width = max(math.hypot(error, _SOUND_WIDTH), sound_spread)
    sound = math.exp(-0.5 * (value / width) ** 2) / (width * math.sqrt(2.0 * math.pi))
    return fault, chance, (1.0 - _GROSS) * sound + _GROSS * fault


def item_observation(
    knowledge: Knowledge,
    item: EvidenceItem,
    *,
    positions: int,
    firing_position: int | None,
    deviation: float,
    error: float,
    sentence: str,
    abnormal: float,
    sound_spread: float = 0.0,
) -> Observation:
    """A recorded item: `deviation` and its standard `error` in units of the limit, towards the
    side that counts. `abnormal` is the probability that it is beyond the limit, for wording."""
    fault, chance, sound = deviation_densities(deviation, error, sound_spread)
    share = _due_to_fault(knowledge, item, positions)
    scale = max(fault, chance, sound)
    table = _item_table(knowledge, item, positions)
    return Observation(
        key=item.id,
        group=item.group,
        firing_position=firing_position,
        from_recording=True,
        shows=table,
        if_shows=(share * fault + (1.0 - share) * chance) / scale,
        if_not=np.full(len(table), sound / scale),
        abnormal=abnormal,
        name=item.would_show,
        sentence=sentence,
        of_pulses=firing_position is not None and item.channel != _STARTER,
        of_crank=item.channel == _CRANK,
    )


def answer_observation(
    knowledge: Knowledge,
    test: FollowUpTest,
    firing_position: int | None,
    outcome: int,
    *,
    sentence: str = "",
    excess: float | None = None,
) -> Observation:
    """An answer: outcome number `outcome` of a follow-up test.

    `excess`: how far an abnormal reading is beyond its limit, in units of the limit.
    """
    shows, if_shows, if_not = _answer_tables(knowledge, test)
    seen = if_shows[outcome]
    if excess is not None and test.outcomes[outcome].shows:
        fault, chance = _excess_densities(max(excess, 0.0), 0.1)
        share = _answer_due_to_fault(knowledge, test)
        seen = seen * (share * fault + (1.0 - share) * chance)
    return Observation(
        key=test.id,
        group=test.group,
        firing_position=firing_position if test.scope is Scope.CYLINDER else None,
        from_recording=False,
        shows=shows,
        if_shows=seen,
        if_not=if_not[outcome],
        abnormal=1.0 if test.outcomes[outcome].shows else 0.0,
        name=test.title,
        sentence=sentence or test.outcomes[outcome].title,
    )


def group_terms(observations: Sequence[Observation]) -> FloatArray:
    """(observations, pairs, nodes) likelihood of each observation at the nodes of its group's
    shared share."""
    return np.array(
        [o.shows * (o.if_shows - o.if_not)[:, None] + o.if_not[:, None] for o in observations]
    )


def group_log_likelihood(observations: Sequence[Observation]) -> FloatArray:
    """(pairs,) natural log-likelihood of observations of one group at one place."""
    if not observations:
        raise ValueError("a group needs at least one observation")
    _, weights = quadrature()
    product = np.empty_like(observations[0].shows)
    for number, seen in enumerate(observations):
        _multiply(product, seen.shows, seen.if_shows, seen.if_not, number == 0)
    result: FloatArray = np.log(np.maximum(product @ weights, 1e-300))
    return result


@numba.njit(cache=True)
def _multiply(
    product: FloatArray, shows: FloatArray, if_shows: FloatArray, if_not: FloatArray, first: bool
) -> None:
    """The terms of one observation into the product over a group (pairs, nodes), in place."""
    for pair in range(product.shape[0]):
        low = if_not[pair]
        more = if_shows[pair] - low
        for node in range(product.shape[1]):
            term = shows[pair, node] * more + low
            product[pair, node] = term if first else product[pair, node] * term

"""Several recordings of one engine in one ranking, none counted for more than it adds.

Equation numbers: docs/theory/diagnosis.md, section 9.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.special import logsumexp

from ringland.diagnosis.belief import Belief, believe, term_of_places
from ringland.diagnosis.evidence import recorded_observations
from ringland.diagnosis.hypotheses import Hypotheses
from ringland.diagnosis.knowledge import Knowledge
from ringland.diagnosis.likelihood import Observation
from ringland.model import CaseEvidence, ChannelRole, Condition, RecordedEvidence
from ringland.model._arrays import FloatArray
from ringland.reference.plan import load_settings

__all__ = ["Joint", "joint_of", "shares_that_count", "strength"]

SAME_WAY = 0.6
"""Correlation of two recordings with a pulse channel or the tooth wheel in common, run the same
way."""
OTHER_WAY = 0.2
"""The same at another speed or in another condition."""
OTHER_CHANNEL = 0.1
"""Of two recordings that have no pulse channel in common."""
CRANKED = 0.0
"""Of a recording of the starter at work and another one: it shows compressions and nothing else,
which sound cylinders differ little by (common practice, no source)."""
SAME_SPEED = 0.15
"""Speeds closer than this share of the higher one are the same way of running."""
THERE_BEFORE = 0.5
"""Probability that what is wrong now was there at an earlier visit. Own judgement, no source."""

_NEVER = -60.0
"""Logarithm of the ratio of a kind that does not occur with this fuel."""

_PULSES = frozenset(
    {ChannelRole.EXHAUST, ChannelRole.EXHAUST_2, ChannelRole.CRANKCASE, ChannelRole.INTAKE,
     ChannelRole.CRANK_TOOTH, ChannelRole.STARTER_CURRENT}
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Joint:
    """The recordings of one engine, the first with its answers in `first`.

    `ways`: for each other recording what it says by itself, once for every turn of the firing order
    it may have; `earlier` (recordings,), `strengths` and `correlation` over all recordings, the
    first at 0. `kinds`: for each recording its ratios by (simulated kind, firing position of the
    first), empty where they cannot be joined kind by kind.
    """

    knowledge: Knowledge
    first: Belief
    ways: tuple[tuple[Belief, ...], ...]
    earlier: tuple[bool, ...]
    strengths: tuple[float, ...]
    correlation: FloatArray
    kinds: tuple[Mapping[tuple[str, int], float], ...]

    def together(self, keep: Sequence[int] | None = None) -> Belief:
        """The belief from these recordings (default: all) and all answers."""
        kept = list(range(len(self.earlier))) if keep is None else list(keep)
        weights = self.weights(kept)
        parts = tuple(self._part(k, weights[k]) for k in kept if k > 0)
        weight = weights.get(0, 0.0)
        total = self.first.log_weight + (weight - 1.0) * self.first.own + self._mixed_once(weights)
        return replace(
            self.first, weight=weight, log_weight=np.sum([total, *parts], axis=0), others=parts
        )

    def _mixed_once(self, weights: Mapping[int, float]) -> FloatArray:
        """(hypotheses,) what joining kind by kind adds to joining mode by mode (eq 12a)."""
        told = [(weights[k], self.kinds[k]) for k in weights if self.kinds[k] and weights[k] > 0.0]
        added: dict[tuple[str, int | None], float] = {}
        for look in load_settings().looks_like if len(told) > 1 else ():
            if len(look.kinds) < 2:
                continue
            share = np.log(np.asarray(look.shares))
            for position in range(1, self.first.hypotheses.positions + 1):
                ratios = np.array(
                    [[kinds.get((kind, position), _NEVER) for kind in look.kinds]
                     for _, kinds in told]
                )  # fmt: skip
                weight = np.array([w for w, _ in told])
                once = logsumexp(share + weight @ ratios)
                each = weight @ logsumexp(share + ratios, axis=1)
                added[look.mode, position] = float(once - each)
        return term_of_places(self.knowledge, self.first.hypotheses, added)

    def weights(self, kept: Sequence[int]) -> dict[int, float]:
        """Share of each of these recordings that counts beside the others of them."""
        if not kept:
            return {}
        among = np.asarray(kept)
        return dict(
            zip(
                kept,
                shares_that_count(
                    [self.strengths[k] for k in kept], self.correlation[np.ix_(among, among)]
                ),
                strict=True,
            )
        )

    def _part(self, number: int, weight: float) -> FloatArray:
        """(hypotheses,) what one other recording adds (eqs 12 and 13)."""
        ways = self.ways[number - 1]
        part = logsumexp([weight * b.own for b in ways], axis=0) - np.log(len(ways))
        if self.earlier[number]:
            part = np.logaddexp(np.log(THERE_BEFORE) + part, np.log(1.0 - THERE_BEFORE))
        return np.asarray(part, dtype=np.float64)


def strength(log_ratio: FloatArray, prior: FloatArray) -> float:
    """How clearly a recording tells its hypotheses apart, in standard deviations (eq 11).

    For a normal log-likelihood ratio of separation d, E l^2 = d^2 + d^4 / 4 on a sound engine and
    on a faulty one; solved for d with the mean over the hypotheses by `prior` (any scale).
    """
    square = float(np.average(np.minimum(np.abs(log_ratio), 1e6) ** 2, weights=prior))
    return float(np.sqrt(2.0 * (np.sqrt(1.0 + square) - 1.0)))


def shares_that_count(strengths: Sequence[float], correlation: FloatArray) -> tuple[float, ...]:
    """Share of each recording's log-likelihood ratio that counts when their errors are correlated.

    v >= 0 that makes v' R v / 2 - v' d least; the share is v / d (eq 10). Alone: 1. Two alike: each
    1 / (1 + rho). A weak recording beside a strong one of the same kind counts nothing.
    """
    from scipy.optimize import nnls

    d = np.maximum(np.asarray(strengths, dtype=np.float64), 1e-6)
    root = np.linalg.cholesky(correlation)  # R = L L': |L' v - L^-1 d|^2 is the same but a constant
    v, _ = nnls(root.T, np.linalg.solve(root, d))
    return tuple(float(x) for x in v / d)


def joint_of(
    knowledge: Knowledge,
    belief: Belief,
    first: RecordedEvidence,
    also: Sequence[RecordedEvidence],
) -> Joint:
    """The first recording's belief (with its answers) beside all other recordings.

    A recording whose positions cannot be matched to those of the first is averaged over every turn
    of the firing order (eq 12), one of an earlier visit over whether the fault was there (eq 13).
    """
    h = belief.hypotheses
    ways = tuple(
        tuple(_alone(knowledge, h, other, turn) for turn in _turns(first, other, h.positions))
        for other in also
    )
    prior = np.exp(h.log_prior) * _one_in_a_cylinder(h)
    return Joint(
        knowledge=knowledge,
        first=belief,
        ways=ways,
        earlier=(first.earlier, *(o.earlier for o in also)),
        strengths=tuple(strength(b.own, prior) for b in (belief, *(w[0] for w in ways))),
        correlation=_correlation((first, *also)),
        kinds=(_by_kind(first, [()]), *(_by_kind(o, _turns(first, o, h.positions)) for o in also)),
    )


def _by_kind(
    one: RecordedEvidence, turns: Sequence[tuple[int, ...]]
) -> Mapping[tuple[str, int], float]:
    """Ratios by kind and firing position of the first recording; none where the positions are not
    known, or it is of an earlier visit."""
    if one.cases is None or one.earlier or len(turns) > 1:
        return {}
    turn = turns[0]
    return {(k, turn[p - 1] if turn else p): ratio for (k, p), ratio in one.cases.by_kind.items()}


def _one_in_a_cylinder(h: Hypotheses) -> FloatArray:
    """(hypotheses,) 1 for one fault in a cylinder or two, which is what the pulses tell apart."""
    placed = np.array([bool(f.positions) for f in h.faults])
    alone = (h.members[:, 0] >= 0) & (h.members[:, 1] < 0)
    return np.where(alone, placed[h.members[:, 0]], False).astype(np.float64)


def _correlation(recordings: Sequence[RecordedEvidence]) -> FloatArray:
    """(recordings, recordings) correlation of what they say wrongly."""
    size = len(recordings)
    found: FloatArray = np.eye(size)
    for i in range(size):
        for j in range(i):
            found[i, j] = found[j, i] = _alike(recordings[i], recordings[j])
    least = float(np.linalg.eigvalsh(found)[0])
    if least < 1e-6:  # pairs judged one by one need not fit together
        found = (found + (1e-6 - least) * np.eye(size)) / (1.0 + 1e-6 - least)
    return found


def _alike(a: RecordedEvidence, b: RecordedEvidence) -> float:
    cranked = [one.condition is Condition.CRANKING for one in (a, b)]
    if any(cranked):
        return SAME_WAY if all(cranked) else CRANKED
    if not set(a.roles) & set(b.roles) & _PULSES:
        return OTHER_CHANNEL
    return SAME_WAY if _same_way(a, b) else OTHER_WAY


def _same_way(a: RecordedEvidence, b: RecordedEvidence) -> bool:
    if a.speed_rpm is not None and b.speed_rpm is not None:
        return abs(a.speed_rpm - b.speed_rpm) <= SAME_SPEED * max(a.speed_rpm, b.speed_rpm)
    return a.condition is b.condition


def _turns(first: RecordedEvidence, other: RecordedEvidence, size: int) -> list[tuple[int, ...]]:
    """Where each firing position of the other recording may be in the first; one row a turn."""
    if first.numbered and other.numbered:
        assert first.numbers is not None and other.numbers is not None
        return [tuple(first.numbers.index(n) + 1 for n in other.numbers)]
    return [tuple((p + turn) % size + 1 for p in range(size)) for turn in range(size)]


@lru_cache(maxsize=64)
def _alone(
    knowledge: Knowledge, h: Hypotheses, other: RecordedEvidence, turn: tuple[int, ...]
) -> Belief:
    """What the other recording says by itself, its positions as those of the first. Kept, because
    answers come one after another to the same recordings."""
    seen = recorded_observations(knowledge, other.symptoms, None, h.positions)
    return believe(knowledge, h, [_turned(o, turn) for o in seen], _turned_cases(other.cases, turn))


def _turned(seen: Observation, turn: tuple[int, ...]) -> Observation:
    if seen.firing_position is None:
        return seen
    return replace(seen, firing_position=turn[seen.firing_position - 1])


def _turned_cases(cases: CaseEvidence | None, turn: tuple[int, ...]) -> CaseEvidence | None:
    if cases is None:
        return None
    ratios = {
        (mode, None if p is None else turn[p - 1]): value
        for (mode, p), value in cases.log_ratio.items()
    }
    return replace(cases, log_ratio=ratios, severity={}, without_channel={})

"""What could be true: sound, one fault, two faults, or something that is not in the list.

A *fault* is a failure mode at a firing position, at two neighbouring positions, or in the engine.
A *hypothesis* is a set of none, one or two faults. Codes: at every firing position a hypothesis has
an unordered pair of modes (0 = none); `pair_code` numbers the pairs.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np

from ringland.diagnosis.knowledge import FailureMode, Knowledge, Priors, Scope
from ringland.model import Aspiration, EngineSpec, Fuel
from ringland.model._arrays import FloatArray, IntArray

__all__ = ["Fault", "Hypotheses", "hypotheses_for", "neighbours_of", "pair_code", "pair_members"]


@dataclass(frozen=True)
class Fault:
    """Mode number (1 .. modes, then the two unknown faults) and where; () is the whole engine."""

    mode: int
    positions: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Hypotheses:
    """All hypotheses of one engine.

    `members` (hypotheses, 2): indices into `faults`, -1 for none. `position_code` (hypotheses,
    positions) and `engine_code` (hypotheses,): pair codes. `log_prior` natural logarithms, sum of
    probabilities 1. Unknown faults have the mode numbers `modes` + 1 (in one cylinder) and
    `modes` + 2 (in the engine).
    """

    positions: int
    modes: int
    faults: tuple[Fault, ...]
    members: IntArray
    position_code: IntArray
    engine_code: IntArray
    log_prior: FloatArray

    @property
    def unknown(self) -> frozenset[int]:
        """Mode numbers that stand for "none of these"."""
        return frozenset((self.modes + 1, self.modes + 2))


def pair_code(first: IntArray, second: IntArray, size: int) -> IntArray:
    """Number of the unordered pair (first, second) of mode numbers below `size`."""
    low, high = np.minimum(first, second), np.maximum(first, second)
    code: IntArray = low * size - low * (low - 1) // 2 + (high - low)
    return code


def pair_members(size: int) -> tuple[IntArray, IntArray]:
    """First and second mode number of every pair code, in code order."""
    low, high = np.triu_indices(size)
    return low.astype(np.int64), high.astype(np.int64)


def neighbours_of(
    engine: EngineSpec, numbers: Sequence[int | None] | None
) -> tuple[tuple[tuple[int, int], float], ...]:
    """Pairs of firing positions whose cylinders lie next to one another, each with its share.

    Neighbours are consecutive numbers in one bank. `numbers` are the cylinder numbers of the
    firing positions; where they are not known every rotation of the firing order counts alike.
    """
    known = numbers is not None and all(n is not None for n in numbers)
    size = engine.cylinders
    counts: Counter[tuple[int, int]] = Counter()
    for shift in (0,) if known else range(size):
        order = engine.firing_order
        at = {order[(p + shift) % size]: p + 1 for p in range(size)}
        if known and numbers is not None:
            at = {n: p for p, n in enumerate(numbers, start=1) if n is not None}
        banks = engine.banks or (1,) * size
        for bank in sorted(set(banks)):
            inside = [c for c in range(1, size + 1) if banks[c - 1] == bank and c in at]
            for a, b in pairwise(inside):
                counts[min(at[a], at[b]), max(at[a], at[b])] += 1
    total = sum(counts.values())
    return tuple((pair, n / total) for pair, n in sorted(counts.items()))


def _applies(mode: FailureMode, fuel: Fuel, aspiration: Aspiration) -> bool:
    fuels = not mode.fuels or fuel is Fuel.UNKNOWN or fuel.value in mode.fuels
    air = (
        not mode.aspirations
        or aspiration is Aspiration.UNKNOWN
        or aspiration.value in mode.aspirations
    )
    return fuels and air


@lru_cache(maxsize=16)
def hypotheses_for(
    knowledge: Knowledge,
    priors: Priors,
    *,
    positions: int,
    neighbours: tuple[tuple[tuple[int, int], float], ...],
    fuel: Fuel,
    aspiration: Aspiration,
) -> Hypotheses:
    """All hypotheses with their priors; see docs/theory/diagnosis.md, section 2."""
    modes = len(knowledge.modes)
    faults: list[Fault] = []
    weights: list[float] = []
    for number, mode in enumerate(knowledge.modes, start=1):
        if not _applies(mode, fuel, aspiration):
            continue
        for places, share in _places(mode.scope, positions, neighbours):
            faults.append(Fault(number, places))
            weights.append(mode.weight * share)
    single = np.array(weights) / sum(weights)
    known = len(faults)
    faults += [Fault(modes + 1, (p,)) for p in range(1, positions + 1)] + [Fault(modes + 2, ())]

    first, second = np.triu_indices(known, 1)
    both_weight, keep = _two_faults(faults, single, first, second, priors)
    first, second, both_weight = first[keep], second[keep], both_weight[keep]
    both_weight = both_weight / max(both_weight.sum(), 1e-300)

    one = 1.0 - priors.healthy - priors.none_of_these - priors.two_faults
    unknown = np.r_[np.full(positions, 0.5 / positions), 0.5] * priors.none_of_these
    prior = np.r_[priors.healthy, one * single, unknown, priors.two_faults * both_weight]
    everything = np.arange(len(faults))
    members = np.full((len(prior), 2), -1, dtype=np.int64)
    members[1 : 1 + len(faults), 0] = everything
    members[1 + len(faults) :, 0] = first
    members[1 + len(faults) :, 1] = second
    at_position, in_engine = _mode_maps(faults, positions, knowledge)
    size = modes + 3
    return Hypotheses(
        positions=positions,
        modes=modes,
        faults=tuple(faults),
        members=members,
        position_code=pair_code(at_position[members[:, 0]], at_position[members[:, 1]], size),
        engine_code=pair_code(in_engine[members[:, 0]], in_engine[members[:, 1]], size),
        log_prior=np.log(prior / prior.sum()),
    )


def _places(
    scope: Scope, positions: int, neighbours: tuple[tuple[tuple[int, int], float], ...]
) -> tuple[tuple[tuple[int, ...], float], ...]:
    """Where a mode of this scope can be, with shares that sum to 1."""
    if scope is Scope.CYLINDER:
        return tuple(((p,), 1.0 / positions) for p in range(1, positions + 1))
    if scope is Scope.NEIGHBOURS:
        return neighbours
    return (((), 1.0),)


def _two_faults(
    faults: list[Fault], single: FloatArray, first: IntArray, second: IntArray, priors: Priors
) -> tuple[FloatArray, IntArray]:
    """Weight of every pair of faults, and which pairs to keep (not the same mode in one place)."""
    number = np.array([f.mode for f in faults])
    same = number[first] == number[second]
    weight = single[first] * single[second] * np.where(same, priors.same_mode_factor, 1.0)
    overlap = np.array(
        [
            bool(set(faults[i].positions) & set(faults[j].positions))
            and faults[i].mode == faults[j].mode
            for i, j in zip(first, second, strict=True)
        ],
        dtype=bool,
    )
    return weight, np.flatnonzero(~overlap)


def _mode_maps(
    faults: list[Fault], positions: int, knowledge: Knowledge
) -> tuple[IntArray, IntArray]:
    """Mode number of each fault at each position and in the engine; last row: no fault.

    A fault of the whole engine is at every position; the fault in a cylinder is in the engine too.
    """
    at_position = np.zeros((len(faults) + 1, positions), dtype=np.int64)
    in_engine = np.zeros(len(faults) + 1, dtype=np.int64)
    for row, fault in enumerate(faults):
        in_engine[row] = fault.mode
        if fault.positions:
            at_position[row, [p - 1 for p in fault.positions]] = fault.mode
        else:
            at_position[row, :] = fault.mode
    return at_position, in_engine

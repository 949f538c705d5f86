"""What diagnosis hands to advice, and what simulated reference cases hand to diagnosis."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType

import numpy as np

from ringland.model._arrays import FloatArray, IntArray, read_only, read_only_int
from ringland.model.estimate import Estimate

__all__ = ["CandidateTest", "CaseEvidence", "JointTables", "Outlook", "natural_frequency"]


def natural_frequency(probability: float) -> str:
    """A probability as a natural frequency: "8 in 10", "3 in 100", "more than 99 in 100"."""
    if probability >= 0.995:
        return "more than 99 in 100"
    if probability >= 0.955:
        return f"{round(probability * 100)} in 100"
    if probability >= 0.095:
        return f"{round(probability * 10)} in 10"
    if probability >= 0.005:
        return f"{max(1, round(probability * 100))} in 100"
    return "less than 1 in 100"


@dataclass(frozen=True, eq=False)
class CandidateTest:
    """A follow-up test that could be done now.

    `table` (outcomes, kinds): probability of each outcome under each kind of hypothesis, given all
    that is known so far; each column sums to 1. `kind` (hypotheses,): column of each hypothesis;
    None when every hypothesis has a column of its own. Two tests with the same `group` and firing
    position are not independent given the hypothesis (see `Outlook.joint`). `stands_out`, for a
    test that is done on every cylinder: (firing position, cylinder) that each outcome names; the
    last outcome, with the id "", is everything that the others leave.
    """

    test: str
    title: str
    firing_position: int | None
    cylinder: int | None
    minutes: float
    material_hours: float
    equipment: tuple[str, ...]
    cautions: tuple[str, ...]
    outcomes: tuple[str, ...]
    outcome_titles: tuple[str, ...]
    group: str
    table: FloatArray
    kind: IntArray | None = None
    stands_out: tuple[tuple[int | None, int | None], ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "table", read_only(self.table))
        if self.kind is not None:
            object.__setattr__(self, "kind", read_only_int(self.kind))

    @cached_property
    def likelihood(self) -> FloatArray:
        """(outcomes, hypotheses) probability of each outcome under each hypothesis."""
        return self.table if self.kind is None else _spread(self.table, self.kind)


def _spread(table: FloatArray, kind: IntArray) -> FloatArray:
    """(..., kinds) to (..., hypotheses)."""
    spread = np.take(table, kind, axis=-1)
    spread.flags.writeable = False
    return spread


@dataclass(frozen=True, eq=False)
class JointTables(Mapping[tuple[int, int], FloatArray]):
    """`Outlook.joint` from `tables` (outcomes, outcomes, kinds) and the `kinds` (hypotheses,) of
    each, spread out when first asked for: most are never looked at."""

    tables: Mapping[tuple[int, int], FloatArray]
    kinds: Mapping[tuple[int, int], IntArray]
    _asked: dict[tuple[int, int], FloatArray] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        tables = {k: read_only(v) for k, v in self.tables.items()}
        object.__setattr__(self, "tables", MappingProxyType(tables))
        kinds = {k: read_only_int(v) for k, v in self.kinds.items()}
        object.__setattr__(self, "kinds", MappingProxyType(kinds))

    def __getitem__(self, key: tuple[int, int]) -> FloatArray:
        if key not in self._asked:
            self._asked[key] = _spread(self.tables[key], self.kinds[key])
        return self._asked[key]

    def __iter__(self) -> Iterator[tuple[int, int]]:
        return iter(self.tables)

    def __len__(self) -> int:
        return len(self.tables)


@dataclass(frozen=True, eq=False)
class Outlook:
    """What could be asked next, and what each answer would do.

    `probability` (hypotheses,) sums to 1. A hypothesis is a set of faults: `members` (hypotheses,
    2) are indices into `causes` (the second -1 for one fault). `causes` are (failure mode, firing
    position), with ("healthy", None) first and ("none_of_these", None) second; `cause_names` the
    same in words. `joint[i, j]`, i < j, is the (outcomes of i, outcomes of j, hypotheses)
    probability of both answers, for pairs of tests that depend on one another.
    `repair_hours`, `run_on_hours` (causes,): work to repair, and what running on costs.
    """

    causes: tuple[tuple[str, int | None], ...]
    cause_names: tuple[str, ...]
    members: IntArray
    probability: FloatArray
    tests: tuple[CandidateTest, ...]
    joint: Mapping[tuple[int, int], FloatArray]
    repair_hours: FloatArray
    run_on_hours: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "members", read_only_int(self.members))
        for name in ("probability", "repair_hours", "run_on_hours"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        if not isinstance(self.joint, JointTables):
            joint = {k: read_only(v) for k, v in self.joint.items()}
            object.__setattr__(self, "joint", MappingProxyType(joint))


@dataclass(frozen=True, eq=False)
class CaseEvidence:
    """What simulated reference cases say of one recording, relative to a sound engine.

    `log_ratio`: natural logarithm of p(recording | failure mode at firing position) over
    p(recording | sound), keyed by (failure mode, firing position); a fault in two positions has
    the mean of both and log 2. Modes that are not in it were not simulated. `none_of_these` the
    same for "something else". `resembles_nothing` is a sentence when the recording is unlike every
    case, `severity` estimates by the same key, and `metrics` the ids of the metrics it rests on.
    `without_channel`: the ratios as they would be had "exhaust", "crankcase" or "crank" (its speed)
    not been recorded (only where something else was). `faulty`: for every firing position the
    ratio of "some fault here" to "sound", in bits, and `limits` the bits above which a sound engine
    lies in 1 of 20 and in 1 of 200 recordings (the second infinite where no alarm may rest on
    them). `against`: name of the recording of the same engine while it was sound that this one was
    held against, "" for none; `sound_notes`: what is to be known of that, or why it was not done.
    `channels`: which of "exhaust", "crankcase" and "crank" were judged; empty where that is not
    known. `by_kind`: the ratios before they were mixed to failure modes, by (simulated kind, firing
    position), so that several recordings can be joined kind by kind.
    """

    log_ratio: Mapping[tuple[str, int | None], float]
    none_of_these: float
    metrics: tuple[str, ...]
    resembles_nothing: str | None = None
    severity: Mapping[tuple[str, int | None], Estimate] = field(default_factory=dict)
    without_channel: Mapping[str, Mapping[tuple[str, int | None], float]] = field(
        default_factory=dict
    )
    faulty: tuple[Estimate, ...] = ()
    limits: tuple[float, float] = (float("inf"), float("inf"))
    against: str = ""
    sound_notes: tuple[str, ...] = ()
    channels: tuple[str, ...] = ()
    by_kind: Mapping[tuple[str, int], float] = field(default_factory=dict)

    @property
    def by_crank_alone(self) -> bool:
        """Whether nothing but the crank's speed was held against simulated engines."""
        return self.channels == ("crank",)

    def __post_init__(self) -> None:
        without = {c: MappingProxyType(dict(r)) for c, r in self.without_channel.items()}
        object.__setattr__(self, "without_channel", MappingProxyType(without))
        object.__setattr__(self, "log_ratio", MappingProxyType(dict(self.log_ratio)))
        object.__setattr__(self, "severity", MappingProxyType(dict(self.severity)))
        object.__setattr__(self, "by_kind", MappingProxyType(dict(self.by_kind)))

"""Failure modes, evidence and follow-up tests: the types, and the strict loader of their files."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache
from typing import TypeVar

from ringland.data.knowledge import Table, read_knowledge_file
from ringland.errors import SettingError
from ringland.model import LearnedPriors

__all__ = [
    "EvidenceGroup",
    "EvidenceItem",
    "FailureMode",
    "FollowUpTest",
    "Knowledge",
    "Outcome",
    "Priors",
    "Reach",
    "Scope",
    "build_knowledge",
    "knowledge_with",
    "load_knowledge",
]

_FUELS = ("petrol", "diesel", "gas")
_ASPIRATIONS = ("natural", "turbo")
_URGENCY = ("now", "days", "weeks", "watch")
_CHANNELS = ("exhaust", "crankcase", "intake", "starter", "crank")
_ROW_TOLERANCE = 1e-6

T = TypeVar("T", "FailureMode", "EvidenceGroup", "EvidenceItem", "FollowUpTest")


class Scope(StrEnum):
    """What a failure mode, a piece of evidence or a test is about."""

    CYLINDER = "cylinder"
    NEIGHBOURS = "neighbours"
    ENGINE = "engine"
    HOOK_UP = "hook_up"
    EVERY_CYLINDER = "every_cylinder"
    """Of a test: done on all cylinders in one go."""


class Reach(StrEnum):
    """What one answer of a test that is done on every cylinder speaks of."""

    CYLINDER = "cylinder"
    NEIGHBOURS = "neighbours"
    ENGINE = "engine"


@dataclass(frozen=True, eq=False)
class FailureMode:
    """One thing that can be wrong; see the head of failure_modes.toml for the fields."""

    id: str
    name: str
    family: str
    scope: Scope
    weight: float
    fuels: tuple[str, ...]
    aspirations: tuple[str, ...]
    mechanism: str
    channels: Mapping[str, str]
    history: str
    severity_quantity: str
    severity_unit: str
    severity_mild: float
    severity_serious: float
    severity_metric: str | None
    consequences: str
    urgency: str
    repair_hours: float
    run_on_hours: float
    sources: tuple[str, ...]


@dataclass(frozen=True)
class EvidenceGroup:
    """Items that depend on one another given the cause, and how strongly (0 to below 1)."""

    id: str
    correlation: float
    reason: str


@dataclass(frozen=True, eq=False)
class EvidenceItem:
    """Something that can be seen; see the head of evidence.toml."""

    id: str
    channel: str
    text: str
    scope: Scope
    scanned: bool
    group: str
    sound: float
    seen: str
    not_seen: str
    would_show: str
    source: str
    metrics: tuple[tuple[str, str], ...]
    likelihood: Mapping[str, float]


@dataclass(frozen=True)
class Outcome:
    """One possible answer of a follow-up test; `shows` when it counts as abnormal."""

    id: str
    title: str
    shows: bool
    reach: Reach = Reach.CYLINDER


@dataclass(frozen=True, eq=False)
class FollowUpTest:
    """A check that can be done; see the head of tests.toml. `likelihood` holds one row per mode
    plus "default", in the order of `outcomes`."""

    id: str
    title: str
    scope: Scope
    group: str
    minutes: float
    material_hours: float
    invasiveness: str
    fuels: tuple[str, ...]
    equipment: tuple[str, ...]
    readings: tuple[str, ...]
    procedure: tuple[str, ...]
    cautions: tuple[str, ...]
    source: str
    outcomes: tuple[Outcome, ...]
    likelihood: Mapping[str, tuple[float, ...]]

    def row(self, mode: str) -> tuple[float, ...]:
        """Probability of each outcome under a failure mode."""
        return self.likelihood.get(mode, self.likelihood["default"])

    def needs_place(self, outcome: str) -> bool:
        """Whether this answer says nothing without the cylinder it is about."""
        if self.scope is Scope.EVERY_CYLINDER:
            chosen = self.outcomes[self.outcome_index(outcome)]
            return chosen.shows and chosen.reach is not Reach.ENGINE
        return self.scope is Scope.CYLINDER

    def outcome_index(self, outcome: str) -> int:
        """Place of an outcome; SettingError when the test has no such outcome."""
        for index, known in enumerate(self.outcomes):
            if known.id == outcome:
                return index
        raise SettingError(
            f"{self.title} has no such answer.",
            got=outcome,
            allowed=", ".join(o.id for o in self.outcomes),
        )


@dataclass(frozen=True)
class Priors:
    """Belief before anything is measured; the rest is one fault."""

    healthy: float
    none_of_these: float
    two_faults: float
    same_mode_factor: float


@dataclass(frozen=True, eq=False)
class Knowledge:
    """Everything in the knowledge files, checked."""

    modes: tuple[FailureMode, ...]
    groups: tuple[EvidenceGroup, ...]
    items: tuple[EvidenceItem, ...]
    tests: tuple[FollowUpTest, ...]
    prior: Priors
    prior_with_complaint: Priors
    unknown_floor: float

    def mode(self, mode: str) -> FailureMode:
        """The failure mode with this id."""
        return _by_id(self.modes, mode, "failure mode")

    def group(self, group: str) -> EvidenceGroup:
        """The evidence group with this id."""
        return _by_id(self.groups, group, "evidence group")

    def item(self, item: str) -> EvidenceItem:
        """The evidence item with this id."""
        return _by_id(self.items, item, "evidence item")

    def test(self, test: str) -> FollowUpTest:
        """The follow-up test with this id."""
        return _by_id(self.tests, test, "follow-up test")


def _by_id(known: tuple[T, ...], wanted: str, what: str) -> T:
    for entry in known:
        if entry.id == wanted:
            return entry
    raise SettingError(
        f"There is no {what} of this name.",
        got=wanted,
        allowed=", ".join(e.id for e in known),
    )


def _mode(table: Table) -> FailureMode:
    mode = FailureMode(
        id=table.text("id"),
        name=table.text("name"),
        family=table.text("family"),
        scope=Scope(table.text("scope", [s.value for s in Scope if s is not Scope.EVERY_CYLINDER])),
        weight=table.number("weight", 1e-6, 1.0),
        fuels=table.texts("fuels", _FUELS),
        aspirations=table.texts("aspirations", _ASPIRATIONS),
        mechanism=table.text("mechanism"),
        channels={c: table.text(c) for c in _CHANNELS},
        history=table.text("history"),
        severity_quantity=table.text("severity_quantity"),
        severity_unit=table.text("severity_unit"),
        severity_mild=table.number("severity_mild", 0.0, 1e9),
        severity_serious=table.number("severity_serious", 0.0, 1e9),
        severity_metric=table.text("severity_metric") if table.has("severity_metric") else None,
        consequences=table.text("consequences"),
        urgency=table.text("urgency", _URGENCY),
        repair_hours=table.number("repair_hours", 0.0, 1e4),
        run_on_hours=table.number("run_on_hours", 0.0, 1e4),
        sources=table.texts("sources"),
    )
    if mode.severity_serious <= mode.severity_mild or not mode.sources:
        raise SettingError(
            f"{table.where}: severity must grow from mild to serious, and a source must be given.",
            got=f"{mode.severity_mild} to {mode.severity_serious}, {len(mode.sources)} sources",
        )
    table.finish()
    return mode


def _group(table: Table) -> EvidenceGroup:
    group = EvidenceGroup(
        table.text("id"), table.number("correlation", 0.0, 0.95), table.text("reason")
    )
    table.finish()
    return group


def _item(table: Table, modes: tuple[str, ...], groups: tuple[str, ...]) -> EvidenceItem:
    metrics = []
    for metric in table.tables("metrics") if table.has("metrics") else ():
        metrics.append((metric.text("id"), metric.text("direction", ("low", "high"))))
        metric.finish()
    rows = table.table("likelihood")
    likelihood = {}
    for mode in rows.keys():  # noqa: SIM118 - Table is not a dict
        if mode not in modes:
            raise SettingError(
                f"{rows.where} names an unknown failure mode.", got=mode, allowed=", ".join(modes)
            )
        likelihood[mode] = rows.number(mode, 1e-6, 1 - 1e-6)
    item = EvidenceItem(
        id=table.text("id"),
        channel=table.text("channel"),
        text=table.text("text"),
        scope=Scope(table.text("scope", ("cylinder", "engine"))),
        scanned=table.flag("scanned"),
        group=table.text("group", groups),
        sound=table.number("sound", 1e-6, 0.5),
        seen=table.text("seen"),
        not_seen=table.text("not_seen"),
        would_show=table.text("would_show"),
        source=table.text("source"),
        metrics=tuple(metrics),
        likelihood=likelihood,
    )
    table.finish()
    return item


def _outcomes(table: Table) -> tuple[Outcome, ...]:
    outcomes = []
    for entry in table.tables("outcomes"):
        reach = entry.text("reach", [r.value for r in Reach]) if entry.has("reach") else "cylinder"
        outcomes.append(
            Outcome(entry.text("id"), entry.text("title"), entry.flag("shows"), Reach(reach))
        )
        entry.finish()
    names = [o.id for o in outcomes]
    if len(set(names)) != len(names) or {o.shows for o in outcomes} != {True, False}:
        raise SettingError(
            f"{table.where}: outcomes need different ids, and both normal and abnormal ones.",
            got=", ".join(names),
        )
    return tuple(outcomes)


def _rows(
    rows: Table, modes: tuple[str, ...], outcomes: tuple[Outcome, ...]
) -> dict[str, tuple[float, ...]]:
    likelihood = {}
    for mode in rows.keys():  # noqa: SIM118 - Table is not a dict
        if mode not in (*modes, "default"):
            raise SettingError(
                f"{rows.where} names an unknown failure mode.", got=mode, allowed=", ".join(modes)
            )
        row = rows.numbers(mode)
        if len(row) != len(outcomes) or min(row) <= 0 or abs(sum(row) - 1) > _ROW_TOLERANCE:
            raise SettingError(
                f"{rows.where}, row {mode} is not a set of probabilities.",
                got=f"{row} with sum {sum(row):.6g}",
                allowed=f"{len(outcomes)} numbers above 0 that sum to 1",
            )
        likelihood[mode] = tuple(p / sum(row) for p in row)
    if "default" not in likelihood:
        raise SettingError(f"{rows.where} has no `default` row.")
    return likelihood


def _test(table: Table, modes: tuple[str, ...], groups: tuple[str, ...]) -> FollowUpTest:
    outcomes = _outcomes(table)
    test = FollowUpTest(
        id=table.text("id"),
        title=table.text("title"),
        scope=Scope(table.text("scope", ("cylinder", "engine", "every_cylinder"))),
        group=table.text("group", groups),
        minutes=table.number("minutes", 0.5, 10_000),
        material_hours=table.number("material_hours", 0.0, 1000.0),
        invasiveness=table.text("invasiveness"),
        fuels=table.texts("fuels", _FUELS),
        equipment=table.texts("equipment"),
        readings=table.texts("readings"),
        procedure=table.texts("procedure"),
        cautions=table.texts("cautions"),
        source=table.text("source"),
        outcomes=outcomes,
        likelihood=_rows(table.table("likelihood"), modes, outcomes),
    )
    if not test.procedure:
        raise SettingError(f"{table.where} has no procedure.")
    usual = [o for o in outcomes if not o.shows]
    wider = [o.id for o in outcomes if o.reach is not Reach.CYLINDER]
    if test.scope is Scope.EVERY_CYLINDER:
        if len(usual) != 1 or usual[0].reach is not Reach.CYLINDER:
            raise SettingError(
                f"{table.where}: a test of every cylinder has one normal answer, of a cylinder.",
                got=", ".join(o.id for o in usual),
            )
    elif wider:
        raise SettingError(
            f"{table.where}: only a test of every cylinder has answers that reach further.",
            got=", ".join(wider),
        )
    table.finish()
    return test


def _priors(table: Table) -> Priors:
    priors = Priors(
        healthy=table.number("healthy", 0.0, 1.0),
        none_of_these=table.number("none_of_these", 1e-6, 1.0),
        two_faults=table.number("two_faults", 0.0, 1.0),
        same_mode_factor=table.number("same_mode_factor", 0.0, 100.0),
    )
    if priors.healthy + priors.none_of_these + priors.two_faults >= 1.0:
        raise SettingError(f"{table.where} leaves nothing for a single fault.")
    table.finish()
    return priors


def _unique(ids: list[str], where: str) -> tuple[str, ...]:
    twice = sorted({i for i in ids if ids.count(i) > 1})
    if twice:
        raise SettingError(f"{where} uses an id twice.", got=", ".join(twice))
    return tuple(ids)


def build_knowledge(modes: Table, evidence: Table, tests: Table, priors: Table) -> Knowledge:
    """Knowledge from the four files already read; SettingError says what is wrong where."""
    mode_list = tuple(_mode(t) for t in modes.tables("mode"))
    mode_ids = _unique([m.id for m in mode_list], modes.where)
    group_list = tuple(_group(t) for t in evidence.tables("group"))
    group_ids = _unique([g.id for g in group_list], evidence.where)
    item_list = tuple(_item(t, mode_ids, group_ids) for t in evidence.tables("item"))
    _unique([i.id for i in item_list], evidence.where)
    test_list = tuple(_test(t, mode_ids, group_ids) for t in tests.tables("test"))
    _unique([t.id for t in test_list], tests.where)
    unknown = priors.table("unknown_fault")
    knowledge = Knowledge(
        modes=mode_list,
        groups=group_list,
        items=item_list,
        tests=test_list,
        prior=_priors(priors.table("prior")),
        prior_with_complaint=_priors(priors.table("prior_with_complaint")),
        unknown_floor=unknown.number("floor", 0.0, 0.9),
    )
    for table in (modes, evidence, tests, priors, unknown):
        table.finish()
    return knowledge


@lru_cache(maxsize=1)
def load_knowledge() -> Knowledge:
    """The knowledge that comes with the package."""
    return build_knowledge(
        read_knowledge_file("failure_modes.toml"),
        read_knowledge_file("evidence.toml"),
        read_knowledge_file("tests.toml"),
        read_knowledge_file("priors.toml"),
    )


@lru_cache(maxsize=8)
def knowledge_with(priors: LearnedPriors | None) -> Knowledge:
    """The package's knowledge with learned shares of the failure modes; modes that are not named
    keep theirs.

    The weights sum to what they summed to before, so that nothing else moves. Raises SettingError
    for a failure mode that is not known.
    """
    knowledge = load_knowledge()
    if priors is None:
        return knowledge
    learned = dict(priors.weights)
    for name in learned:
        knowledge.mode(name)
    named = sum(m.weight for m in knowledge.modes if m.id in learned)
    modes = tuple(
        replace(m, weight=learned[m.id] * named) if m.id in learned else m for m in knowledge.modes
    )
    return replace(knowledge, modes=modes)

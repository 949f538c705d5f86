"""Ranked causes, what speaks for and against them, and what to check next."""

from dataclasses import dataclass, field

from ringland.model.estimate import Estimate
from ringland.model.evidence import CaseEvidence, Outlook
from ringland.model.joined import JoinedRecording
from ringland.model.priors import LearnedPriors
from ringland.model.provenance import Provenance

__all__ = [
    "Action",
    "Cause",
    "Diagnosis",
    "EvidenceWeight",
    "GivenAnswer",
    "NextTest",
    "PossibleAnswer",
]


@dataclass(frozen=True)
class EvidenceWeight:
    """How much one piece of evidence moved a cause: `bits` > 0 for, < 0 against."""

    evidence: str
    bits: float
    sentence: str


@dataclass(frozen=True)
class Cause:
    """One failure mode in one firing position (None: the engine as a whole, or the hook-up).

    `name` is the failure mode's, without the place unless it lies between two; `titled` says both.
    `firing_positions` all places of it, the first is `firing_position`; `cylinders` their numbers,
    empty where nothing fixes them.
    Two faults at once count half for each in `probability`; `present` is the probability that
    this fault is there at all, alone or beside another.
    """

    failure_mode: str
    name: str
    firing_position: int | None
    cylinder: int | None
    probability: float
    severity: Estimate
    speaks_for: tuple[EvidenceWeight, ...] = ()
    speaks_against: tuple[EvidenceWeight, ...] = ()
    would_also_show: tuple[str, ...] = ()
    present: float | None = None
    firing_positions: tuple[int, ...] = ()
    cylinders: tuple[int, ...] = ()

    @property
    def titled(self) -> str:
        """The name with where it is."""
        if self.firing_position is None or len(self.firing_positions) > 1:
            return self.name
        if self.cylinder is not None:
            return f"{self.name} in cylinder {self.cylinder}"
        return f"{self.name} in firing position {self.firing_position}"


@dataclass(frozen=True)
class PossibleAnswer:
    """One possible answer of a follow-up test, and what the ranking becomes. `firing_position` and
    `cylinder` where the answer names the one that stands out among all."""

    outcome: str
    title: str
    probability: float
    ranking: tuple[tuple[str, float], ...]
    firing_position: int | None = None
    cylinder: int | None = None

    @property
    def titled(self) -> str:
        """The answer with the cylinder that it names."""
        if self.cylinder is not None:
            return f"Cylinder {self.cylinder}: {self.title}"
        if self.firing_position is not None:
            return f"Firing position {self.firing_position}: {self.title}"
        return self.title


@dataclass(frozen=True)
class NextTest:
    """A follow-up test worth doing now. `information_bits` expected, `minutes` of work."""

    test: str
    title: str
    firing_position: int | None
    cylinder: int | None
    information_bits: float
    minutes: float
    bits_per_minute: float
    equipment: tuple[str, ...]
    cautions: tuple[str, ...]
    outcomes: tuple[PossibleAnswer, ...]
    expected_saving: Estimate | None = None


@dataclass(frozen=True)
class GivenAnswer:
    """What a follow-up test said. `readings` are raw numbers in SI as (name, value)."""

    test: str
    outcome: str
    firing_position: int | None = None
    cylinder: int | None = None
    readings: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class Action:
    """What to do, by when, for whom it is worded."""

    action: str
    urgency: str
    owner_words: str
    workshop_words: str
    reasons: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Diagnosis:
    """Causes with probabilities that sum to 1 together with `none_of_these` and `healthy`.

    `resembles_nothing` is a sentence when the recording is unlike every simulated case. `outlook`
    holds what each follow-up test could say, for choosing the next one. `cases`: what simulated
    engines say of the recording, kept so that answers can be added later. `recordings`:
    of a joint ranking, the first one first; empty when there is one. `priors`: how common the
    failure modes were taken to be, None for what comes with the package.
    """

    causes: tuple[Cause, ...]
    healthy: float
    none_of_these: float
    resembles_nothing: str | None = None
    next_tests: tuple[NextTest, ...] = ()
    answers: tuple[GivenAnswer, ...] = ()
    actions: tuple[Action, ...] = ()
    notes: tuple[str, ...] = ()
    provenance: Provenance = field(default_factory=Provenance)
    outlook: Outlook | None = None
    cases: CaseEvidence | None = None
    recordings: tuple[JoinedRecording, ...] = ()
    priors: LearnedPriors | None = None

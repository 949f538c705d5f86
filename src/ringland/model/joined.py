"""Several recordings of one engine as one diagnosis: what each says, and what it came to count."""

from dataclasses import dataclass

from ringland.model.evidence import CaseEvidence
from ringland.model.recording import ChannelRole, Condition
from ringland.model.symptoms import SymptomTable

__all__ = ["JoinedRecording", "RecordedEvidence"]


@dataclass(frozen=True, eq=False)
class RecordedEvidence:
    """What one recording says of an engine, enough to rank causes with it and without the samples.

    `numbers`: cylinder number of each firing position, None where a position has none, or None as a
    whole. `roles`: the channels it was judged from. `earlier`: of an earlier visit, when the fault
    need not have been there yet.
    """

    name: str
    condition: Condition
    speed_rpm: float | None
    roles: tuple[ChannelRole, ...]
    symptoms: SymptomTable
    numbers: tuple[int | None, ...] | None
    cases: CaseEvidence | None
    earlier: bool = False

    @property
    def numbered(self) -> bool:
        """True when every firing position has its cylinder number."""
        return self.numbers is not None and all(n is not None for n in self.numbers)


@dataclass(frozen=True, eq=False)
class JoinedRecording:
    """One recording in a joint ranking.

    `healthy`, `leading` and `leading_probability`: the ranking had it been the only one. `weight`:
    share of its own evidence that counts beside the others (1: all of it). `turned`: its firing
    positions could not be matched to those of the first recording, so every turn was weighed alike.
    `bits`: how much it moved each of the leading causes, in their order. `left_out`: why it does
    not count, None when it does. `evidence`: kept so that answers can be added later; None for the
    first recording, whose evidence is that of the analysis itself, and for what was left out.
    """

    name: str
    condition: Condition
    speed_rpm: float | None
    roles: tuple[ChannelRole, ...]
    healthy: float | None = None
    leading: str = ""
    leading_probability: float | None = None
    weight: float = 0.0
    turned: bool = False
    earlier: bool = False
    bits: tuple[float, ...] = ()
    left_out: str | None = None
    evidence: RecordedEvidence | None = None

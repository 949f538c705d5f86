"""Is this recording fit to judge: findings per channel and check."""

from dataclasses import dataclass
from enum import StrEnum

from ringland.model.estimate import Estimate

__all__ = ["QualityFinding", "QualityReport", "Verdict"]


class Verdict(StrEnum):
    """Outcome of one check, in order of increasing severity except `NOT_CHECKED`."""

    OK = "ok"
    NOT_CHECKED = "not_checked"
    SUSPECT = "suspect"
    UNUSABLE = "unusable"


_SEVERITY = {Verdict.OK: 0, Verdict.NOT_CHECKED: 0, Verdict.SUSPECT: 1, Verdict.UNUSABLE: 2}


@dataclass(frozen=True)
class QualityFinding:
    """What one check found on one channel (`channel` "" for the recording as a whole).

    `measured` is the quantity the verdict rests on and `limit` the value it was held against, in
    the same unit. `spans_s` are the parts of the recording concerned. `message` says what was
    seen, `action` what to do about it, both in words a mechanic would use.
    """

    check: str
    channel: str
    verdict: Verdict
    message: str
    action: str = ""
    measured: Estimate | None = None
    limit: float | None = None
    spans_s: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class QualityReport:
    """All findings. A channel is as good as its worst check."""

    findings: tuple[QualityFinding, ...]

    def of_channel(self, channel: str) -> tuple[QualityFinding, ...]:
        """Findings on one channel."""
        return tuple(f for f in self.findings if f.channel == channel)

    def verdict(self, channel: str) -> Verdict:
        """The worst verdict on one channel; NOT_CHECKED when nothing was checked."""
        found = [f.verdict for f in self.of_channel(channel)]
        checked = [v for v in found if v is not Verdict.NOT_CHECKED]
        return max(checked, key=_SEVERITY.__getitem__, default=Verdict.NOT_CHECKED)

    @property
    def channels(self) -> tuple[str, ...]:
        """Channel names in order of appearance."""
        return tuple(dict.fromkeys(f.channel for f in self.findings))

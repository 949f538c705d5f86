"""How common each failure mode is among faults, where a workshop has learned that itself."""

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass

from ringland.errors import SettingError

__all__ = ["LearnedPriors"]


@dataclass(frozen=True)
class LearnedPriors:
    """Shares of failure modes learned from confirmed outcomes, as plain data.

    `weights`: (failure mode, its share of faults), summing to 1; modes not named keep the share
    that comes with the package. `outcomes`: how many were counted; `made_utc`: when. Raises
    SettingError for what are no shares.
    """

    weights: tuple[tuple[str, float], ...]
    outcomes: int
    made_utc: str

    def __post_init__(self) -> None:
        shares = [share for _, share in self.weights]
        good = shares and all(math.isfinite(s) and s >= 0.0 for s in shares)
        if not good or abs(sum(shares) - 1.0) > 1e-6:
            raise SettingError(
                "These are no shares of failure modes.",
                got=str(dict(self.weights))[:80],
                allowed="numbers from 0 that sum to 1",
            )
        if len(dict(self.weights)) != len(shares):
            raise SettingError("A failure mode has two shares.", got=str(self.weights)[:80])

    @property
    def sha256(self) -> str:
        """Hash of everything in it, by which this set is named."""
        content = [sorted(self.weights), self.outcomes, self.made_utc]
        return hashlib.sha256(json.dumps(content).encode("utf-8")).hexdigest()

    def as_plain(self) -> dict[str, object]:
        """Plain data for JSON; `from_plain` reads it back."""
        return {
            "sha256": self.sha256,
            "made_utc": self.made_utc,
            "outcomes": self.outcomes,
            "weights": dict(self.weights),
        }

    @classmethod
    def from_plain(cls, saved: object) -> "LearnedPriors":
        """What `as_plain` made. Raises ValueError for anything else, or when it was altered."""
        if not isinstance(saved, Mapping) or not isinstance(saved.get("weights"), Mapping):
            raise ValueError("these are no learned priors")
        weights = tuple((str(mode), float(share)) for mode, share in saved["weights"].items())
        try:
            found = cls(weights, int(saved["outcomes"]), str(saved["made_utc"]))
        except (KeyError, SettingError) as error:
            raise ValueError(f"the learned priors are damaged: {error}") from error
        if found.sha256 != saved.get("sha256"):
            raise ValueError("the learned priors were altered: their hash does not fit")
        return found

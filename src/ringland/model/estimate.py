"""A number with its interval, or no number with the reason why."""

import math
from dataclasses import dataclass

__all__ = ["Estimate", "unknown"]


@dataclass(frozen=True)
class Estimate:
    """A measured or computed value.

    `value`, `low`, `high` are in `unit` (SI, or "deg", "rpm", "1" for a ratio). `coverage` is the
    probability the interval [low, high] is meant to hold the truth. When the value is not known
    all three are None and `reason` says why.
    """

    value: float | None
    low: float | None
    high: float | None
    unit: str
    coverage: float = 0.90
    reason: str | None = None

    def __post_init__(self) -> None:
        if self.value is None:
            if self.low is not None or self.high is not None or not self.reason:
                raise ValueError("an unknown estimate has no interval and must give a reason")
            return
        low, high = self.low, self.high
        if (
            low is not None
            and high is not None
            and -math.inf < low <= self.value <= high < math.inf
        ):
            return
        numbers = (self.value, self.low, self.high)
        if any(n is None or not math.isfinite(n) for n in numbers):
            raise ValueError(f"an estimate needs finite value, low and high, got {numbers}")
        raise ValueError(f"an estimate needs low <= value <= high, got {numbers}")

    @property
    def known(self) -> bool:
        """True when there is a value."""
        return self.value is not None

    @classmethod
    def from_se(
        cls, value: float, standard_error: float, unit: str, *, quantile: float = 1.6448536269514722
    ) -> "Estimate":
        """A symmetric interval value +- quantile * standard_error (default: 90 %, normal)."""
        if not (math.isfinite(value) and math.isfinite(standard_error)):
            return unknown(unit, "value or its standard error could not be computed")
        half = abs(standard_error) * quantile
        return cls(value, value - half, value + half, unit)


def unknown(unit: str, reason: str) -> Estimate:
    """No value, and the reason why."""
    return Estimate(None, None, None, unit, reason=reason)

"""Control charts for a metric over visits: EWMA and CUSUM. Pure functions over arrays.

NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 and 6.3.2.4; see docs/theory/trends.md.
"""

from dataclasses import dataclass

import numpy as np

from ringland.errors import SettingError
from ringland.model._arrays import FloatArray, read_only

__all__ = ["Cusum", "cusum", "ewma", "ewma_limits"]


def ewma(values: FloatArray, *, start: float, weight: float = 0.3) -> FloatArray:
    """Exponentially weighted moving average (n + 1,), the first entry being `start`.

    `weight` of the newest value, above 0 and up to 1. Raises SettingError for another.
    """
    if not 0.0 < weight <= 1.0:
        raise SettingError("The weight of an EWMA is wrong.", got=str(weight), allowed="0 to 1")
    out = np.empty(len(values) + 1)
    out[0] = start
    for i, value in enumerate(values):
        out[i + 1] = weight * value + (1.0 - weight) * out[i]
    return read_only(out)


def ewma_limits(
    centre: float, sd: float, *, weight: float = 0.3, width: float = 3.0, visits: int | None = None
) -> tuple[float, float]:
    """Lower and upper control limit after so many visits; None: once it has settled."""
    share = weight / (2.0 - weight)
    if visits is not None:
        share *= 1.0 - (1.0 - weight) ** (2 * visits)
    half = width * sd * float(np.sqrt(share))
    return centre - half, centre + half


@dataclass(frozen=True, eq=False)
class Cusum:
    """`high`, `low` (n,): sums of what lies above and below the target by more than the slack.
    `first_signal`: index of the first value at which either exceeds the decision limit."""

    high: FloatArray
    low: FloatArray
    first_signal: int | None

    def __post_init__(self) -> None:
        for name in ("high", "low"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def cusum(values: FloatArray, *, target: float, slack: float, decision: float) -> Cusum:
    """Tabular CUSUM. `slack` and `decision` in the unit of the values."""
    high, low = np.zeros(len(values)), np.zeros(len(values))
    up = down = 0.0
    for i, value in enumerate(values):
        up = max(0.0, up + value - target - slack)
        down = max(0.0, down + target - slack - value)
        high[i], low[i] = up, down
    beyond = np.flatnonzero((high > decision) | (low > decision))
    return Cusum(high, low, int(beyond[0]) if len(beyond) else None)

"""When a recording is long enough, decided by its own scatter. Equations: docs/theory/enough.md."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["COVERAGE", "FEWEST_CYCLES", "Enough", "decide", "interval_halves"]

FloatArray = NDArray[np.float64]

COVERAGE = 0.95
FEWEST_CYCLES = 20
"""No stop before: scatter guessed from fewer cycles stops too early too often."""
_INFLATION = 1.0
_LEAST_FACTOR, _MOST_FACTOR = 0.5, 6.0


@dataclass(frozen=True)
class Enough:
    """Where the recording stands.

    `half_widths`: per firing position, half of the 95 % interval of the mean strength, None where
    not known yet. `cycles` so far; `cycles_needed` estimated in all. `enough` True when every
    interval is within `wanted`.
    """

    cycles: int
    cycles_needed: int | None
    half_widths: tuple[float | None, ...]
    wanted: float
    enough: bool

    @property
    def widest(self) -> float | None:
        """The widest half interval known."""
        return max((h for h in self.half_widths if h is not None), default=None)


def interval_halves(strength: FloatArray) -> FloatArray:
    """Half of the 95 % interval of the mean of each column of `strength` (cycles, positions).

    NaN for columns with fewer than 4 values. The wider of two: scatter from cycle to cycle with the
    dependence on the previous one (1, 2), and scatter of batches of cycles (3).
    """
    from scipy.special import stdtrit

    values = np.asarray(strength, dtype=np.float64)
    halves = np.full(values.shape[1], np.nan)
    for column in range(values.shape[1]):
        x = values[:, column]
        x = x[np.isfinite(x)]
        m = len(x)
        if m < 4:
            continue
        away = x - x.mean()
        power = float(away @ away)
        if power <= 0.0:
            halves[column] = 0.0
            continue
        follow = float(away[1:] @ away[:-1]) / power
        follow = min(follow + (1.0 + 3.0 * follow) / m, 0.95)  # the usual bias of so few
        factor = min(max((1.0 + follow) / (1.0 - follow), _LEAST_FACTOR), _MOST_FACTOR)
        variance = power / (m - 1) * factor / m * (1.0 + _INFLATION / m)
        halves[column] = max(
            float(stdtrit(m - 1, 0.5 + 0.5 * COVERAGE)) * math.sqrt(variance), _by_batches(x)
        )
    return halves


def _by_batches(x: FloatArray) -> float:
    """Half interval from the means of batches of about root m cycles (3): sees slow wandering that
    the dependence on the last cycle alone does not. 0 with fewer than four batches."""
    from scipy.special import stdtrit

    size = max(4, round(math.sqrt(len(x))))
    count = len(x) // size
    if count < 4:
        return 0.0
    means = x[: count * size].reshape(count, size).mean(axis=1)
    quantile = float(stdtrit(count - 1, 0.5 + 0.5 * COVERAGE))
    return quantile * float(means.std(ddof=1)) / math.sqrt(count)


def decide(strength: FloatArray, wanted: float) -> Enough:
    """Enough or not, from the strength of each position in every cycle so far (4).

    Positions that say nothing (all NaN) are left out; none at all is never enough.
    """
    cycles = int(np.asarray(strength).shape[0])
    halves = interval_halves(strength) if cycles else np.full(np.asarray(strength).shape[1], np.nan)
    known = halves[np.isfinite(halves)]
    if not len(known):
        return Enough(cycles, None, tuple(None for _ in halves), wanted, enough=False)
    widest = float(known.max())
    needed = max(FEWEST_CYCLES, math.ceil(cycles * (widest / wanted) ** 2))
    return Enough(
        cycles=cycles,
        cycles_needed=needed,
        half_widths=tuple(float(h) if math.isfinite(h) else None for h in halves),
        wanted=wanted,
        enough=cycles >= FEWEST_CYCLES and widest <= wanted,
    )

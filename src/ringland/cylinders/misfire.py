"""Count the cycles in which a cylinder's pulse was missing.

Strengths of one position over the cycles are split into "there" and "missing" half-way between
the usual strength and none, once the scatter leaves room for two kinds. Rate with a Wilson
interval (Wilson, J. Am. Stat. Assoc. 22 (1927) 209).
"""

import numpy as np
from numpy.typing import NDArray

from ringland.model import CylinderShare, Estimate, MisfireCount, unknown

__all__ = ["count_misfires", "wilson_interval"]

FloatArray = NDArray[np.float64]

_Z95 = 1.959963984540054
_MISSING = 0.5  # of the usual strength
_WIDEST_SCATTER = 0.22  # scatter of good cycles above which missing ones cannot be told apart


def wilson_interval(count: int, total: int, z: float = _Z95) -> tuple[float, float]:
    """Wilson score interval of a proportion."""
    if total <= 0:
        return 0.0, 1.0
    p = count / total
    centre = (p + z * z / (2.0 * total)) / (1.0 + z * z / total)
    half = z * np.sqrt(p * (1.0 - p) / total + z * z / (4.0 * total**2)) / (1.0 + z * z / total)
    low, high = max(0.0, float(centre - half)), min(1.0, float(centre + half))
    return min(low, float(p)), max(high, float(p))  # rounding may not put the rate outside


def count_misfires(share: CylinderShare, cycle_index: tuple[int, ...]) -> tuple[MisfireCount, ...]:
    """Missing pulses per position of one channel."""
    usual = _usual_strength(share.strength)
    out = []
    for column, position in enumerate(share.positions):
        heard = np.isfinite(share.strength[:, column])
        values = share.strength[heard, column]
        index = np.asarray(cycle_index)[heard]
        good = values[values > _MISSING * usual]
        scatter = _scatter(good) / usual if len(good) > 3 and usual > 0 else 0.0
        if scatter > _WIDEST_SCATTER or usual <= 0:
            rate = unknown("1", f"strength scatters by {scatter:.0%} from cycle to cycle")
            repeat = unknown("1", "missing cycles cannot be told from weak ones")
            out.append(MisfireCount(share.channel, position, 0, len(values), rate, 0, repeat, ()))
            continue
        missing = values < _MISSING * usual
        low, high = wilson_interval(int(missing.sum()), len(missing))
        rate = Estimate(float(missing.mean()), low, high, "1", coverage=0.95)
        out.append(
            MisfireCount(
                share.channel,
                position,
                int(missing.sum()),
                len(missing),
                rate,
                _longest_run(missing),
                _repeat_ratio(missing),
                tuple(int(i) for i in index[missing]),
            )
        )
    return tuple(out)


def _usual_strength(strength: FloatArray) -> float:
    """Strength of a good pulse: the median over positions of each one's upper half."""
    return float(np.median(np.nanquantile(strength, 0.6, axis=0)))


def _scatter(values: FloatArray) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def _longest_run(missing: NDArray[np.bool_]) -> int:
    longest = run = 0
    for value in missing:
        run = run + 1 if value else 0
        longest = max(longest, run)
    return longest


def _repeat_ratio(missing: NDArray[np.bool_]) -> Estimate:
    """Rate after a missing cycle over the rate after a good one (log-normal interval)."""
    after_bad = missing[1:][missing[:-1]]
    after_good = missing[1:][~missing[:-1]]
    a, b = int(after_bad.sum()), int(after_good.sum())
    if len(after_bad) < 3 or len(after_good) < 3 or a == 0 or b == 0:
        return unknown("1", "too few missing cycles to say whether they come in runs")
    ratio = (a / len(after_bad)) / (b / len(after_good))
    se = np.sqrt(1 / a - 1 / len(after_bad) + 1 / b - 1 / len(after_good))
    return Estimate(
        float(ratio), float(ratio * np.exp(-1.645 * se)), float(ratio * np.exp(1.645 * se)), "1"
    )

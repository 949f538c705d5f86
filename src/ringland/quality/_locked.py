"""Does a channel repeat with the engine cycle, once the cycles are known?

A rhythm search may miss a channel that hears few cylinders at uneven intervals, one of them weak;
averaged over the cycles found, what repeats stands out however uneven it is.
"""

import numpy as np

from ringland.model import CycleSet
from ringland.quality._types import ChannelFacts

__all__ = ["locked_ratio"]

_POINTS = 48
_FEWEST = 4


def locked_ratio(facts: ChannelFacts, cycles: CycleSet) -> float | None:
    """Variance of the averaged cycle over what scatter alone would leave (1 for noise).

    None when fewer than four whole cycles lie within the channel.
    """
    slow, rate = facts.scan.slow, facts.slow_rate_hz
    kept = [c for c in cycles.cycles if c.kept]
    columns = np.arange(_POINTS) / _POINTS
    time = np.array([c.start_s + columns * (c.stop_s - c.start_s) for c in kept])
    if time.size == 0:
        return None
    position = (time - facts.start_s) * rate - 0.5
    inside = (position >= 0).all(axis=1) & (position <= len(slow) - 1).all(axis=1)
    if int(inside.sum()) < _FEWEST:
        return None
    rows = np.interp(position[inside], np.arange(len(slow)), slow)
    rows = rows - rows.mean(axis=1, keepdims=True)
    count = len(rows)
    scatter = float(rows.var(axis=0, ddof=1).mean()) / count
    return float(rows.mean(axis=0).var()) / (scatter + 1e-300)

"""Whether the starter turned the engine, so that its pulses are not those of a running one."""

import numpy as np

from ringland.model import Condition, CycleSet

__all__ = ["NOT_RUNNING", "turned_by_starter"]

_SLOWEST_RUNNING_RPM = 400.0
"""Starters turn an engine at 150 to 300 rpm and hardly one idles below 450: common practice, no
source."""

NOT_RUNNING = "the starter turned the engine, and its limits are those of a running one"


def turned_by_starter(condition: Condition, cycles: CycleSet) -> bool:
    """By what was said of the recording; by its speed where nothing was."""
    if condition is not Condition.UNKNOWN:
        return condition is Condition.CRANKING
    return float(np.median(cycles.speed_rpm)) < _SLOWEST_RUNNING_RPM

"""Estimates over cycles."""

import numpy as np
from numpy.typing import NDArray

from ringland.model import Estimate, MetricDefinition, MetricValue, unknown
from ringland.signals import median

__all__ = ["over_cycles", "too_few"]

FloatArray = NDArray[np.float64]


def over_cycles(
    definition: MetricDefinition, channel: str, position: int, values: FloatArray
) -> MetricValue:
    """Median over cycles with the standard error of a median of near-normal scatter.

    The scatter is robust (median absolute deviation) but never below a tenth of the plain one, so
    that a few identical cycles do not feign certainty.
    """
    values = values[np.isfinite(values)]
    if len(values) < definition.fewest_cycles:
        return too_few(definition, channel, position, len(values))
    middle = median(values)
    robust = 1.4826 * median(np.abs(values - middle))
    scatter = max(robust, 0.1 * float(np.std(values, ddof=1)), 1e-9 * abs(middle))
    error = 1.2533 * scatter / np.sqrt(len(values))
    return MetricValue(
        definition.id,
        channel,
        position,
        Estimate.from_se(middle, error, definition.unit),
        float(error),
    )


def too_few(
    definition: MetricDefinition, channel: str, position: int | None, cycles: int
) -> MetricValue:
    """Not measured for want of cycles."""
    reason = f"{cycles} usable cycles, {definition.fewest_cycles} are needed"
    return MetricValue(definition.id, channel, position, unknown(definition.unit, reason))

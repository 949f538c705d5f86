"""Each cylinder against the others of its own engine.

See docs/theory/symptoms.md. A deviation is judged by Student's t against the spread declared for
sound engines and, where it is wider, against the spread that the other cylinders show; the larger
p-value counts. The false-alarm rate is held over the whole table (Holm, Scand. J. Stat. 6 (1979)
65).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc

from ringland.model import Estimate, MetricDefinition, MetricValue, Sense
from ringland.signals import column_medians

__all__ = ["FEWEST_COMPARED", "Deviation", "deviations"]

FEWEST_COMPARED = 2
"""Cylinders on a channel. Of two, the sense of the metric says which of them is the odd one."""

_DECLARED_DEGREES = 20.0  # how firmly the declared spread of sound cylinders is believed
_SHOWN_DEGREES = 2.0  # added to the degrees of freedom of the spread that the others show


@dataclass(frozen=True)
class Deviation:
    """Deviation of one cell from the other cylinders, towards trouble, and its p-value."""

    value: MetricValue
    deviation: Estimate
    towards: float
    towards_error: float
    p_value: float


def deviations(
    definition: MetricDefinition, values: tuple[MetricValue, ...]
) -> tuple[Deviation, ...]:
    """Deviations of one metric on one channel; cells without a value are left out."""
    known = [v for v in values if v.estimate.value is not None]
    if len(known) < FEWEST_COMPARED:
        return ()
    x = np.array([v.estimate.value for v in known], dtype=np.float64)
    error = np.array([v.standard_error or 0.0 for v in known])
    out = []
    others = len(known) - 1
    middle = column_medians(_of_others(x))
    noise = column_medians(_of_others(error))
    robust = 1.4826 * column_medians(np.abs(_of_others(x) - middle))
    declared2 = definition.healthy_spread**2
    for i, value in enumerate(known):
        shown2 = max(float(robust[i] ** 2 - noise[i] ** 2), 0.0)
        away = float(x[i] - middle[i])
        towards = {Sense.LOW: -away, Sense.HIGH: away, Sense.BOTH: abs(away)}[definition.sense]
        # both must be surprised: the spread declared for sound engines, and the spread that the
        # other cylinders of this engine show where that is wider
        tests = [(declared2, _DECLARED_DEGREES)]
        if shown2 > declared2:
            tests.append((shown2, others - 1 + _SHOWN_DEGREES))
        p = max(
            _upper_tail(
                towards / _total(spread2, float(error[i]), float(noise[i]), others), degrees
            )
            for spread2, degrees in tests
        )
        if definition.sense is Sense.BOTH:
            p = min(1.0, 2.0 * p)
        own_error = float(np.sqrt(error[i] ** 2 + 1.57 * noise[i] ** 2 / others))
        out.append(
            Deviation(
                value,
                Estimate.from_se(away, own_error, definition.unit),
                float(towards),
                own_error,
                p,
            )
        )
    return tuple(out)


def _of_others(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n - 1, n): in column i the values of all but i."""
    count = len(values)
    table = np.broadcast_to(values, (count, count))
    others: NDArray[np.float64] = table[~np.eye(count, dtype=np.bool_)].reshape(count, -1).T
    return others


def _total(spread2: float, error: float, noise: float, others: int) -> float:
    """Standard deviation of one sound cylinder minus the median of the others.

    1.57 = pi / 2 is the variance of a median over that of a mean.
    """
    return float(np.sqrt(spread2 + error**2 + 1.57 * (spread2 + noise**2) / others)) + 1e-300


def _upper_tail(t: float, degrees: float) -> float:
    """P(T > t) of Student's t distribution."""
    half = 0.5 * float(betainc(degrees / 2.0, 0.5, degrees / (degrees + t * t)))
    return half if t >= 0.0 else 1.0 - half

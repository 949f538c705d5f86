"""Each cylinder against the others of its own engine.

See docs/theory/symptoms.md. The spread of sound cylinders is estimated from the others and from
what is declared for the metric (empirical Bayes, scaled inverse chi-square); the deviation is
judged by a t distribution and the false-alarm rate is held over the whole table (Holm,
Scand. J. Stat. 6 (1979) 65).
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import betainc

from ringland.model import Estimate, MetricDefinition, MetricValue, Sense

__all__ = ["Deviation", "deviations"]

_PRIOR_DEGREES = 8.0  # weight of the declared spread, in cylinders
# The size of a sound cylinder's push on the crankcase is not known in volts: the others decide.
_OWN_PRIOR_DEGREES = {"crankcase_push": 1.5, "crankcase_pull": 1.5}


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
    if len(known) < 3:
        return ()
    x = np.array([v.estimate.value for v in known], dtype=np.float64)
    error = np.array([v.standard_error or 0.0 for v in known])
    prior_degrees = _OWN_PRIOR_DEGREES.get(definition.id, _PRIOR_DEGREES)
    out = []
    for i, value in enumerate(known):
        others = np.delete(x, i)
        middle = float(np.median(others))
        # the healthy spread: what is declared, widened by what the others show
        robust = 1.4826 * float(np.median(np.abs(others - middle)))
        noise = float(np.median(np.delete(error, i)))
        shown = max(robust**2 - noise**2, 0.0)
        degrees = prior_degrees + len(others) - 1
        spread2 = (
            prior_degrees * definition.healthy_spread**2 + (len(others) - 1) * shown
        ) / degrees
        middle_error2 = 1.57 * (spread2 + noise**2) / len(others)
        total = float(np.sqrt(spread2 + error[i] ** 2 + middle_error2))
        away = x[i] - middle
        towards = {Sense.LOW: -away, Sense.HIGH: away, Sense.BOTH: abs(away)}[definition.sense]
        t = towards / total if total > 0.0 else 0.0
        p = _upper_tail(t, degrees)
        if definition.sense is Sense.BOTH:
            p = min(1.0, 2.0 * p)
        own_error = float(np.sqrt(error[i] ** 2 + 1.57 * noise**2 / len(others)))
        out.append(
            Deviation(
                value,
                Estimate.from_se(float(away), own_error, definition.unit),
                float(towards),
                own_error,
                p,
            )
        )
    return tuple(out)


def _upper_tail(t: float, degrees: float) -> float:
    """P(T > t) of Student's t distribution."""
    half = 0.5 * float(betainc(degrees / 2.0, 0.5, degrees / (degrees + t * t)))
    return half if t >= 0.0 else 1.0 - half

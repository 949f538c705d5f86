"""Baselines: of one engine from its sound visits, and of an engine type from its engines.

A new engine of a known type starts from what its type shows; the more visits it has, the more its
own count (shrinkage by a random-effects model, DerSimonian and Laird, Control. Clin. Trials 7
(1986) 177). See docs/theory/trends.md, equations (8) to (12).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from ringland.model import Estimate, unknown

__all__ = ["EngineBaseline", "Population", "engine_baseline", "population", "shrunk"]

_FEWEST_ENGINES = 3
_Z90 = 1.6448536269514722


@dataclass(frozen=True)
class EngineBaseline:
    """Mean of one metric over the sound visits of one engine and its standard error."""

    engine: str
    mean: float
    standard_error: float
    visits: int


@dataclass(frozen=True)
class Population:
    """Engines of one type: `mean` of the type with its interval, `between_sd` how much sound
    engines differ, `a_new_engine` the interval a further engine should lie in; unknown with the
    reason when engines are few."""

    engines: int
    mean: Estimate
    mean_error: float | None
    between_sd: float | None
    a_new_engine: Estimate


def engine_baseline(
    engine: str, values: Sequence[float], standard_errors: Sequence[float]
) -> EngineBaseline | None:
    """From at least one sound visit; None without any. With two and more the scatter between
    visits counts as well as each visit's own standard error."""
    x, e = np.asarray(values, dtype=np.float64), np.asarray(standard_errors, dtype=np.float64)
    if len(x) == 0:
        return None
    own = float(np.mean(e**2))
    scatter = float(np.var(x, ddof=1)) if len(x) > 1 else 0.0
    return EngineBaseline(engine, float(x.mean()), math.sqrt(max(own, scatter) / len(x)), len(x))


def population(baselines: Sequence[EngineBaseline], unit: str) -> Population:
    """The type as its engines show it."""
    usable = [b for b in baselines if b.standard_error > 0.0]
    if len(usable) < _FEWEST_ENGINES:
        reason = f"{len(usable)} engines of this type, {_FEWEST_ENGINES} are needed"
        nothing = unknown(unit, reason)
        return Population(len(usable), nothing, None, None, nothing)
    y = np.array([b.mean for b in usable])
    v = np.array([b.standard_error**2 for b in usable])
    w = 1.0 / v
    fixed = float((w * y).sum() / w.sum())
    q = float((w * (y - fixed) ** 2).sum())
    between2 = max(0.0, (q - (len(y) - 1)) / float(w.sum() - (w**2).sum() / w.sum()))
    w = 1.0 / (v + between2)
    mean, error = float((w * y).sum() / w.sum()), float(1.0 / np.sqrt(w.sum()))
    t = float(stdtrit(max(1, len(y) - 2), 0.95))
    half = t * math.sqrt(between2 + error**2)
    return Population(
        len(y),
        Estimate.from_se(mean, error, unit),
        error,
        math.sqrt(between2),
        Estimate(mean, mean - half, mean + half, unit),
    )


def shrunk(own: EngineBaseline | None, of_type: Population, unit: str) -> Estimate:
    """Baseline of one engine: its own visits and its type, each as far as it carries.

    Without own visits the type's interval for a new engine; without a type its own.
    """
    if own is None or own.standard_error <= 0.0:
        return of_type.a_new_engine
    if of_type.between_sd is None or of_type.mean.value is None or of_type.mean_error is None:
        return Estimate.from_se(own.mean, own.standard_error, unit)
    between2 = of_type.between_sd**2 + of_type.mean_error**2
    weight = between2 / (between2 + own.standard_error**2)
    value = weight * own.mean + (1.0 - weight) * of_type.mean.value
    error = math.sqrt(weight) * own.standard_error
    return Estimate(value, value - _Z90 * error, value + _Z90 * error, unit)

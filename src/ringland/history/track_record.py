"""How often past calls were right, and what the confirmed outcomes do to the priors.

Predicted probabilities against what was found on teardown: Brier score with its decomposition,
reliability diagram, per failure mode. See docs/theory/track_record.md.
"""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from scipy.special import betaincinv

from ringland.cylinders.misfire import wilson_interval
from ringland.errors import SettingError
from ringland.model import Estimate, unknown
from ringland.units import percent

__all__ = [
    "BrierScore",
    "Call",
    "PriorUpdate",
    "ReliabilityBin",
    "brier",
    "by_mode",
    "hit_rate",
    "reliability",
    "updated_weights",
]

HEALTHY, UNLISTED = "healthy", "none_of_these"
PRIOR_WEIGHT = 50.0
"""How many confirmed outcomes the weights that come with the package are worth (own choice)."""

RULE = (
    "Dirichlet: weight of a mode = (prior weight * its share before + times confirmed) / "
    "(prior weight + all confirmed)"
)


@dataclass(frozen=True, eq=False)
class Call:
    """One prediction with what was found: `predicted` probability by failure mode, "healthy" and
    "none_of_these" among them; `found` the confirmed mode (or "healthy", or "none_of_these").
    `outcome_id` names the row it was confirmed by; `right_place` whether the cylinder was right,
    None when that was not said."""

    predicted: Mapping[str, float]
    found: str
    outcome_id: str = ""
    right_place: bool | None = None

    def __post_init__(self) -> None:
        values = list(self.predicted.values())
        if not all(math.isfinite(p) and -1e-9 <= p <= 1.0 + 1e-9 for p in values):
            raise SettingError("A prediction holds what is no probability.", got=str(values)[:80])
        object.__setattr__(self, "predicted", MappingProxyType(dict(self.predicted)))

    def probability(self, mode: str) -> float:
        """What was predicted for a mode; 0 when it was not named."""
        return self.predicted.get(mode, 0.0)


@dataclass(frozen=True)
class ReliabilityBin:
    """Calls with predictions between `low` and `high`: how many, mean prediction, and how often
    it was so, with a 95 % Wilson interval."""

    low: float
    high: float
    count: int
    predicted: float
    observed: Estimate


@dataclass(frozen=True)
class BrierScore:
    """Mean squared error of probabilities, 0 best. score = reliability - resolution + uncertainty
    + within_bins; the last is what binning leaves over and is 0 when all in a bin are equal.
    `skill` is against always predicting the observed rate, None when that rate is 0 or 1."""

    score: float
    reliability: float
    resolution: float
    uncertainty: float
    within_bins: float
    skill: float | None
    count: int


def _binned(p: np.ndarray, bins: int) -> np.ndarray:
    return np.minimum((p * bins).astype(np.int64), bins - 1)


def _pairs(predicted: Sequence[float], happened: Sequence[bool]) -> tuple[np.ndarray, np.ndarray]:
    p = np.asarray(predicted, dtype=np.float64)
    o = np.asarray(happened, dtype=np.float64)
    if len(p) == 0 or len(p) != len(o):
        raise SettingError(
            "A score needs as many outcomes as predictions, and at least one.",
            got=f"{len(p)} predictions, {len(o)} outcomes",
        )
    if not (np.isfinite(p).all() and (p >= 0.0).all() and (p <= 1.0).all()):
        raise SettingError("A prediction is no probability.", allowed="0 to 1")
    return p, o


def brier(predicted: Sequence[float], happened: Sequence[bool], *, bins: int = 10) -> BrierScore:
    """Score of one yes-or-no question and Murphy's decomposition (J. Appl. Meteorol. 12 (1973)
    595) with the terms within bins (Stephenson et al., Weather Forecast. 23 (2008) 752).
    Raises SettingError for no calls, or what is no probability."""
    p, o = _pairs(predicted, happened)
    n, rate = len(p), float(o.mean())
    index = _binned(p, bins)
    reliability_ = resolution = within = 0.0
    for b in np.unique(index):
        here = index == b
        mean_p, mean_o, count = float(p[here].mean()), float(o[here].mean()), int(here.sum())
        reliability_ += count * (mean_p - mean_o) ** 2 / n
        resolution += count * (mean_o - rate) ** 2 / n
        variance = float(((p[here] - mean_p) ** 2).sum()) / n
        covariance = float(((p[here] - mean_p) * (o[here] - mean_o)).sum()) / n
        within += variance - 2.0 * covariance
    score = float(((p - o) ** 2).mean())
    uncertainty = rate * (1.0 - rate)
    skill = 1.0 - score / uncertainty if uncertainty > 0.0 else None
    return BrierScore(score, reliability_, resolution, uncertainty, within, skill, n)


def reliability(
    predicted: Sequence[float], happened: Sequence[bool], *, bins: int = 10
) -> tuple[ReliabilityBin, ...]:
    """Data of the reliability diagram; empty bins are left out."""
    p, o = _pairs(predicted, happened)
    index = _binned(p, bins)
    found = []
    for b in np.unique(index):
        here = index == b
        count, hits = int(here.sum()), int(o[here].sum())
        low, high = wilson_interval(hits, count)
        found.append(
            ReliabilityBin(
                float(b / bins),
                float((b + 1) / bins),
                count,
                float(p[here].mean()),
                Estimate(hits / count, low, high, "1", coverage=0.95),
            )
        )
    return tuple(found)


def by_mode(calls: Sequence[Call], *, bins: int = 10) -> Mapping[str, BrierScore]:
    """The score of each mode that was predicted or found."""
    modes = sorted({m for c in calls for m in (*c.predicted, c.found)})
    return MappingProxyType(
        {
            m: brier(
                [min(1.0, max(0.0, c.probability(m))) for c in calls],
                [c.found == m for c in calls],
                bins=bins,
            )
            for m in modes
        }
    )


def hit_rate(calls: Sequence[Call]) -> Estimate:
    """How often what was thought most likely was found, with a 95 % Wilson interval."""
    if not calls:
        return unknown("1", "nothing was confirmed yet")
    hits = sum(max(c.predicted, key=c.probability, default="") == c.found for c in calls)
    low, high = wilson_interval(hits, len(calls))
    return Estimate(hits / len(calls), low, high, "1", coverage=0.95)


@dataclass(frozen=True, eq=False)
class PriorUpdate:
    """One update of the weights of the failure modes, complete enough to be checked and undone.

    `before`, `after`: share by mode, each sums to 1; `intervals` the 90 % interval of each share
    (its marginal Beta). `counts`: confirmed outcomes by mode; `outcome_ids` the rows they came
    from. `enabled` False: the rule was switched off and `after` equals `before`.
    """

    made_utc: str
    rule: str
    enabled: bool
    prior_weight: float
    counts: Mapping[str, int]
    outcome_ids: tuple[str, ...]
    before: Mapping[str, float]
    after: Mapping[str, float]
    intervals: Mapping[str, Estimate]
    left_out: tuple[str, ...]
    sentence: str

    def __post_init__(self) -> None:
        for name in ("counts", "before", "after", "intervals"):
            object.__setattr__(self, name, MappingProxyType(dict(getattr(self, name))))


def updated_weights(
    weights: Mapping[str, float],
    calls: Sequence[Call],
    *,
    made_utc: str,
    enabled: bool = True,
    prior_weight: float = PRIOR_WEIGHT,
) -> PriorUpdate:
    """Weights of the failure modes after the confirmed outcomes, and the record of it.

    Conjugate rule for counts: the weights are the mean of a Dirichlet distribution worth
    `prior_weight` outcomes. "healthy" and what is in no list are not failure modes and are left
    out, by name. An outcome counts once, however often it stands in `calls`. Raises SettingError
    for weights that are none, or a prior weight that is not above 0.
    """
    total = sum(weights.values())
    if not weights or min(weights.values()) < 0.0 or not 0.0 < total < math.inf:
        raise SettingError("These are no weights.", got=str(dict(weights))[:80])
    if not 0.0 < prior_weight < math.inf:
        raise SettingError(
            "The prior weight is wrong.", got=str(prior_weight), allowed="a number above 0"
        )
    before = {mode: w / total for mode, w in weights.items()}
    once = {c.outcome_id or f"unnamed {i}": c for i, c in enumerate(calls)}
    known = {key: c for key, c in once.items() if c.found in before}
    counts = Counter(c.found for c in known.values())
    confirmed = sum(counts.values())
    after, intervals = dict(before), {}
    if enabled:
        after = {
            m: (prior_weight * share + counts[m]) / (prior_weight + confirmed)
            for m, share in before.items()
        }
    strength = prior_weight + (confirmed if enabled else 0)
    for mode, share in after.items():
        intervals[mode] = _beta_interval(share * strength, (1.0 - share) * strength)
    return PriorUpdate(
        made_utc=made_utc,
        rule=RULE,
        enabled=enabled,
        prior_weight=prior_weight,
        counts=counts,
        outcome_ids=tuple(known),
        before=before,
        after=after,
        intervals=intervals,
        left_out=tuple(sorted({c.found for c in once.values()} - set(before))),
        sentence=_sentence(confirmed, prior_weight, before, after, enabled),
    )


def _beta_interval(a: float, b: float) -> Estimate:
    """Mean and 90 % interval of a Beta distribution."""
    if a <= 0.0 or b <= 0.0:
        value = 0.0 if a <= 0.0 else 1.0
        return Estimate(value, value, value, "1")
    mean = a / (a + b)
    low, high = float(betaincinv(a, b, 0.05)), float(betaincinv(a, b, 0.95))
    return Estimate(mean, min(low, mean), max(high, mean), "1")


def _sentence(
    confirmed: int,
    prior_weight: float,
    before: Mapping[str, float],
    after: Mapping[str, float],
    enabled: bool,
) -> str:
    if not enabled:
        return "Learning from outcomes is switched off; the weights are those of the package."
    if confirmed == 0:
        return "No failure mode was confirmed yet; the weights are unchanged."
    moved = max(before, key=lambda m: abs(after[m] - before[m]))
    return (
        f"{confirmed} confirmed outcomes against a prior worth {prior_weight:.0f}. Most moved: "
        f"{moved.replace('_', ' ')}, from {percent(before[moved], 1)} to "
        f"{percent(after[moved], 1)} of faults."
    )

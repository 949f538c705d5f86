"""From simulated cases to a likelihood: how each fault shifts the metrics of its own cylinder.

Features are the metrics of one cylinder minus the median of the cylinders on its channel, over the
spread of sound cylinders, squashed by 2 asinh(z / 2). For every simulated kind of fault the mean
feature is a quadratic in the logarithm of severity; residuals have a covariance shrunk towards the
one pooled over all kinds; tails are Student's. See docs/theory/reference.md.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln, logsumexp

from ringland.model import CaseEvidence, Estimate, MetricTable
from ringland.model._arrays import FloatArray, IntArray, read_only
from ringland.reference.plan import CaseSettings
from ringland.simulator.faults import FAULT_KINDS

__all__ = ["CaseFeatures", "CaseModel", "evaluate", "features_of", "fit_cases"]

_GRID = 9
"""Severities the likelihood is averaged over."""
_RIDGE = 0.3
_TEMPERATURES = (0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)


@dataclass(frozen=True, eq=False)
class CaseFeatures:
    """What the pipeline measured on all cases, one row per cylinder.

    `values` (rows, metrics) deviations from the channel's median in the metric's own unit, NaN
    where not measured; `component` (rows,) -1 for a sound cylinder; `step` (rows,) where the
    severity lies between least (0) and most (1), in logarithm; `case` (rows,) case number.
    """

    metrics: tuple[str, ...]
    values: FloatArray
    component: IntArray
    step: FloatArray
    case: IntArray


@dataclass(frozen=True, eq=False)
class CaseModel:
    """The fitted likelihood.

    `scale` (metrics,): spread of a sound cylinder. `coefficients` (components, 3, metrics),
    `covariances` (components, metrics, metrics); sound: `sound_mean`, `sound_covariance`;
    `unknown_covariance` for something else. `present`: components with enough cases.
    `temperature` multiplies log-likelihood ratios so that probabilities come out calibrated.
    `far`: squared distance from the nearest kind beyond which nothing simulated resembles it.
    """

    settings: CaseSettings
    metrics: tuple[str, ...]
    scale: FloatArray
    present: tuple[int, ...]
    coefficients: FloatArray
    covariances: FloatArray
    sound_mean: FloatArray
    sound_covariance: FloatArray
    unknown_covariance: FloatArray
    temperature: float
    far: float
    cases: int

    def __post_init__(self) -> None:
        for name in (
            "scale",
            "coefficients",
            "covariances",
            "sound_mean",
            "sound_covariance",
            "unknown_covariance",
        ):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def features_of(table: MetricTable, metrics: Sequence[str], positions: int) -> FloatArray:
    """(positions, metrics): each metric minus the median of the cylinders on its channel.

    NaN where not measured or where fewer than three cylinders share the channel.
    """
    found = np.full((positions, len(metrics)), np.nan)
    for column, metric in enumerate(metrics):
        by_channel: dict[str, list[tuple[int, float]]] = {}
        for value in table.of_metric(metric):
            if value.firing_position is not None and value.estimate.value is not None:
                by_channel.setdefault(value.channel, []).append(
                    (value.firing_position, value.estimate.value)
                )
        for pairs in by_channel.values():
            if len(pairs) < 3:
                continue
            middle = float(np.median([v for _, v in pairs]))
            for position, number in pairs:
                found[position - 1, column] = number - middle
    return found


def _squashed(values: FloatArray, scale: FloatArray) -> FloatArray:
    result: FloatArray = 2.0 * np.arcsinh(values / scale / 2.0)
    return result


def _design(step: FloatArray) -> FloatArray:
    return np.stack([np.ones_like(step), step, step**2], axis=-1)


def _covariance(residuals: FloatArray) -> FloatArray:
    filled = np.where(np.isnan(residuals), 0.0, residuals)
    seen = (~np.isnan(residuals)).astype(float)
    count = np.maximum(seen.T @ seen, 1.0)
    covariance: FloatArray = filled.T @ filled / count
    return covariance


def _fit_component(
    y: FloatArray, step: FloatArray, pooled: FloatArray | None
) -> tuple[FloatArray, FloatArray]:
    """Quadratic in severity by ridge regression, and the residual covariance shrunk to `pooled`."""
    x = _design(step)
    metrics = y.shape[1]
    coefficients = np.zeros((3, metrics))
    for column in range(metrics):
        good = ~np.isnan(y[:, column])
        if good.sum() < 4:
            continue
        a = x[good]
        penalty = _RIDGE * np.diag([0.0, 0.1, 1.0])
        coefficients[:, column] = np.linalg.solve(a.T @ a + penalty, a.T @ y[good, column])
    residuals = y - x @ coefficients
    covariance = _covariance(residuals) * len(y) / max(len(y) - 3, 1)
    if pooled is not None:
        weight = len(y) / (len(y) + 2.0 * metrics)
        covariance = weight * covariance + (1.0 - weight) * pooled
    return coefficients, covariance + 0.05 * np.eye(metrics)


def fit_cases(features: CaseFeatures, settings: CaseSettings) -> CaseModel:
    """The likelihood from measured cases, its temperature set on cases left out in turn."""
    model = _fit(features, settings)
    folds = features.case % 3
    gathered = []
    for fold in range(3):
        training = _part(features, folds != fold)
        held_out = _part(features, folds == fold)
        if len(np.unique(training.case)) < 8 or len(held_out.case) == 0:
            continue
        gathered.append((_fit(training, settings), held_out))
    temperature, far = _calibrated(gathered)
    return CaseModel(**{**model.__dict__, "temperature": temperature, "far": far})


def _part(features: CaseFeatures, rows: IntArray) -> CaseFeatures:
    return CaseFeatures(
        features.metrics,
        features.values[rows],
        features.component[rows],
        features.step[rows],
        features.case[rows],
    )


def _fit(features: CaseFeatures, settings: CaseSettings) -> CaseModel:
    sound = features.component < 0
    deviation = np.abs(features.values[sound])
    scale = 1.4826 * np.nanmedian(np.where(np.isnan(deviation), np.nan, deviation), axis=0)
    scale = np.where(np.isfinite(scale) & (scale > 1e-12), scale, 1.0)
    y = _squashed(features.values, scale)
    metrics = len(features.metrics)
    sound_mean = np.nan_to_num(np.nanmean(y[sound], axis=0))
    sound_covariance = _covariance(y[sound] - sound_mean) + 0.05 * np.eye(metrics)

    present = [c for c in range(len(settings.components)) if (features.component == c).sum() >= 4]
    residuals = [y[sound] - sound_mean]
    for c in present:
        rows = features.component == c
        coefficients, _ = _fit_component(y[rows], features.step[rows], None)
        residuals.append(y[rows] - _design(features.step[rows]) @ coefficients)
    pooled = _covariance(np.concatenate(residuals[1:] or residuals)) + 0.05 * np.eye(metrics)
    all_coefficients = np.zeros((len(settings.components), 3, metrics))
    all_covariances = np.tile(pooled, (len(settings.components), 1, 1))
    for c in present:
        rows = features.component == c
        all_coefficients[c], all_covariances[c] = _fit_component(
            y[rows], features.step[rows], pooled
        )
    faulty = y[~sound] if (~sound).any() else y
    return CaseModel(
        settings=settings,
        metrics=features.metrics,
        scale=scale,
        present=tuple(present),
        coefficients=all_coefficients,
        covariances=all_covariances,
        sound_mean=sound_mean,
        sound_covariance=sound_covariance,
        unknown_covariance=2.0 * _covariance(faulty) + pooled,
        temperature=1.0,
        far=np.inf,
        cases=len(np.unique(features.case)),
    )


def _student_log(
    y: FloatArray, means: FloatArray, covariance: FloatArray, freedom: float
) -> tuple[FloatArray, FloatArray]:
    """Log density of y (rows, k) under Student's t about each mean (g, k): (rows, g), and the
    squared distances."""
    k = y.shape[1]
    factor = np.linalg.cholesky(covariance)
    a, b = np.linalg.solve(factor, y.T), np.linalg.solve(factor, means.T)
    distance = ((a[:, :, None] - b[:, None, :]) ** 2).sum(0)
    log_det = 2.0 * np.log(np.diag(factor)).sum()
    constant = (
        gammaln(0.5 * (freedom + k))
        - gammaln(0.5 * freedom)
        - 0.5 * (k * np.log(freedom * np.pi) + log_det)
    )
    return constant - 0.5 * (freedom + k) * np.log1p(distance / freedom), distance


@dataclass(frozen=True, eq=False)
class _Judged:
    """Log-likelihoods of cylinders, one row each: (rows, components, grid), (rows,), (rows,);
    squared distance to the nearest kind and number of metrics measured, (rows,)."""

    components: FloatArray
    sound: FloatArray
    unknown: FloatArray
    nearest: FloatArray
    measured: IntArray


def _judged(model: CaseModel, values: FloatArray) -> _Judged:
    """Cylinders (rows, metrics) with NaN where not measured, taken by which metrics are there."""
    rows, components = len(values), len(model.settings.components)
    table = np.full((rows, components, _GRID), -np.inf)
    sound, unknown, nearest = np.zeros(rows), np.zeros(rows), np.zeros(rows)
    present = ~np.isnan(values)
    freedom = model.settings.student_freedom
    x = _design(np.linspace(0.0, 1.0, _GRID))
    for seen in np.unique(present, axis=0):
        if not seen.any():
            continue
        which = np.flatnonzero((present == seen).all(1))
        y = _squashed(values[np.ix_(which, seen)], model.scale[seen])
        cut = np.ix_(seen, seen)
        middle = model.sound_mean[None, seen]
        log, near = _student_log(y, middle, model.sound_covariance[cut], freedom)
        sound[which], closest = log[:, 0], near[:, 0]
        for c in model.present:
            means = (x @ model.coefficients[c])[:, seen]
            log, near = _student_log(y, means, model.covariances[c][cut], freedom)
            table[which, c] = log
            closest = np.minimum(closest, near.min(1))
        nearest[which] = closest
        nowhere = np.zeros((1, int(seen.sum())))
        unknown[which] = _student_log(y, nowhere, model.unknown_covariance[cut], freedom)[0][:, 0]
    return _Judged(table, sound, unknown, nearest, present.sum(1))


def _ratios(model: CaseModel, judged: _Judged) -> dict[str, FloatArray]:
    """(rows,) log ratio against a sound cylinder, by failure mode (kinds of a mode count alike)."""
    by_mode: dict[str, list[FloatArray]] = {}
    for c in model.present:
        averaged = logsumexp(judged.components[:, c], axis=1) - np.log(_GRID)
        by_mode.setdefault(model.settings.components[c].mode, []).append(averaged)
    return {
        mode: model.temperature
        * (logsumexp(np.array(values), axis=0) - np.log(len(values)) - judged.sound)
        for mode, values in by_mode.items()
    }


def _calibrated(folds: list[tuple[CaseModel, CaseFeatures]]) -> tuple[float, float]:
    """Temperature with the least log loss on held-out cylinders, and half again the distance that
    999 in 1000 of them stay within."""
    losses = np.zeros(len(_TEMPERATURES))
    distances: list[float] = []
    for model, held_out in folds:
        judged = _judged(model, held_out.values)
        measured = judged.measured > 0
        distances += (judged.nearest[measured] / judged.measured[measured]).tolist()
        ratios = _ratios(model, judged)
        modes = sorted(ratios)
        scores = np.column_stack([np.zeros(len(judged.sound))] + [ratios[m] for m in modes])
        of = [c.mode for c in model.settings.components]
        true = np.array(
            [
                0 if c < 0 else (modes.index(of[c]) + 1 if of[c] in modes else -1)
                for c in held_out.component
            ]
        )
        # sound cylinders are many: they count a fifth, so that faults are heard
        weight = np.where(true == 0, 0.2, 1.0) * (true >= 0) * measured
        for i, temperature in enumerate(_TEMPERATURES):
            scaled = temperature * scores
            loss = logsumexp(scaled, axis=1) - scaled[np.arange(len(true)), np.maximum(true, 0)]
            losses[i] += float(weight @ loss)
    if not distances:
        return 0.7, np.inf
    best = float(_TEMPERATURES[int(np.argmin(losses))])
    return best, float(1.5 * np.quantile(distances, 0.999))


def evaluate(model: CaseModel, table: MetricTable, positions: int) -> CaseEvidence | None:
    """What the cases say of one recording; None when none of its metrics was learnt."""
    judged = _judged(model, features_of(table, model.metrics, positions))
    measured = np.flatnonzero(judged.measured > 0)
    if len(measured) == 0:
        return None
    ratios: dict[tuple[str, int | None], float] = {}
    severity: dict[tuple[str, int | None], Estimate] = {}
    by_mode = _ratios(model, judged)
    for row in measured:
        for mode, values in by_mode.items():
            ratios[mode, int(row) + 1] = float(values[row])
            severity[mode, int(row) + 1] = _severity(model, judged.components[row], mode)
    unknown = model.temperature * (judged.unknown - judged.sound)[measured]
    far = judged.nearest[measured] / judged.measured[measured] > model.far
    return CaseEvidence(
        log_ratio=ratios,
        none_of_these=float(logsumexp(unknown)) - float(np.log(positions)),
        metrics=model.metrics,
        resembles_nothing=_strange(model, [int(r) + 1 for r in measured[far]]),
        severity=severity,
    )


def _strange(model: CaseModel, positions: list[int]) -> str | None:
    if not positions:
        return None
    where = ", ".join(str(p) for p in positions)
    return (
        f"Firing position {where} resembles none of the {model.cases} simulated cases of this "
        "engine, sound or faulty: check the hook-up and the engine description first."
    )


def _severity(model: CaseModel, components: FloatArray, mode: str) -> Estimate:
    """Severity of the best kind of this mode with its 90 % interval, from the severity grid."""
    kinds = [c for c in model.present if model.settings.components[c].mode == mode]
    best = max(kinds, key=lambda c: float(components[c].max()))
    component = model.settings.components[best]
    weight = np.exp(model.temperature * (components[best] - float(components[best].max())))
    share = np.cumsum(weight) / weight.sum() - 0.5 * weight / weight.sum()
    grid = np.linspace(0.0, 1.0, _GRID)

    def at(level: float) -> float:
        step = float(np.interp(level, share, grid))
        return float(component.least * (component.most / component.least) ** step)

    return Estimate(at(0.5), at(0.05), at(0.95), FAULT_KINDS[component.kind].unit)

"""From simulated cases to a likelihood ratio for every failure mode at every firing position.

A conditional logit shared by all firing positions: score(mode m at position p) = w_m . phi(y_p) +
b_m, a sound engine scores 0, and the scores of one recording compete (softmax). y_p are the
features seen from position p less what a sound engine shows there, over the spread of sound
engines; phi is y cut at 8, and its size. Fitted by penalised maximum likelihood, the penalty chosen
on cases left out in turn. See docs/theory/reference.md.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from zipfile import BadZipFile

import numpy as np
from scipy.special import logsumexp

from ringland.model import CaseEvidence, CylinderSet, EngineSpec, Estimate, MetricTable
from ringland.model._arrays import FloatArray, IntArray, read_only
from ringland.reference.features import recording_features
from ringland.reference.plan import CaseSettings
from ringland.simulator.faults import FAULT_KINDS

__all__ = [
    "CaseFeatures",
    "CaseModel",
    "evaluate",
    "evaluate_features",
    "fit_cases",
    "keep_model",
    "load_model",
]

_PENALTIES = (1.0, 3.0, 10.0)
_FURTHEST = 8.0
_SEVERITY_PENALTY = 30.0


@dataclass(frozen=True, eq=False)
class CaseFeatures:
    """What the pipeline measured on all cases.

    `values` (cases, positions, features), NaN where not measured; `component` (cases, positions),
    -1 for a sound cylinder; `step` (cases, positions): where the severity lies between least (0)
    and most (1), in logarithm.
    """

    names: tuple[str, ...]
    values: FloatArray
    component: IntArray
    step: FloatArray


@dataclass(frozen=True, eq=False)
class CaseModel:
    """The fitted likelihood.

    `usual`, `spread` (positions, features) and (features,): a sound engine. `weights` (2 features,
    modes), `bias` (modes,): the logit. `severity` (2 features + 1, modes) predicts the step of
    severity, `severity_error` (modes,) its standard error on cases left out. `log_share` (modes,):
    log of how often a mode was simulated at one position, over how often a sound engine was.
    `far`: root mean square feature beyond which nothing simulated resembles it.
    """

    settings: CaseSettings
    names: tuple[str, ...]
    modes: tuple[str, ...]
    usual: FloatArray
    spread: FloatArray
    weights: FloatArray
    bias: FloatArray
    severity: FloatArray
    severity_error: FloatArray
    log_share: FloatArray
    penalty: float
    far: float
    cases: int

    def __post_init__(self) -> None:
        for name in _ARRAYS:
            object.__setattr__(self, name, read_only(getattr(self, name)))


_ARRAYS = (
    "usual",
    "spread",
    "weights",
    "bias",
    "severity",
    "severity_error",
    "log_share",
)


def keep_model(model: CaseModel, path: Path) -> None:
    """Write a fitted likelihood, so that the next recording need not fit it again."""
    unfinished = path.with_suffix(".part.npz")
    np.savez(
        unfinished,
        names=json.dumps([model.names, model.modes]),
        numbers=np.array([model.penalty, model.far, float(model.cases)]),
        **{name: getattr(model, name) for name in _ARRAYS},
    )
    unfinished.replace(path)


def load_model(path: Path, settings: CaseSettings) -> CaseModel | None:
    """A kept likelihood; None when there is none or it cannot be read."""
    if not path.is_file():
        return None
    try:
        with np.load(path, allow_pickle=False) as data:
            names, modes = json.loads(str(data["names"]))
            penalty, far, cases = (float(v) for v in data["numbers"])
            return CaseModel(
                settings=settings,
                names=tuple(names),
                modes=tuple(modes),
                penalty=penalty,
                far=far,
                cases=int(cases),
                **{name: data[name] for name in _ARRAYS},
            )
    except (OSError, ValueError, KeyError, BadZipFile):
        return None


def _scaled(values: FloatArray, usual: FloatArray, spread: FloatArray) -> FloatArray:
    """Deviation from a sound engine over its spread, squashed; 0 where not measured."""
    scaled: FloatArray = np.nan_to_num(2.0 * np.arcsinh((values - usual) / spread / 2.0))
    return np.clip(scaled, -_FURTHEST, _FURTHEST) / 2.0


def _phi(y: FloatArray) -> FloatArray:
    return np.concatenate([y, np.abs(y)], axis=-1)


def _targets(features: CaseFeatures, settings: CaseSettings, modes: Sequence[str]) -> FloatArray:
    """(cases, 1 + positions x modes): 1 for what is true, shared by the two places of a pair."""
    cases, positions = features.component.shape
    targets = np.zeros((cases, 1 + positions * len(modes)))
    for case in range(cases):
        faulty = np.flatnonzero(features.component[case] >= 0)
        if len(faulty) == 0:
            targets[case, 0] = 1.0
        for p in faulty:
            mode = settings.components[features.component[case, p]].mode
            targets[case, 1 + p * len(modes) + modes.index(mode)] = 1.0 / len(faulty)
    return targets


def _scores(phi: FloatArray, weights: FloatArray, bias: FloatArray) -> FloatArray:
    """(cases, 1 + positions x modes)."""
    cases = len(phi)
    local = (phi @ weights + bias).reshape(cases, -1)
    return np.concatenate([np.zeros((cases, 1)), local], axis=1)


def _fit_logit(
    phi: FloatArray, targets: FloatArray, modes: int, penalty: float, *, steps: int = 120
) -> tuple[FloatArray, FloatArray]:
    """Weights and biases of the penalised maximum likelihood (convex; L-BFGS)."""
    from scipy.optimize import minimize

    cases, positions, k = phi.shape

    def loss(flat: FloatArray) -> tuple[float, FloatArray]:
        weights, bias = flat[: k * modes].reshape(k, modes), flat[k * modes :]
        scores = _scores(phi, weights, bias)
        total = logsumexp(scores, axis=1)
        wrong = (np.exp(scores - total[:, None]) - targets)[:, 1:].reshape(cases, positions, modes)
        slope = np.einsum("npk,npm->km", phi, wrong) + penalty * weights
        value = float(total.sum() - (targets * scores).sum() + 0.5 * penalty * (weights**2).sum())
        return value, np.concatenate([slope.ravel(), wrong.sum((0, 1))])

    start = np.zeros(k * modes + modes)
    found = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": steps})
    flat = np.asarray(found.x, dtype=np.float64)
    return flat[: k * modes].reshape(k, modes), flat[k * modes :]


def _best_penalty(phi: FloatArray, targets: FloatArray, modes: int) -> float:
    """The penalty with the least log loss on cases left out in turn (three parts)."""
    fold = np.arange(len(phi)) % 3
    losses = []
    for penalty in _PENALTIES:
        loss = 0.0
        for part in range(3):
            weights, bias = _fit_logit(
                phi[fold != part], targets[fold != part], modes, penalty, steps=40
            )
            scores = _scores(phi[fold == part], weights, bias)
            loss += float(logsumexp(scores, axis=1).sum() - (targets[fold == part] * scores).sum())
        losses.append(loss)
    return _PENALTIES[int(np.argmin(losses))]


def fit_cases(
    features: CaseFeatures, settings: CaseSettings, names: Sequence[str] | None = None
) -> CaseModel:
    """The likelihood from measured cases, using the features in `names` (default: all)."""
    if names is not None:
        keep = [i for i, n in enumerate(features.names) if n in set(names)]
        features = CaseFeatures(
            tuple(features.names[i] for i in keep),
            features.values[:, :, keep],
            features.component,
            features.step,
        )
    sound = (features.component < 0).all(1)
    rest = features.values[sound] if sound.sum() >= 4 else features.values
    seen = ~np.isnan(rest)
    usual = np.where(seen, rest, 0.0).sum(0) / np.maximum(seen.sum(0), 1)
    away = np.abs(rest - usual)[seen.any(2)]
    spread = np.ones(len(features.names))
    for column in range(len(spread)):
        known = away[:, column][~np.isnan(away[:, column])]
        middle = 1.4826 * float(np.median(known)) if len(known) else 0.0
        spread[column] = middle if middle > 1e-9 else (float(known.std()) if len(known) else 1.0)
    spread = np.where(spread > 1e-9, spread, 1.0)
    y = _scaled(features.values, usual, spread)
    phi = _phi(y)
    present = sorted({settings.components[c].mode for c in np.unique(features.component) if c >= 0})
    targets = _targets(features, settings, present)
    penalty = _best_penalty(phi, targets, len(present))
    weights, bias = _fit_logit(phi, targets, len(present), penalty)
    counts = targets[:, 1:].reshape(len(y), -1, len(present)).sum((0, 1))
    severity, error = _severity_fit(phi, features, settings, present)
    return CaseModel(
        settings=settings,
        names=features.names,
        modes=tuple(present),
        usual=usual,
        spread=spread,
        weights=weights,
        bias=bias,
        severity=severity,
        severity_error=error,
        log_share=np.log(counts / y.shape[1]) - np.log(max(float(targets[:, 0].sum()), 1.0)),
        penalty=penalty,
        far=float(1.5 * np.quantile(np.sqrt((y**2).mean(2)), 0.999)),
        cases=len(y),
    )


def _severity_fit(
    phi: FloatArray, features: CaseFeatures, settings: CaseSettings, modes: Sequence[str]
) -> tuple[FloatArray, FloatArray]:
    """Ridge regression of the severity step on the features of the faulty cylinder, per mode, and
    its error on cases left out one by one."""
    of = np.array([modes.index(c.mode) if c.mode in modes else -1 for c in settings.components])
    coefficients = np.zeros((phi.shape[2] + 1, len(modes)))
    errors = np.full(len(modes), 0.3)
    for m in range(len(modes)):
        rows = (features.component >= 0) & (of[np.maximum(features.component, 0)] == m)
        x, t = phi[rows], features.step[rows]
        if len(t) < 4:
            coefficients[-1, m] = 0.5
            continue
        middle = float(t.mean())
        centre = x.mean(0)
        a = x - centre
        # the dual form: as many equations as cases
        gram = a @ a.T + _SEVERITY_PENALTY * np.eye(len(t))
        inverse = np.linalg.inv(gram)
        coefficients[:-1, m] = a.T @ inverse @ (t - middle)
        coefficients[-1, m] = middle - centre @ coefficients[:-1, m]
        left_out = (inverse @ (t - middle)) / np.diag(inverse)
        errors[m] = max(0.05, float(np.sqrt(np.mean(left_out**2))))
    return coefficients, errors


def evaluate(
    model: CaseModel, table: MetricTable, cylinders: CylinderSet, engine: EngineSpec
) -> CaseEvidence | None:
    """What the cases say of one recording; None when none of its features was learnt."""
    names, values = recording_features(table, cylinders, engine)
    shared = [n for n in names if n in model.names]
    if not shared:
        return None
    arranged = np.full((engine.cylinders, len(model.names)), np.nan)
    for name in shared:
        arranged[:, model.names.index(name)] = values[:, names.index(name)]
    return evaluate_features(model, arranged)


def evaluate_features(model: CaseModel, values: FloatArray) -> CaseEvidence:
    """The same from features in the model's own order, (positions, features)."""
    y = _scaled(values, model.usual, model.spread)
    phi = _phi(y)
    ratios = phi @ model.weights + model.bias - model.log_share
    steps = phi @ model.severity[:-1] + model.severity[-1]
    log_ratio: dict[tuple[str, int | None], float] = {}
    severity: dict[tuple[str, int | None], Estimate] = {}
    for position in range(len(values)):
        for m, mode in enumerate(model.modes):
            log_ratio[mode, position + 1] = float(ratios[position, m])
            severity[mode, position + 1] = _severity(
                model, mode, float(steps[position, m]), float(model.severity_error[m])
            )
    size = np.sqrt((y**2).mean(1))
    strange = [int(p) + 1 for p in np.flatnonzero(size > model.far)]
    # something that is not in the list looks like the average of what is
    unknown = float(logsumexp(ratios) - np.log(ratios.size))
    return CaseEvidence(
        log_ratio=log_ratio,
        none_of_these=unknown + (6.0 if strange else 0.0),
        metrics=model.names,
        resembles_nothing=_strange(model, strange),
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


def _severity(model: CaseModel, mode: str, step: float, error: float) -> Estimate:
    """Severity with its 90 % interval, in the unit of the first kind that stands for the mode."""
    component = next(c for c in model.settings.components if c.mode == mode)

    def at(where: float) -> float:
        inside = min(max(where, 0.0), 1.0)
        return float(component.least * (component.most / component.least) ** inside)

    half = 1.645 * error
    return Estimate(at(step), at(step - half), at(step + half), FAULT_KINDS[component.kind].unit)

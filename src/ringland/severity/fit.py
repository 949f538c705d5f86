"""Severity of one fault, in its physical unit, with a 90 % interval."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ringland.model import Estimate
from ringland.model._arrays import FloatArray, read_only
from ringland.severity.emulator import FaultCycles, recentred
from ringland.severity.evidence import Explanation, explain, with_paths
from ringland.severity.measured import MeasuredChannel
from ringland.simulator.faults import FAULT_KINDS

__all__ = [
    "MODEL_DISCREPANCY",
    "FaultFit",
    "fit_fault",
    "severity_from_all",
    "severity_interval",
    "severity_steps",
]

_STEPS = 20
_BELOW_LEAST = 0.7
_RECENTRED = 2
MODEL_DISCREPANCY = 0.28
"""Standard deviation of the logarithm of severity beyond what the fit itself says, so that nine in
ten of the development cases lie inside (validation/severity.py --development)."""


@dataclass(frozen=True, eq=False)
class FaultFit:
    """What the recording says of the severity of one fault.

    `severity` (s,), evenly spaced in its logarithm, and `probability` (s,) of each; `estimate` the
    median with its 90 % interval; `log_evidence` at `severity_steps`; `best` the likeliest severity
    explained, and `cycles` the simulation it was explained with.
    """

    severity: FloatArray
    probability: FloatArray
    estimate: Estimate
    log_evidence: FloatArray
    best: Explanation
    cycles: FaultCycles

    def __post_init__(self) -> None:
        for name in ("severity", "probability", "log_evidence"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def severity_steps(kind: str, count: int = _STEPS) -> FloatArray:
    """Severities to try, from just below what can be felt to the most the kind can have."""
    limits = FAULT_KINDS[kind]
    least = max(limits.least, 1e-3) * _BELOW_LEAST
    return np.geomspace(least, limits.most, count)


def fit_fault(
    channels: Sequence[MeasuredChannel],
    cycles: FaultCycles,
    *,
    progress: Callable[[float], None] | None = None,
) -> FaultFit:
    """Compare the recording with every severity of a simulated fault (eq 8).

    Then the engine is simulated anew with the unknowns where the recording puts them, as long as
    that explains the recording better (eq 9).
    """
    best = _fitted(channels, cycles)
    for number in range(_RECENTRED):
        if progress is not None:
            progress((number + 1) / (_RECENTRED + 1))
        better = _fitted(channels, recentred(best.cycles, best.best.unknown))
        if better.best.log_evidence < best.best.log_evidence:
            break
        best = better
    if progress is not None:
        progress(1.0)
    return replace(best, best=with_paths(channels, best.cycles, best.best))


def _fitted(channels: Sequence[MeasuredChannel], cycles: FaultCycles) -> FaultFit:
    steps = severity_steps(cycles.kind)
    tried: list[Explanation] = []
    for severity in steps:
        start = tried[-1].unknown if tried else None
        tried.append(explain(channels, cycles, float(severity), start))
    log_evidence = np.array([e.log_evidence for e in tried])
    best = tried[int(np.argmax(log_evidence))]
    fine, probability, estimate = severity_interval(cycles.kind, log_evidence)
    return FaultFit(fine, probability, estimate, log_evidence, best, cycles)


def severity_interval(
    kind: str, log_evidence: FloatArray, extra: float | None = None
) -> tuple[FloatArray, FloatArray, Estimate]:
    """Severities, their probability and the median with its 90 % interval, from the evidence at
    `severity_steps`; `extra` in place of the model discrepancy."""
    wider = MODEL_DISCREPANCY if extra is None else extra
    fine, probability = _probability(kind, log_evidence, wider)
    return fine, probability, _interval(kind, fine, probability)


def severity_from_all(kind: str, told: Sequence[tuple[FloatArray, float]]) -> Estimate:
    """The median with its 90 % interval from several recordings of different sorts: each with its
    evidence at `severity_steps` and its own model discrepancy, which is no other's (eq 13)."""
    together: FloatArray | None = None
    for log_evidence, discrepancy in told:
        fine, probability = _probability(kind, log_evidence, discrepancy)
        together = probability if together is None else together * probability
    assert together is not None
    return _interval(kind, fine, together / together.sum())


def _probability(
    kind: str, log_evidence: FloatArray, discrepancy: float
) -> tuple[FloatArray, FloatArray]:
    steps = severity_steps(kind, len(log_evidence))
    fine = np.geomspace(steps[0], steps[-1], 8 * len(steps))
    smooth = np.interp(np.log(fine), np.log(steps), log_evidence)
    probability = np.exp(smooth - smooth.max())
    return fine, _widened(probability / probability.sum(), fine, discrepancy)


def _interval(kind: str, severity: FloatArray, probability: FloatArray) -> Estimate:
    low, middle, high = np.interp((0.05, 0.5, 0.95), np.cumsum(probability), severity)
    return Estimate(float(middle), float(low), float(high), FAULT_KINDS[kind].unit)


def _widened(probability: FloatArray, severity: FloatArray, extra: float) -> FloatArray:
    """The same blurred by the model discrepancy; what leaves the range stays at its end."""
    if extra <= 0.0:
        return probability
    step = float(np.log(severity[1] / severity[0]))
    reach = int(np.ceil(4.0 * extra / step))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) * step / extra) ** 2)
    wide = np.convolve(probability, kernel / kernel.sum())
    inside = wide[reach : len(wide) - reach].copy()
    inside[0] += wide[:reach].sum()
    inside[-1] += wide[len(wide) - reach :].sum()
    return np.asarray(inside / inside.sum())

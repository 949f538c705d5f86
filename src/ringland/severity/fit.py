"""Severity of one fault, in its physical unit, with a 90 % interval."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ringland.model import Estimate
from ringland.model._arrays import FloatArray, read_only
from ringland.severity.emulator import FaultCycles
from ringland.severity.evidence import Explanation, explain
from ringland.severity.measured import MeasuredChannel
from ringland.simulator.faults import FAULT_KINDS

__all__ = ["FaultFit", "fit_fault", "severity_steps"]

_STEPS = 20
_BELOW_LEAST = 0.7
_EXTRA = {"ring_leak": 0.12}
_EXTRA_ELSE = 0.12
"""Model discrepancy: standard deviation of the logarithm of severity beyond what the fit itself
says, from validation/severity.py."""


@dataclass(frozen=True, eq=False)
class FaultFit:
    """What the recording says of the severity of one fault.

    `severity` (s,), evenly spaced in its logarithm, and `probability` (s,) of each; `estimate` the
    median with its 90 % interval; `best` the likeliest severity explained.
    """

    severity: FloatArray
    probability: FloatArray
    estimate: Estimate
    best: Explanation

    def __post_init__(self) -> None:
        object.__setattr__(self, "severity", read_only(self.severity))
        object.__setattr__(self, "probability", read_only(self.probability))


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
    """Compare the recording with every severity of a simulated fault (eq 8)."""
    steps = severity_steps(cycles.kind)
    tried = []
    for number, severity in enumerate(steps, start=1):
        tried.append(explain(channels, cycles, float(severity)))
        if progress is not None:
            progress(number / len(steps))
    log_evidence = np.array([e.log_evidence for e in tried])
    best = tried[int(np.argmax(log_evidence))]
    fine = np.geomspace(steps[0], steps[-1], 8 * len(steps))
    smooth = np.interp(np.log(fine), np.log(steps), log_evidence)
    probability = np.exp(smooth - smooth.max())
    probability = _widened(probability / probability.sum(), fine, cycles.kind)
    low, middle, high = np.interp((0.05, 0.5, 0.95), np.cumsum(probability), fine)
    unit = FAULT_KINDS[cycles.kind].unit
    return FaultFit(fine, probability, Estimate(float(middle), float(low), float(high), unit), best)


def _widened(probability: FloatArray, severity: FloatArray, kind: str) -> FloatArray:
    """The same blurred by the model discrepancy; what leaves the range stays at its end."""
    extra = _EXTRA.get(kind, _EXTRA_ELSE)
    step = float(np.log(severity[1] / severity[0]))
    reach = int(np.ceil(4.0 * extra / step))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) * step / extra) ** 2)
    wide = np.convolve(probability, kernel / kernel.sum())
    inside = wide[reach : len(wide) - reach].copy()
    inside[0] += wide[:reach].sum()
    inside[-1] += wide[len(wide) - reach :].sum()
    return np.asarray(inside / inside.sum())

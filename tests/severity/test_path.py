"""The path's prior against what any causal path must do."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ringland.engines import layout
from ringland.model import Geometry, ValveTiming
from ringland.severity.fit import severity_interval, severity_steps
from ringland.severity.path import CRANKCASE, EXHAUST, PathPrior, path_covariance
from ringland.severity.unknowns import unknowns_of


@pytest.mark.parametrize("prior", [EXHAUST, CRANKCASE])
@settings(deadline=None)
@given(cycle_hz=st.floats(2.0, 40.0), count=st.integers(4, 40))
def test_the_covariance_is_one(prior: PathPrior, cycle_hz: float, count: int) -> None:
    covariance = path_covariance(np.arange(1, count + 1, dtype=np.float64) * cycle_hz, prior)
    assert covariance == pytest.approx(covariance.T, abs=1e-9)
    assert np.linalg.eigvalsh(covariance).min() > -1e-6


def test_echoes_come_late() -> None:
    """Paths drawn from the prior have their echoes after, not before, the direct sound.

    log H = sum of a exp(-2 pi j f lag) with lag > 0 is the logarithm of a causal minimum-phase
    path (Oppenheim and Schafer, Discrete-Time Signal Processing, ch. on the cepstrum: its complex
    cepstrum is zero for negative lags; from memory). So the lags of g must be positive.
    """
    f = np.arange(1, 257, dtype=np.float64)
    prior = PathPrior(0.0, 1e-6, 0.0, 1e-6, 1.0, 0.02, 0.01, 0.003, 300.0)
    covariance = path_covariance(f, prior, gain_sd=1e-6)
    rng = np.random.default_rng(1)
    root = np.linalg.cholesky(covariance + 1e-9 * np.eye(len(covariance)))
    early = late = 0.0
    for _ in range(40):
        draw = root @ rng.standard_normal(len(covariance))
        g = (draw[:256] + 1j * draw[256:]) * np.hanning(256)
        lags = np.abs(np.fft.ifft(g)) ** 2  # exp(-2 pi j f lag) is a line at -lag of the inverse
        late += float(lags[129:253].sum())
        early += float(lags[4:128].sum())
    assert max(late, early) > 20.0 * min(late, early)
    # the kernel itself: lag T mean, so the phase of the covariance falls with f - f'
    between = covariance[1, 0] + 1j * covariance[257, 0]
    assert between.imag < 0.0


@settings(deadline=None)
@given(
    evidence=st.lists(st.floats(-50.0, 50.0), min_size=20, max_size=20),
    kind=st.sampled_from(["ring_leak", "late_burn", "weak_burn"]),
)
def test_an_interval_holds_its_value_and_stays_in_range(evidence: list[float], kind: str) -> None:
    fine, probability, found = severity_interval(kind, np.array(evidence))
    assert probability.sum() == pytest.approx(1.0, abs=1e-9)
    assert found.low is not None
    assert found.high is not None
    assert fine[0] <= found.low <= found.high <= fine[-1]


def test_a_single_likely_severity_gets_the_stated_discrepancy() -> None:
    """A spike widened by a normal in the logarithm: the 5 and 95 % points by hand."""
    evidence = np.full(20, -1e4)
    evidence[10] = 0.0
    steps = severity_steps("ring_leak")
    _, _, found = severity_interval("ring_leak", evidence, 0.2)
    assert found.low == pytest.approx(steps[10] * np.exp(-1.645 * 0.2), rel=0.03)
    assert found.high == pytest.approx(steps[10] * np.exp(1.645 * 0.2), rel=0.03)


def test_what_is_described_is_not_unknown() -> None:
    plain = layout("I4-1342").engine
    told = replace(
        plain,
        geometry=Geometry(0.08, 0.08, 0.14, 10.0),
        valve_timing=ValveTiming(130.0, 370.0, 350.0, 600.0),
    )
    names = {u.id for u in unknowns_of(plain)} - {u.id for u in unknowns_of(told)}
    assert names == {
        "bore", "stroke", "compression ratio", "exhaust opening", "exhaust closing",
        "inlet opening", "inlet closing",
    }  # fmt: skip

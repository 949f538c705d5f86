"""Correlation between cycles: closed form, a second program, and coverage."""

import numpy as np
import pytest
from scipy.signal import lfilter
from statsmodels.regression.linear_model import OLS

from ringland.model._arrays import FloatArray
from ringland.verify.within import bandwidth, inflation, long_run_variance


def ar1(rho: float, count: int, rng: np.random.Generator) -> FloatArray:
    noise = rng.standard_normal(count + 200)
    return np.asarray(lfilter([1.0], [1.0, -rho], noise)[200:])


@pytest.mark.parametrize("lags", [1, 4, 9])
def test_against_statsmodels(lags: int) -> None:
    x = ar1(0.5, 200, np.random.default_rng(1))
    fitted = OLS(x, np.ones(len(x))).fit(cov_type="HAC", cov_kwds={"maxlags": lags})
    assert long_run_variance(x, lags) / len(x) == pytest.approx(float(fitted.cov_params()[0, 0]))


def test_independent_cycles_are_left_alone() -> None:
    rng = np.random.default_rng(2)
    found = [inflation(rng.standard_normal(150)) for _ in range(100)]
    assert np.median(found) < 1.1
    assert min(found) == 1.0


def test_against_the_closed_form_of_a_first_order_process() -> None:
    # variance of the mean of an AR(1) process over the independent one: (1 + rho) / (1 - rho)
    rng = np.random.default_rng(3)
    found = np.median([inflation(ar1(0.5, 20_000, rng)) for _ in range(10)])
    assert found == pytest.approx(3.0**0.5, rel=0.05)


def test_coverage_of_hunting_idle() -> None:
    """AR(1) with rho = 0.4, 130 cycles: 90 % intervals hold 72 % uncorrected."""
    rng = np.random.default_rng(4)
    plain = corrected = 0
    for _ in range(800):
        x = ar1(0.4, 130, rng)
        error = float(np.std(x, ddof=1)) / 130**0.5
        plain += abs(float(x.mean())) < 1.645 * error
        corrected += abs(float(x.mean())) < 1.645 * error * inflation(x)
    assert plain < 0.76 * 800
    assert corrected > 0.86 * 800


def test_bandwidth_rule() -> None:
    assert [bandwidth(n) for n in (8, 100, 150, 1000)] == [2, 4, 4, 6]


def test_nothing_to_say_of_few_or_equal_cycles() -> None:
    assert inflation(np.ones(50)) == 1.0
    assert inflation(np.array([1.0, 2.0])) == 1.0
    assert inflation(np.full(50, np.nan)) == 1.0

"""EWMA and CUSUM against published worked examples."""

import numpy as np
import pytest

from ringland.errors import SettingError
from ringland.history.charts import cusum, ewma, ewma_limits

# NIST/SEMATECH e-Handbook 6.3.2.4: data and printed averages.
NIST_EWMA = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
]  # fmt: skip
NIST_EWMA_PRINTED = [
    50.00, 50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip
# NIST/SEMATECH e-Handbook 6.3.2.3.
NIST_CUSUM = [
    324.925, 324.675, 324.725, 324.35, 325.35, 325.225, 324.125, 324.525, 325.225, 324.6,
    324.625, 325.15, 328.325, 327.25, 327.825, 328.5, 326.675, 327.775, 326.875, 328.35,
]  # fmt: skip
# Montgomery and Runger, Applied Statistics and Probability for Engineers, example 16-6.
MONTGOMERY = [
    102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1,
    101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0,
]  # fmt: skip


def test_nist_ewma() -> None:
    found = ewma(np.array(NIST_EWMA), start=50.0, weight=0.3)
    assert found == pytest.approx(NIST_EWMA_PRINTED, abs=0.0051)
    low, high = ewma_limits(50.0, 2.0539, weight=0.3)
    assert (low, high) == pytest.approx((47.4115, 52.5884), abs=1e-3)
    assert ((found > low) & (found < high)).all()


def test_nist_cusum() -> None:
    found = cusum(np.array(NIST_CUSUM), target=325.0, slack=0.3175, decision=4.1959)
    assert found.high[[4, 12, 13, 14, 19]] == pytest.approx([0.0325, 3.0075, 4.94, 7.4475, 19.035])
    assert found.low[[1, 3, 6, 7, 10]] == pytest.approx([0.0075, 0.3325, 0.5575, 0.715, 0.3125])
    assert found.first_signal == 13  # the 14th group


def test_montgomery_cusum() -> None:
    found = cusum(np.array(MONTGOMERY), target=99.0, slack=1.0, decision=10.0)
    printed_high = [2, 0, 0, 0, 2, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0]
    printed_low = [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0]
    assert found.high == pytest.approx(printed_high, abs=0.05)
    assert found.low == pytest.approx(printed_low, abs=0.05)
    assert found.first_signal is None


def test_limits_widen_to_the_settled_ones() -> None:
    early, late = ewma_limits(0.0, 1.0, visits=1), ewma_limits(0.0, 1.0, visits=50)
    assert early[1] == pytest.approx(3.0 * 0.3)  # one value of weight 0.3
    assert late == pytest.approx(ewma_limits(0.0, 1.0), rel=1e-6)


def test_a_weight_of_nothing_is_refused() -> None:
    with pytest.raises(SettingError, match="EWMA"):
        ewma(np.array([1.0]), start=0.0, weight=0.0)

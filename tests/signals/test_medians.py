"""Short medians against numpy's."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays
from numpy.typing import NDArray

from ringland.signals import column_medians, median, quantile

NUMBERS = st.floats(-1e6, 1e6) | st.just(float("nan"))


@given(arrays(np.float64, array_shapes(min_dims=1, max_dims=1), elements=NUMBERS))
def test_a_median_is_that_of_numpy_and_changes_nothing(values: NDArray[np.float64]) -> None:
    before = values.copy()
    assert median(values) == pytest.approx(float(np.median(values)), nan_ok=True)
    np.testing.assert_array_equal(values, before)


@pytest.mark.filterwarnings("ignore:All-NaN slice")
@given(arrays(np.float64, array_shapes(min_dims=2, max_dims=2), elements=NUMBERS))
def test_column_medians_leave_out_what_is_missing(values: NDArray[np.float64]) -> None:
    np.testing.assert_allclose(column_medians(values), np.nanmedian(values, axis=0))


def test_nothing_has_no_median() -> None:
    assert np.isnan(median(np.zeros(0)))
    assert np.isnan(column_medians(np.zeros((0, 2)))).all()


@given(arrays(np.float64, array_shapes(min_dims=1, max_dims=1), elements=st.floats(-1e6, 1e6)),
       st.floats(0.0, 1.0))  # fmt: skip
def test_a_quantile_is_that_of_numpy(values: NDArray[np.float64], share: float) -> None:
    assert quantile(values, share) == pytest.approx(float(np.quantile(values, share)), abs=1e-6)


def test_nothing_has_no_quantile() -> None:
    assert np.isnan(quantile(np.zeros(0), 0.5))

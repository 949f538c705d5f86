"""ISO 5725-2: worked example and tables, and what must hold whatever the numbers."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ringland.errors import SettingError
from ringland.verify.precision import (
    cochran_critical,
    grubbs,
    grubbs_critical,
    mandel_h_critical,
    mandel_k_critical,
    precision,
)

# ISO 5725-2:1994 annex B.1, sulfur in coal, level 1, eight laboratories (data from memory; they
# give back the printed m = 0.690, s_r = 0.015, s_R = 0.026).
COAL = [
    [0.71, 0.71, 0.70, 0.71],
    [0.69, 0.67, 0.68],
    [0.66, 0.65, 0.69],
    [0.67, 0.65, 0.66],
    [0.70, 0.69, 0.66, 0.71, 0.69],
    [0.73, 0.74, 0.73],
    [0.71, 0.71, 0.69],
    [0.70, 0.65, 0.68],
]
# ASTM E691, glucose in serum, material A (data from memory; they give back the printed mean
# 41.5183, s_r = s_R = 1.0632 and the printed h and k).
GLUCOSE = [
    [41.03, 41.45, 41.37],
    [41.17, 42.00, 41.15],
    [41.01, 40.68, 42.66],
    [39.37, 42.37, 42.63],
    [41.88, 41.19, 41.32],
    [43.28, 40.50, 42.28],
    [41.08, 41.27, 39.02],
    [43.36, 42.65, 41.72],
]


def test_sulfur_in_coal() -> None:
    found = precision(COAL)
    assert found.mean == pytest.approx(0.690, abs=5e-4)
    assert found.repeatability_sd == pytest.approx(0.015, abs=5e-4)
    assert found.reproducibility_sd == pytest.approx(0.026, abs=5e-4)
    assert found.degrees == 19


def test_glucose_in_serum() -> None:
    found = precision(GLUCOSE)
    assert found.mean == pytest.approx(41.5183, abs=5e-5)
    assert found.repeatability_sd == pytest.approx(1.0632, abs=5e-5)
    assert found.reproducibility_sd == pytest.approx(1.0632, abs=5e-5)
    assert found.repeatability_limit == pytest.approx(2.98, abs=5e-3)
    assert np.round(found.h, 2).tolist() == [-0.39, -0.13, -0.11, -0.10, -0.09, 0.83, -1.75, 1.75]
    assert np.round(found.k, 2).tolist() == [0.21, 0.46, 1.00, 1.70, 0.34, 1.32, 1.17, 0.77]


# Printed tables of ISO 5725-2 (4, 5, 6 and 7) and ASTM E691 (h, k at 0.5 %), from memory.
@pytest.mark.parametrize(
    ("cells", "repeats", "level", "printed"),
    [(8, 3, 0.05, 0.516), (8, 3, 0.01, 0.615), (10, 3, 0.05, 0.445), (6, 2, 0.05, 0.781)],
)
def test_cochran_table(cells: int, repeats: int, level: float, printed: float) -> None:
    assert cochran_critical(cells, repeats, level) == pytest.approx(printed, abs=1.1e-3)


@pytest.mark.parametrize(
    ("count", "level", "printed"),
    [(3, 0.05, 1.155), (6, 0.05, 1.887), (8, 0.05, 2.126), (8, 0.01, 2.274), (10, 0.05, 2.290)],
)
def test_grubbs_table(count: int, level: float, printed: float) -> None:
    assert grubbs_critical(count, level) == pytest.approx(printed, abs=1.1e-3)


def test_mandel_tables() -> None:
    assert mandel_h_critical(8, 0.005) == pytest.approx(2.15, abs=5e-3)
    assert mandel_k_critical(8, 3, 0.005) == pytest.approx(2.06, abs=5e-3)
    assert mandel_h_critical(8, 0.01) == pytest.approx(2.06, abs=5e-3)


def test_the_lone_value_is_pointed_at() -> None:
    index, size = grubbs([5.0, 5.1, 4.9, 5.0, 9.0])
    assert index == 4
    assert size > grubbs_critical(5)


def test_nothing_repeated_is_refused() -> None:
    with pytest.raises(SettingError, match="more than once"):
        precision([[1.0], [2.0]])


numbers = st.floats(-1e3, 1e3, allow_nan=False)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.lists(numbers, min_size=2, max_size=5), min_size=2, max_size=6),
    st.floats(0.1, 10.0),
    st.floats(-100.0, 100.0),
)
def test_scale_and_offset(cells: list[list[float]], gain: float, offset: float) -> None:
    one = precision(cells)
    two = precision([[gain * v + offset for v in c] for c in cells])
    assert two.repeatability_sd == pytest.approx(gain * one.repeatability_sd, rel=1e-6, abs=1e-6)
    assert one.reproducibility_sd >= one.repeatability_sd
    assert one.degrees == sum(len(c) - 1 for c in cells)

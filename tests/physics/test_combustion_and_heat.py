"""Wiebe curve and heat transfer correlations at hand-worked points.

Wiebe: Heywood (1988) eq 9.30. Woschni: SAE 670931 as in Heywood eqs 12.36 to 12.38. Hohenberg: SAE
790825. Constants of both correlations from memory.
"""

import itertools
import math

import numpy as np
import pytest

from ringland.simulator.combustion import residual_speed_ratio, wiebe
from ringland.simulator.heat import hohenberg_w_m2k, woschni_speed_m_s, woschni_w_m2k

PROGRESS = [0.0, 0.1, 0.25, 0.5, 0.75, 0.9, 1.0]


@pytest.mark.parametrize(
    ("a", "form", "burned"),
    [
        (5.0, 2.0, [0.0, 0.004988, 0.075151, 0.464739, 0.878686, 0.973879, 0.993262]),
        (6.908, 2.0, [0.0, 0.006884, 0.102316, 0.578316, 0.945759, 0.9935, 0.999]),
        (5.0, 3.0, [0.0, 0.0005, 0.019342, 0.268384, 0.794443, 0.962391, 0.993262]),
    ],
)
def test_wiebe(a: float, form: float, burned: list[float]) -> None:
    got = [wiebe(y, a, form) for y in PROGRESS]
    assert got == pytest.approx(burned, abs=1e-6)


def test_wiebe_ten_fifty_ninety_points() -> None:
    y = np.linspace(0, 1, 100001)
    x = np.array([wiebe(float(v), 5.0, 2.0) for v in y])
    found = [float(np.interp(share, x, y)) for share in (0.1, 0.5, 0.9)]
    assert found == pytest.approx([0.276208, 0.517549, 0.772233], abs=1e-6)
    assert wiebe(-0.1, 5.0, 2.0) == 0.0
    assert wiebe(3.0, 5.0, 2.0) == wiebe(1.0, 5.0, 2.0)


@pytest.mark.parametrize(
    ("pressure_kpa", "t", "h"), [(2000.0, 1000.0, 636.05), (5000.0, 2200.0, 858.04)]
)
def test_woschni(pressure_kpa: float, t: float, h: float) -> None:
    # bore 86 mm, gas speed 22.8 m/s
    assert woschni_w_m2k(0.086, pressure_kpa, t, 22.8) == pytest.approx(h, rel=1e-4)
    assert woschni_speed_m_s(10.0, 0.0, 0.0, 0.0) == pytest.approx(22.8)
    assert woschni_speed_m_s(10.0, 1.0, 1.0, 1e5) == pytest.approx(61.8)


@pytest.mark.parametrize(
    ("pressure_bar", "t", "h"), [(20.0, 1000.0, 1052.52), (50.0, 2200.0, 1598.13)]
)
def test_hohenberg(pressure_bar: float, t: float, h: float) -> None:
    # volume 200 cc, mean piston speed 10 m/s
    assert hohenberg_w_m2k(200e-6, pressure_bar, t, 10.0) == pytest.approx(h, rel=1e-4)


def test_residual_gas_slows_the_flame_monotonically() -> None:
    ratios = [residual_speed_ratio(x) for x in np.linspace(0.0, 0.4, 41)]
    assert ratios[0] == 1.0
    assert all(a >= b for a, b in itertools.pairwise(ratios))
    assert residual_speed_ratio(0.2) == pytest.approx(1 - 2.06 * 0.2**0.77)
    assert math.isclose(residual_speed_ratio(0.9), 0.15)

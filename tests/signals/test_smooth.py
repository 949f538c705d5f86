"""Smoothing against the dense solution of the same equations, and against scipy."""

import numpy as np
import pytest
import scipy.interpolate

from ringland.signals import interpolate_cubic, smooth_weighted


@pytest.mark.parametrize("penalty", [0.01, 1.0, 100.0, 1e5])
def test_smoother_solves_its_normal_equations(penalty: float) -> None:
    """Whittaker smoother, Eilers, Anal. Chem. 75 (2003) 3631, eq. 5: (W + lambda D'D) z = W y."""
    rng = np.random.default_rng(2)
    n = 60
    values = np.asarray(np.cumsum(rng.standard_normal(n)), dtype=np.float64)
    weights = rng.uniform(0.1, 3.0, n)
    second = np.diff(np.eye(n), 2, axis=0)
    expected = np.linalg.solve(np.diag(weights) + penalty * second.T @ second, weights * values)
    found = smooth_weighted(values, weights, penalty)
    np.testing.assert_allclose(found, expected, atol=1e-6 * np.abs(values).max())


def test_a_straight_line_is_not_bent_however_stiff() -> None:
    line = np.asarray(2.0 - 0.5 * np.arange(30), dtype=np.float64)
    np.testing.assert_allclose(smooth_weighted(line, np.ones(30), 1e6), line, atol=1e-6)


def test_the_stiffest_curve_is_the_least_squares_line() -> None:
    values = np.random.default_rng(4).standard_normal(40)
    index = np.arange(40)
    line = np.polyval(np.polyfit(index, values, 1), index)
    np.testing.assert_allclose(smooth_weighted(values, np.ones(40), 1e9), line, atol=1e-3)


def test_what_has_no_weight_has_no_say() -> None:
    values = np.arange(20.0)
    weights = np.ones(20)
    values[7], weights[7] = 1e6, 0.0
    assert smooth_weighted(values, weights, 1.0)[7] == pytest.approx(7.0, abs=1e-3)


def test_two_points_give_their_weighted_mean() -> None:
    found = smooth_weighted(np.array([1.0, 4.0]), np.array([2.0, 1.0]), 1.0)
    assert found.tolist() == [2.0, 2.0]


def test_a_parabola_is_interpolated_exactly() -> None:
    """Three-point slopes are exact for a parabola, also at the ends and for uneven knots."""
    knots = np.array([0.0, 1.0, 1.5, 3.0, 4.2, 6.0])
    at = np.linspace(0.0, 6.0, 91)
    found = interpolate_cubic(knots, knots**2 - 2.0 * knots, at)
    np.testing.assert_allclose(found, at**2 - 2.0 * at, atol=1e-12)


def test_hermite_agrees_with_scipy() -> None:
    rng = np.random.default_rng(8)
    knots = np.cumsum(rng.uniform(0.5, 1.5, 25))
    values = np.sin(knots)
    slopes = [
        float(np.polyder(np.polyfit(knots[a : a + 3], values[a : a + 3], 2)) @ [x, 1.0])
        for x, a in ((knots[i], min(max(i - 1, 0), 22)) for i in range(25))
    ]
    at = np.sort(rng.uniform(knots[0], knots[-1], 200))
    expected = scipy.interpolate.CubicHermiteSpline(knots, values, slopes)(at)
    np.testing.assert_allclose(interpolate_cubic(knots, values, at), expected, atol=1e-9)
    shuffled = rng.permutation(200)
    np.testing.assert_allclose(
        interpolate_cubic(knots, values, at[shuffled]), expected[shuffled], atol=1e-9
    )


def test_beyond_the_ends_it_goes_straight_on() -> None:
    knots, values = np.array([0.0, 1.0, 2.0]), np.array([0.0, 2.0, 4.0])
    found = interpolate_cubic(knots, values, np.array([-1.0, 3.0]))
    np.testing.assert_allclose(found, [-2.0, 6.0])
    found = interpolate_cubic(knots[:2], values[:2], np.array([-1.0, 0.5, 3.0]))
    np.testing.assert_allclose(found, [-2.0, 1.0, 6.0])

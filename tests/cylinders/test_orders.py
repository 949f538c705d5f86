"""Order lines of exact pulse trains against their Fourier series."""

import numpy as np
import pytest

from ringland.cylinders.orders import firing_weights, imbalance_part, order_spectrum, shared_part
from ringland.model import AngleSignal, ChannelRole

POINTS = 720


def signal(values: np.ndarray) -> AngleSignal:
    """An angle signal of these rows."""
    mean = values.mean(axis=0)
    angle = np.arange(values.shape[1]) * 720.0 / values.shape[1]
    zero = np.zeros(values.shape[1])
    return AngleSignal(
        "p", ChannelRole.EXHAUST, "Pa", angle, values, mean, zero, mean, mean,
        tuple(range(len(values))),
    )  # fmt: skip


def impulses(angles: list[float], heights: list[float] | None = None) -> np.ndarray:
    """One cycle with one sample at each angle, scaled so that N equal pulses give lines of 1."""
    cycle = np.zeros(POINTS)
    for angle, height in zip(angles, heights or [1.0] * len(angles), strict=True):
        cycle[round(angle)] += height
    return np.asarray(cycle * POINTS / (2.0 * len(angles)))


def lines(cycle: np.ndarray, angles: list[float]) -> dict[float, float]:
    spectrum = order_spectrum(signal(np.tile(cycle, (4, 1))), np.array(angles), 720.0)
    return {line.order: line.amplitude for line in spectrum.lines}


# Discrete Fourier series of the train: |sum a exp(-i k theta)| / N at each order.
FOUR = [0.0, 180.0, 360.0, 540.0]
HEALTHY = {0.5: 0.0, 1: 0.0, 1.5: 0.0, 2: 1.0, 2.5: 0.0, 4: 1.0}
ONE_MISSING = {0.5: 0.25, 1: 0.25, 1.5: 0.25, 2: 0.75, 2.5: 0.25, 4: 0.75}


@pytest.mark.parametrize(
    ("heights", "expected"), [([1, 1, 1, 1], HEALTHY), ([1, 1, 0, 1], ONE_MISSING)]
)
def test_four_pulses_and_one_missing(heights: list[float], expected: dict[float, float]) -> None:
    """A missing pulse leaves 1 / N at every half order and (N - 1) / N at the shared ones."""
    found = lines(impulses(FOUR, heights), FOUR)
    for order, amplitude in expected.items():
        assert found[order] == pytest.approx(amplitude, abs=1e-9), order


# Closed form |cos(pi m beta / 240)| at order 1.5 m for intervals beta and 240 - beta.
SIX = {
    120: {0.5: 0.0, 1: 0.0, 1.5: 0.0, 3: 1.0, 4.5: 0.0, 6: 1.0},
    90: {0.5: 0.0, 1: 0.0, 1.5: 0.382683, 3: 0.707107, 4.5: 0.92388, 6: 0.0},
    108: {0.5: 0.0, 1: 0.0, 1.5: 0.156434, 3: 0.951057, 4.5: 0.45399, 6: 0.809017},
    60: {0.5: 0.0, 1: 0.0, 1.5: 0.707107, 3: 0.0, 4.5: 0.707107, 6: 1.0},
}


@pytest.mark.parametrize("first", SIX)
def test_six_cylinders_even_and_odd_firing(first: int) -> None:
    angles = [float(a) for k in range(3) for a in (240 * k, 240 * k + first)]
    found = lines(impulses(angles), angles)
    for order, amplitude in SIX[first].items():
        assert found[order] == pytest.approx(amplitude, abs=1e-6), order
        assert found[order] == pytest.approx(
            abs(np.cos(np.pi * order / 1.5 * first / 240.0)) if order % 1.5 == 0 else 0.0, abs=1e-9
        )


def test_a_healthy_odd_firing_engine_shows_no_imbalance() -> None:
    """Order 1.5 at 0.38 belongs to it: it is shared, not a fault."""
    angles = [float(a) for k in range(3) for a in (240 * k, 240 * k + 90)]
    rng = np.random.default_rng(2)
    rows = np.tile(impulses(angles), (40, 1)) + rng.standard_normal((40, POINTS))
    spectrum = order_spectrum(signal(rows), np.array(angles), 720.0)
    assert next(line for line in spectrum.lines if line.order == 1.5).shared
    assert spectrum.imbalance_p > 0.01


# Firing intervals heard at one outlet of a V8 with separate exhausts: arithmetic on the order.
BANKS = [
    ("1-8-4-3-6-5-7-2", (1, 3, 5, 7), [270, 180, 90, 180]),
    ("1-8-4-3-6-5-7-2", (2, 4, 6, 8), [90, 180, 270, 180]),
    ("1-8-7-2-6-5-4-3", (1, 3, 5, 7), [180, 270, 180, 90]),
    ("1-3-7-2-6-5-4-8", (1, 2, 3, 4), [90, 180, 270, 180]),
    ("1-3-7-2-6-5-4-8", (5, 6, 7, 8), [180, 90, 180, 270]),
    ("1-5-4-2-6-3-7-8", (1, 2, 3, 4), [180, 90, 180, 270]),
    ("1-5-4-8-6-3-7-2", (5, 6, 7, 8), [180, 90, 180, 270]),
    ("1-5-3-7-4-8-2-6", (1, 2, 3, 4), [180, 180, 180, 180]),
]


@pytest.mark.parametrize(("order", "bank", "gaps"), BANKS)
def test_intervals_of_one_bank(order: str, bank: tuple[int, ...], gaps: list[int]) -> None:
    """The weights of what equal cylinders share follow from these intervals alone."""
    angles = [90.0 * k for k, c in enumerate(order.split("-")) if int(c) in bank]
    heard = np.diff([*angles, angles[0] + 720.0])
    assert heard.tolist() in [gaps[k:] + gaps[:k] for k in range(4)]
    weights = firing_weights(np.array(angles), 720.0, 16)
    by_gaps = firing_weights(np.concatenate([[0.0], np.cumsum(gaps)[:-1]]), 720.0, 16)
    np.testing.assert_allclose(weights, by_gaps, atol=1e-12)
    cycle = impulses(angles)
    found = lines(cycle, angles)
    for k in range(1, 17):
        assert found[k / 2.0] == pytest.approx(np.sqrt(weights[k]), abs=1e-9)


def test_equal_cylinders_leave_no_imbalance() -> None:
    rng = np.random.default_rng(4)
    pulse = np.cumsum(rng.standard_normal(POINTS))
    pulse -= np.linspace(pulse[0], pulse[-1], POINTS)
    even = sum(np.roll(pulse, 180 * k) for k in range(4)) / 4.0
    assert isinstance(even, np.ndarray)
    left = imbalance_part(even - even.mean(), np.array(FOUR), 720.0)
    assert np.abs(left).max() < 1e-9 * np.ptp(pulse)
    both = shared_part(even, np.array(FOUR), 720.0) + imbalance_part(even, np.array(FOUR), 720.0)
    np.testing.assert_allclose(both, even, atol=1e-9)


def test_scatter_alone_seldom_looks_like_imbalance() -> None:
    """Under scatter alone at most 10 % of trials lie below 0.1 (fewer, since the larger of two
    estimates of scatter is used)."""
    rng = np.random.default_rng(6)
    p = []
    for _ in range(200):
        rows = np.tile(impulses(FOUR), (12, 1)) + rng.standard_normal((12, POINTS))
        p.append(order_spectrum(signal(rows), np.array(FOUR), 720.0).imbalance_p)
    assert all(0.0 <= x <= 1.0 for x in p)
    assert float(np.mean(np.array(p) < 0.1)) <= 0.1
    assert float(np.mean(p)) > 0.45


def test_a_weak_cylinder_is_seen() -> None:
    rng = np.random.default_rng(7)
    rows = np.tile(impulses(FOUR, [1, 1, 0.6, 1]), (12, 1)) + rng.standard_normal((12, POINTS))
    spectrum = order_spectrum(signal(rows), np.array(FOUR), 720.0)
    assert spectrum.imbalance_p < 1e-6
    assert spectrum.imbalance_ratio.known


def test_one_cycle_says_nothing_of_imbalance() -> None:
    spectrum = order_spectrum(signal(impulses(FOUR)[None, :]), np.array(FOUR), 720.0)
    assert spectrum.imbalance_p == 1.0
    assert not spectrum.imbalance_ratio.known

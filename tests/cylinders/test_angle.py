"""The crank-angle domain against signals whose average is known."""

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from ringland.cylinders.angle import ANGLE_POINTS, angle_signal, robust_average
from ringland.model import (
    AngleSignal,
    Channel,
    ChannelRole,
    CycleSet,
    CycleUse,
    PhaseSource,
    Reference,
    unknown,
)

RATE_HZ = 5_000.0
RPM = 800.0
CYCLE_S = 120.0 / RPM


def cycle_set(count: int, start_s: float = 0.0, dropped: tuple[int, ...] = ()) -> CycleSet:
    """`count` whole cycles at a steady speed."""
    knots = np.arange(count * 8 + 1, dtype=np.float64)
    time = np.asarray(start_s + knots * CYCLE_S / 8.0, dtype=np.float64)
    uses = tuple(
        CycleUse(
            start_s + k * CYCLE_S,
            start_s + (k + 1) * CYCLE_S,
            "left out" if k in dropped else None,
        )
        for k in range(count)
    )
    return CycleSet(
        cycle_deg=720.0,
        phase_source=PhaseSource.PULSES,
        reference=Reference.ARBITRARY,
        reference_reason="made",
        time_s=time,
        angle_deg=np.asarray(knots * 90.0, dtype=np.float64),
        speed_rpm=np.full(len(time), RPM),
        speed_se_rpm=np.zeros(len(time)),
        angle_se_deg=0.0,
        mean_speed_rpm=unknown("rpm", "not needed"),
        cycles=uses,
    )


def made(
    count: int, noise: float = 0.0, seed: int = 0, start_s: float = 0.0
) -> tuple[Channel, CycleSet]:
    """Orders 0.5 and 2 of amplitude 1 and 2 about a level of 5, and white noise."""
    n = round(count * CYCLE_S * RATE_HZ) + 400
    angle = (np.arange(n) - 200) / RATE_HZ * 6.0 * RPM
    turn = np.radians(angle)
    samples = 5.0 + np.cos(0.5 * turn) + 2.0 * np.sin(2.0 * turn)
    samples = samples + noise * np.random.default_rng(seed).standard_normal(n)
    channel = Channel(
        "p", ChannelRole.EXHAUST, samples, RATE_HZ, unit="Pa", start_s=start_s - 200 / RATE_HZ
    )
    return channel, cycle_set(count, start_s)


def signal_of(channel: Channel, cycles: CycleSet) -> AngleSignal:
    found = angle_signal(channel, cycles)
    assert isinstance(found, AngleSignal), found
    return found


def test_the_average_is_the_signal() -> None:
    found = signal_of(*made(20))
    turn = np.radians(found.angle_deg)
    expected = 5.0 + np.cos(0.5 * turn) + 2.0 * np.sin(2.0 * turn)
    assert found.values.shape == (20, ANGLE_POINTS)
    np.testing.assert_allclose(found.mean, expected, atol=5e-3)


@pytest.mark.parametrize(
    ("cycles", "factor"), [(4, 0.5), (10, 0.316228), (16, 0.25), (25, 0.2), (100, 0.1)]
)
def test_noise_falls_with_the_root_of_the_cycles(cycles: int, factor: float) -> None:
    """Variance of a mean; method of synchronous averaging as in ISO 13373-2 (from memory).

    What is left of white noise in the plain mean of n rows is 1 / sqrt(n) of that in one row,
    within the 5 % of a Monte-Carlo check; the trimmed mean, which leaves out 15 % at each end, may
    be 8 % worse (efficiency of a 15 % trimmed mean on normal data about 0.91, from memory).
    """
    rows = np.random.default_rng(cycles).standard_normal((cycles, 4000))
    plain = float(rows.mean(axis=0).std())
    assert plain == pytest.approx(factor, rel=0.05)
    mean, error, _, _ = robust_average(rows)
    assert float(mean.std()) == pytest.approx(factor, rel=0.08)
    # and the standard error says so
    assert float(np.sqrt((error**2).mean())) == pytest.approx(float(mean.std()), rel=0.12)


def test_the_average_is_a_trimmed_mean() -> None:
    """Against scipy.stats.trim_mean."""
    rows = np.random.default_rng(3).standard_normal((40, 9))
    mean, _, low, high = robust_average(rows)
    np.testing.assert_allclose(mean, scipy.stats.trim_mean(rows, 0.15, axis=0), atol=1e-12)
    assert np.all(low <= mean)
    assert np.all(mean <= high)


def test_one_wild_cycle_does_not_move_the_average() -> None:
    rows = np.tile(np.arange(5.0), (20, 1))
    rows[7] += 1e6
    np.testing.assert_allclose(robust_average(rows)[0], np.arange(5.0))


def test_dropped_cycles_are_left_out() -> None:
    channel, _ = made(10)
    found = signal_of(channel, cycle_set(10, dropped=(2, 5)))
    assert found.cycle_index == (0, 1, 3, 4, 6, 7, 8, 9)


def test_slow_drift_is_taken_out_and_the_level_left_in() -> None:
    channel, cycles = made(20)
    drift = np.linspace(-4.0, 4.0, len(channel.samples))
    drifting = Channel(
        "p",
        ChannelRole.EXHAUST,
        channel.samples + drift,
        RATE_HZ,
        start_s=channel.start_s,
    )
    np.testing.assert_allclose(
        signal_of(drifting, cycles).mean, signal_of(channel, cycles).mean, atol=0.03
    )


def test_missing_samples_are_a_reason() -> None:
    channel, cycles = made(6)
    samples = np.array(channel.samples)
    samples[::2] = np.nan
    found = angle_signal(Channel("p", ChannelRole.EXHAUST, samples, RATE_HZ), cycles)
    assert isinstance(found, str)
    assert "missing" in found


def test_a_channel_elsewhere_in_time_is_a_reason() -> None:
    channel, cycles = made(6)
    later = Channel("p", ChannelRole.EXHAUST, channel.samples, RATE_HZ, start_s=100.0)
    assert isinstance(angle_signal(later, cycles), str)


quick = settings(derandomize=True, max_examples=8, deadline=None)


@quick
@given(gain=st.floats(1e-3, 1e3), offset=st.floats(-100.0, 100.0))
def test_gain_and_offset_pass_through(gain: float, offset: float) -> None:
    channel, cycles = made(8, noise=0.1)
    scaled = Channel(
        "p",
        ChannelRole.EXHAUST,
        gain * channel.samples + offset,
        RATE_HZ,
        start_s=channel.start_s,
    )
    a, b = signal_of(channel, cycles), signal_of(scaled, cycles)
    scale = gain * 5.0 + abs(offset)
    np.testing.assert_allclose(b.mean, gain * a.mean + offset, atol=1e-7 * scale)
    np.testing.assert_allclose(b.standard_error, gain * a.standard_error, atol=1e-7 * scale)


@quick
@given(shift_s=st.floats(-1e4, 1e4))
def test_a_time_shift_moves_nothing(shift_s: float) -> None:
    a = signal_of(*made(8))
    b = signal_of(*made(8, start_s=shift_s))
    assert b.values.shape == a.values.shape
    np.testing.assert_allclose(b.mean, a.mean, atol=1e-5)

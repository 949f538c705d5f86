"""Starter-current humps: synthetic currents with known relative compression."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from ringland.cylinders.starter import starter_ripple
from ringland.model import (
    Channel,
    ChannelRole,
    CrankRipple,
    CycleSet,
    CycleUse,
    EngineSpec,
    Estimate,
    PhaseSource,
    Reference,
)

Floats = NDArray[np.float64]
FOUR = EngineSpec("four", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0))
SIX = EngineSpec("six", 6, (1, 5, 3, 6, 2, 4), (0.0, 120.0, 240.0, 360.0, 480.0, 600.0))
ODD = EngineSpec("odd", 2, (1, 2), (0.0, 270.0))
RATE_HZ = 2000.0


def current(
    relative: tuple[float, ...],
    *,
    rpm: float = 200.0,
    noise_a: float = 3.0,
    lead_s: float = 0.5,
    duration_s: float = 5.0,
    gain: float = 1.0,
) -> Channel:
    """Rush, then 120 A and a hump of 60 A * relative per compression; hump k tops at stroke k."""
    time = np.arange(0.0, duration_s, 1.0 / RATE_HZ)
    stroke = (time - lead_s) * 6.0 * rpm * len(relative) / 720.0
    size = np.array(relative)[np.mod(np.round(stroke), len(relative)).astype(int)]
    amps = 120.0 + 60.0 * size * (0.5 + 0.5 * np.cos(2 * np.pi * stroke))
    amps += 400.0 * np.exp(-np.clip(time - lead_s, 0, None) / 0.08)
    amps = np.where(time >= lead_s, amps, 0.0)
    amps += noise_a * np.random.default_rng(8).standard_normal(len(time))
    return Channel("clamp", ChannelRole.STARTER_CURRENT, gain * amps, RATE_HZ, "A")


def values(found: CrankRipple) -> Floats:
    share = [s.value for s in found.segments[0].strength]
    assert all(v is not None for v in share)
    return np.array(share, dtype=float)


def turning(rpm: float, lead_s: float, stop_s: float, reference: Reference) -> CycleSet:
    time = np.linspace(lead_s, stop_s, 200)
    angle = (time - lead_s) * 6.0 * rpm
    whole = lead_s + np.arange(0, angle[-1] // 720 + 1) * 120.0 / rpm
    return CycleSet(
        cycle_deg=720.0,
        phase_source=PhaseSource.TRIGGER,
        reference=reference,
        reference_reason="synthetic",
        time_s=time,
        angle_deg=angle,
        speed_rpm=np.full(200, rpm),
        speed_se_rpm=np.zeros(200),
        angle_se_deg=0.0,
        mean_speed_rpm=Estimate.from_se(rpm, 0.1, "rpm"),
        cycles=tuple(CycleUse(float(a), float(b)) for a, b in pairwise(whole)),
    )


@pytest.mark.parametrize("gain", [1.0, -1.0, 0.01])
@pytest.mark.parametrize(
    ("engine", "weak", "size"), [(FOUR, 2, 0.7), (FOUR, 0, 0.8), (SIX, 3, 0.8)]
)
def test_a_low_hump_without_a_trigger(
    engine: EngineSpec, weak: int, size: float, gain: float
) -> None:
    """A hump 20 % below the mean is suspicious: common practice, no source."""
    relative = tuple(size if k == weak else 1.0 for k in range(engine.cylinders))
    found = starter_ripple(current(relative, gain=gain), engine)
    assert not isinstance(found, str), found
    share = np.sort(values(found))
    assert share[0] / np.mean(share[1:]) == pytest.approx(size, abs=0.03)
    assert np.ptp(share[1:]) < 0.05
    assert not found.positions_known
    assert any("200 rpm" in note for note in found.notes)


def test_equal_humps_lie_inside_their_intervals() -> None:
    found = starter_ripple(current((1.0,) * 4), FOUR)
    assert not isinstance(found, str), found
    for share in found.segments[0].strength:
        assert share.low is not None
        assert share.high is not None
        assert share.low - 0.01 < 1.0 < share.high + 0.01


@pytest.mark.parametrize("weak", [0, 1, 2, 3])
def test_with_a_trigger_the_position_is_right(weak: int) -> None:
    relative = tuple(0.75 if k == weak else 1.0 for k in range(4))
    cycles = turning(200.0, 0.5, 5.0, Reference.CYLINDER)
    found = starter_ripple(current(relative), FOUR, cycles=cycles)
    assert not isinstance(found, str), found
    assert int(np.argmin(values(found))) == weak
    assert found.positions_known


def test_the_line_of_the_humps() -> None:
    """60 A peak to peak on a mean of 150 A: order 2 is 30 / 150 = 0.2 (hand count)."""
    found = starter_ripple(current((1.0,) * 4), FOUR)
    assert not isinstance(found, str), found
    line = found.segments[0].order(2.0)
    assert line is not None
    assert line.amplitude == pytest.approx(0.2, rel=0.02)
    assert found.segments[0].mean.value == pytest.approx(150.0, rel=0.01)


def test_an_uneven_engine_needs_a_trigger() -> None:
    reason = starter_ripple(current((1.0, 1.0)), ODD)
    assert isinstance(reason, str)
    assert "uneven" in reason


@pytest.mark.parametrize(
    "samples",
    [
        np.zeros(0),
        np.zeros(5000),
        np.ones(5000),
        np.full(5000, np.nan),
        np.random.default_rng(0).standard_normal(5000),
        100.0 + np.random.default_rng(0).standard_normal(20_000),
    ],
    ids=["empty", "zero", "flat", "nan", "noise", "steady"],
)
def test_nothing_there_is_a_reason(samples: Floats) -> None:
    channel = Channel("clamp", ChannelRole.STARTER_CURRENT, samples, RATE_HZ, "A")
    assert isinstance(starter_ripple(channel, FOUR), str)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(-1e4, 1e4), min_size=64, max_size=400))
def test_never_raises(values_: list[float]) -> None:
    starter_ripple(
        Channel("clamp", ChannelRole.STARTER_CURRENT, np.array(values_), 100.0, "A"), FOUR
    )

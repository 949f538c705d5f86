"""Analogue tooth and ignition signals to edge times."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from ringland.cycles.edges import edges_of_channel
from ringland.cycles.teeth import cycle_set_from_teeth
from ringland.model import Channel, ChannelRole, EngineSpec, Recording

Floats = NDArray[np.float64]
FOUR = EngineSpec("four", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0))
RATE_HZ = 20_000.0


def channel(samples: Floats, rate_hz: float = RATE_HZ) -> Channel:
    return Channel("tooth", ChannelRole.CRANK_TOOTH, samples, rate_hz, "V")


def reluctor(turns_per_s: float, duration_s: float, *, growth: float = 0.0) -> tuple[Floats, ...]:
    """36-1 variable-reluctance voltage, in proportion to speed; (volts, revolutions)."""
    time = np.arange(0.0, duration_s, 1.0 / RATE_HZ)
    speed = turns_per_s * (1.0 + growth * time)
    turns = turns_per_s * (time + 0.5 * growth * time**2)
    volts = -np.sin(2 * np.pi * 36 * turns) * speed
    gap = np.floor(36 * turns + 0.5) % 36 == 0  # the slot around tooth 0 is empty
    return np.where(gap, 0.0, volts), turns


@pytest.mark.parametrize("offset", [0.0, 2.5])
@pytest.mark.parametrize("noise", [0.0, 0.03])
def test_zero_crossings_of_a_reluctor(offset: float, noise: float) -> None:
    volts, turns = reluctor(15.0, 1.0)
    rng = np.random.default_rng(1)
    noisy = volts + offset + noise * 15.0 * rng.standard_normal(len(volts))
    edges = edges_of_channel(channel(noisy))
    fall = edges.time_s[edges.level_after == 0]
    slot = np.interp(fall, np.arange(len(turns)) / RATE_HZ, turns) * 36
    off = slot - np.round(slot)
    assert np.quantile(np.abs(off), 0.9) < (0.01 if noise == 0.0 else 0.05)
    assert len(fall) == pytest.approx(15 * 35, abs=3)


def test_amplitude_may_grow_tenfold_with_speed() -> None:
    volts, _ = reluctor(3.0, 3.0, growth=3.0)
    rng = np.random.default_rng(2)
    edges = edges_of_channel(channel(volts + 0.05 * rng.standard_normal(len(volts))))
    found = cycle_set_from_teeth(Recording((), (edges,)), FOUR)
    assert not isinstance(found, str), found
    assert found.wheel is not None
    assert found.wheel.name == "36-1"
    assert found.speed_rpm[-2] == pytest.approx(60 * 3.0 * 10.0, rel=0.05)


def test_two_levels_are_timed_between_samples() -> None:
    """A ramp of 4 samples through half-way: the crossing is known to a tenth of a sample."""
    time = np.arange(0.0, 0.5, 1.0 / RATE_HZ)
    true = 0.01 + 0.0123 * np.arange(40)
    wave = np.zeros(len(time))
    for at in true:
        wave += np.clip((time - at) * RATE_HZ / 4 + 0.5, 0, 1)
        wave -= np.clip((time - at - 0.005) * RATE_HZ / 4 + 0.5, 0, 1)
    edges = edges_of_channel(channel(0.2 + 4.6 * wave))
    rise = edges.time_s[edges.level_after == 1]
    assert len(rise) == len(true[true < 0.49])
    assert np.max(np.abs(rise - true[: len(rise)])) < 0.1 / RATE_HZ


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_sparks_of_either_sign(sign: float) -> None:
    rng = np.random.default_rng(3)
    time = np.arange(0.0, 4.0, 1.0 / RATE_HZ)
    at = 0.1 + 0.15 * np.arange(25)
    volts = 0.1 * rng.standard_normal(len(time))
    for moment in at:
        after = time - moment
        volts += np.where(after >= 0, 8.0 * np.exp(-np.clip(after, 0, 1) / 0.002), 0.0)
    found = edges_of_channel(Channel("coil", ChannelRole.IGNITION, sign * volts, RATE_HZ, "V"))
    rise = found.time_s[found.level_after == 1]
    assert len(rise) == len(at)
    assert np.max(np.abs(rise - at)) < 1.5 / RATE_HZ


def test_sparks_one_sample_wide_and_of_uneven_height() -> None:
    rng = np.random.default_rng(3)
    volts = 0.02 * rng.standard_normal(10_000)
    volts[375::750] += 3.0 + rng.uniform(-1.0, 3.0, len(volts[375::750]))
    found = edges_of_channel(Channel("coil", ChannelRole.IGNITION, volts, 5000.0, "V"))
    assert len(found.time_s[found.level_after == 1]) == len(volts[375::750])


def test_a_few_strong_strays_do_not_hide_the_sparks() -> None:
    rng = np.random.default_rng(1)
    volts = 0.005 * rng.standard_normal(40_000)
    times = np.arange(0.05, 7.95, 0.15)
    strays = np.array([1.01, 3.52, 6.31])
    for at, size in [*((t, 1.0) for t in times), *((t, 5.0) for t in strays)]:
        first = round(at * 5000.0)
        volts[first : first + 12] += size * np.exp(-np.arange(12) / 4.0)
    found = edges_of_channel(Channel("coil", ChannelRole.IGNITION, volts, 5000.0, "V"))
    rising = found.time_s[found.level_after == 1]
    assert sum(np.abs(rising - at).min() < 1e-3 for at in times) >= len(times) - 2


@pytest.mark.parametrize("interval_s", [0.13, 0.57, 1.1])
def test_sparks_at_a_starters_speed(interval_s: float) -> None:
    """At 105 rpm the spark of one cylinder comes once in 1.1 s (720 degrees); between them there
    is nothing but noise, which must not be taken for edges."""
    rate_hz = 20_000.0
    rng = np.random.default_rng(6)
    volts = 0.001 * rng.standard_normal(round(8.0 * rate_hz))
    times = np.arange(0.2, 7.9, interval_s)
    for at in times:
        first = round(at * rate_hz)
        volts[first : first + 12] += 5.0 * np.exp(-np.arange(12) / 3.0)
    found = edges_of_channel(Channel("coil", ChannelRole.IGNITION, volts, rate_hz, "V"))
    rising = found.time_s[found.level_after == 1]
    assert len(rising) == len(times)
    assert np.abs(rising - times).max() < 2.0 / rate_hz


@pytest.mark.parametrize(
    "samples",
    [
        np.zeros(0),
        np.zeros(3),
        np.zeros(5000),
        np.full(5000, np.nan),
        np.full(5000, np.inf),
        np.random.default_rng(0).standard_normal(5000),
    ],
    ids=["empty", "three", "flat", "nan", "inf", "noise"],
)
def test_nothing_there_gives_no_edges(samples: Floats) -> None:
    assert len(edges_of_channel(channel(samples)).time_s) == 0


def test_missing_samples_cost_only_their_own_edges() -> None:
    volts, _ = reluctor(15.0, 1.0)
    holed = volts.copy()
    holed[8000:8060] = np.nan
    whole = edges_of_channel(channel(volts)).time_s
    found = edges_of_channel(channel(holed)).time_s
    assert len(whole) - len(found) <= 8
    assert np.all(np.isfinite(found))


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.one_of(st.floats(-1e6, 1e6), st.just(float("nan")), st.just(float("inf"))),
        max_size=300,
    )
)
def test_never_raises_and_times_do_not_fall(values: list[float]) -> None:
    edges = edges_of_channel(channel(np.array(values)))
    assert np.all(np.diff(edges.time_s) >= 0)
    assert np.all(np.diff(edges.level_after) != 0)


def test_real_reluctor_has_58_of_60_teeth(real_data: Path) -> None:
    """10 kHz, 6 s, engine not stated (SOURCES.md); teeth are counted by hand on a plot."""
    table = np.genfromtxt(
        real_data / "tooth_analogue" / "trigger_adc_real1.csv", delimiter=",", skip_header=1
    )
    recorded = Channel(
        "crank", ChannelRole.CRANK_TOOTH, table[:, 1], 1e4, "V", start_s=float(table[0, 0])
    )
    found = cycle_set_from_teeth(Recording((recorded,)), FOUR)
    assert not isinstance(found, str), found
    assert found.wheel is not None
    assert found.wheel.name == "60-2"
    assert found.dropped == ()
    turns = np.arange(np.ceil(found.angle_deg[0] / 360), found.angle_deg[-1] // 360 + 1) * 360.0
    rpm = 60.0 / np.diff(found.time_at(turns))
    # the gap's two great swings, seen in the samples without any threshold, once per turn
    volts = table[:, 1]
    swings = np.flatnonzero((volts[1:-1] > 4.8) & (volts[1:-1] >= volts[2:])) + 1
    first = swings[np.concatenate(([True], np.diff(swings) > 1000))]
    apart = 60.0 / np.median(np.diff(table[first, 0]))
    assert float(np.median(rpm)) == pytest.approx(apart, rel=0.005)

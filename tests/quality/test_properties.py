"""Whatever is in the samples: no exception, and one finding for every check that applies."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray

from ringland.model import (
    Channel,
    ChannelRole,
    Condition,
    EdgeTrain,
    EngineSpec,
    Recording,
)
from ringland.quality import (
    CHECKS,
    Scope,
    check_recording,
    inspect_recording,
    unusable_spans,
)
from ringland.quality._types import RoughSpeed
from ringland.quality.run import _each

_ENGINES = st.sampled_from(
    [
        None,
        EngineSpec("one", 1, (1,), (0.0,)),
        EngineSpec("four", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0)),
        EngineSpec("two banks", 2, (1, 2), (0.0, 270.0), outlets=(1, 2)),
        EngineSpec("two-stroke", 3, (1, 2, 3), (0.0, 120.0, 240.0), strokes=2),
    ]
)
_VALUES = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True, width=64),
    st.sampled_from([0.0, -0.0, 1.0, -1.0, 1e308, -1e308, 5e-324, np.nan, np.inf]),
)
_RATES = st.one_of(
    st.sampled_from([10.0, 1000.0, 44_100.0, 100_000.0]),
    st.floats(allow_nan=True, allow_infinity=True, width=64),
)
_SCALES = st.one_of(st.none(), st.tuples(_VALUES, _VALUES))


@st.composite
def _samples(draw: st.DrawFn) -> NDArray[np.float64]:
    """Short arbitrary arrays, or longer ones made of a seed with arbitrary pieces put in."""
    if draw(st.booleans()):
        return draw(arrays(np.float64, st.integers(0, 60), elements=_VALUES))
    n = draw(st.integers(0, 3000))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    period = draw(st.floats(2.0, 500.0))
    scale = draw(st.sampled_from([1e-300, 1e-9, 1.0, 1e5, 1e29, 1e200]))
    kind = draw(st.sampled_from(["noise", "sine", "square", "ramp", "walk"]))
    i = np.arange(n)
    made = {
        "noise": rng.normal(size=n),
        "sine": np.sin(2 * np.pi * i / period) + 0.1 * rng.normal(size=n),
        "square": (i % period < period / 3).astype(float),
        "ramp": i / 7.0,
        "walk": np.cumsum(rng.normal(size=n)),
    }[kind]
    made = made * scale
    for _ in range(draw(st.integers(0, 3))):
        start = draw(st.integers(0, max(0, n - 1)))
        made[start : start + draw(st.integers(1, 300))] = draw(_VALUES)
    return np.asarray(made)


@st.composite
def _recordings(draw: st.DrawFn) -> Recording:
    channels = [
        Channel(
            f"channel {i}",
            draw(st.sampled_from(list(ChannelRole))),
            draw(_samples()),
            draw(_RATES),
            start_s=draw(st.sampled_from([0.0, -3.0, 1e12, np.nan])),
            full_scale=draw(_SCALES),
            resolution=draw(st.one_of(st.none(), _VALUES)),
        )
        for i in range(draw(st.integers(0, 3)))
    ]
    edges = []
    if draw(st.booleans()):
        times = np.sort(
            draw(arrays(np.float64, st.integers(0, 40), elements=st.floats(-10.0, 10.0)))
        )
        levels = (np.arange(times.size) + 1) % 2
        edges.append(EdgeTrain("edges", ChannelRole.IGNITION, times, levels, -10.0, 10.0))
    return Recording(
        tuple(channels),
        tuple(edges),
        condition=draw(st.sampled_from(list(Condition))),
        speed_hint_rpm=draw(st.one_of(st.none(), _VALUES)),
    )


def _expected(recording: Recording) -> list[tuple[str, str]]:
    found = []
    for check in CHECKS:
        if check.scope is Scope.RECORDING:
            found.append((check.id, ""))
        for channel in recording.channels:
            trigger = channel.role in {ChannelRole.IGNITION, ChannelRole.CAM} or (
                channel.role is ChannelRole.CRANK_TOOTH
            )
            if check.scope is Scope.RECORDING or (check.scope is Scope.TRIGGER and not trigger):
                continue
            if not check.roles or channel.role in check.roles:
                found.append((check.id, channel.name))
        if check.scope is Scope.TRIGGER:
            found += [(check.id, e.name) for e in recording.edges if e.role in check.roles]
    return sorted(found)


@settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
@given(recording=_recordings(), engine=_ENGINES)
def test_never_raises_and_finds_once(recording: Recording, engine: EngineSpec | None) -> None:
    report = check_recording(recording, engine)
    assert sorted((f.check, f.channel) for f in report.findings) == _expected(recording)
    for finding in report.findings:
        assert finding.message
    for channel in recording.channels:
        spans = unusable_spans(report, channel.name)
        assert all(low <= high for low, high in spans)
        assert all(a[1] < b[0] for a, b in itertools.pairwise(spans))


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(recording=_recordings(), engine=_ENGINES, rpm=st.floats(20.0, 9000.0))
def test_checks_said_not_to_ask_for_the_speed_do_not(
    recording: Recording, engine: EngineSpec | None, rpm: float
) -> None:
    seen = inspect_recording(recording, engine)
    known = replace(seen, speed=RoughSpeed(rpm, "given"))
    for (check, subject), settled in zip(_each(known), seen.settled, strict=True):
        assert (settled is None) == check.asks_speed
        if settled is not None:
            assert repr(check.run(subject)) == repr(settled)  # NaN differs from itself


@settings(max_examples=40, deadline=None)
@given(gain=st.sampled_from([1e-12, 0.25, 8.0, 1e9]), seed=st.integers(0, 1000))
def test_gain_changes_no_verdict(gain: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.arange(8000) / 2000.0
    samples = np.exp(np.sin(2 * np.pi * 21.0 * t)) + 0.1 * rng.normal(size=t.size)

    def verdicts(scale: float) -> list[str]:
        channel = Channel("exhaust", ChannelRole.EXHAUST, scale * samples, 2000.0)
        return [f.verdict for f in check_recording(Recording((channel,))).findings]

    assert verdicts(gain) == verdicts(1.0)


def test_every_kind_of_nothing_at_once() -> None:
    report = check_recording(Recording(()))
    assert [f.channel for f in report.findings] == [""] * 3


@pytest.mark.parametrize("rate_hz", [0.0, -1.0, 1e-30, 1e300, float("nan"), float("inf")])
def test_absurd_rates(rate_hz: float) -> None:
    channel = Channel("exhaust", ChannelRole.EXHAUST, np.arange(1000.0) % 17, rate_hz)
    report = check_recording(Recording((channel,)))
    assert report.verdict("exhaust") == "unusable"

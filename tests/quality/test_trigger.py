"""Trigger: missing, bouncing, at twice the rate."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from ringland.model import (
    Channel,
    ChannelRole,
    Condition,
    EdgeTrain,
    EngineSpec,
    QualityFinding,
    Recording,
    Verdict,
)
from ringland.quality import check_recording

Make = Callable[..., NDArray[np.float64]]
Find = Callable[..., QualityFinding]
RATE_HZ = 10_000.0


def _edges(rises: NDArray[np.float64], width_s: float = 0.002) -> EdgeTrain:
    times = np.sort(np.concatenate([rises, rises + width_s]))
    levels = (np.arange(times.size) + 1) % 2
    return EdgeTrain("ignition", ChannelRole.IGNITION, times, levels, 0.0, 6.0)


def _with_exhaust(clean: Make, edges: EdgeTrain) -> Recording:
    exhaust = Channel("exhaust", ChannelRole.EXHAUST, clean(), RATE_HZ)
    return Recording((exhaust,), (edges,), condition=Condition.IDLE)


def test_once_per_cycle(clean: Make, find: Find, four: EngineSpec) -> None:
    rises = np.arange(0.05, 5.9, 1.0 / 6.1)
    report = check_recording(_with_exhaust(clean, _edges(rises)), four)
    for check in ("trigger_present", "trigger_regular", "trigger_rate"):
        assert find(report, check, "ignition").verdict is Verdict.OK
    present = find(report, "trigger_present", "ignition").measured
    assert present is not None
    assert present.value == rises.size == 36


def test_wasted_spark(clean: Make, find: Find, four: EngineSpec) -> None:
    rises = np.arange(0.05, 5.9, 0.5 / 6.1)
    report = check_recording(_with_exhaust(clean, _edges(rises)), four)
    found = find(report, "trigger_rate", "ignition")
    assert found.verdict is Verdict.SUSPECT
    assert "wasted spark" in found.message
    assert found.measured is not None
    assert found.measured.value == pytest.approx(2.0, rel=0.02)
    told = EngineSpec(
        "wasted", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0), trigger_pulses_per_cycle=2
    )
    again = find(
        check_recording(_with_exhaust(clean, _edges(rises)), told), "trigger_rate", "ignition"
    )
    assert again.verdict is Verdict.OK


def test_five_bounces_and_three_missing(clean: Make, find: Find) -> None:
    rises = np.arange(0.05, 5.9, 0.5 / 6.1)  # 72 pulses
    bounced = rises[[4, 15, 31, 44, 60]] + 0.004
    kept = np.delete(rises, [10, 25, 52])
    report = check_recording(_with_exhaust(clean, _edges(np.sort(np.r_[kept, bounced]), 0.001)))
    found = find(report, "trigger_regular", "ignition")
    assert found.measured is not None
    assert found.measured.value == 8.0
    assert "5 bounced and 3 missing" in found.message
    assert len(found.spans_s) == 8
    assert found.verdict is Verdict.SUSPECT


def test_every_pulse_bounces(clean: Make, find: Find) -> None:
    rises = np.arange(0.05, 5.9, 1.0 / 6.1)
    report = check_recording(_with_exhaust(clean, _edges(np.sort(np.r_[rises, rises + 0.01]))))
    found = find(report, "trigger_regular", "ignition")
    assert found.measured is not None
    assert found.measured.value == rises.size


@pytest.mark.parametrize("sampled", [False, True])
def test_no_trigger(clean: Make, find: Find, sampled: bool) -> None:
    exhaust = Channel("exhaust", ChannelRole.EXHAUST, clean(), RATE_HZ)
    line = Channel("ignition", ChannelRole.IGNITION, np.zeros(60_000), RATE_HZ)
    recording = (
        Recording((exhaust, line)) if sampled else Recording((exhaust,), (_edges(np.array([1.0])),))
    )
    report = check_recording(recording)
    assert find(report, "trigger_present", "ignition").verdict is Verdict.UNUSABLE
    assert find(report, "trigger_regular", "ignition").verdict is Verdict.NOT_CHECKED


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_pulses_of_a_sampled_trigger_are_counted(find: Find, sign: float) -> None:
    t = np.arange(60_000) / RATE_HZ
    noise = 0.05 * np.random.default_rng(0).normal(size=t.size)
    line = sign * ((t * 6.1 % 1.0 < 0.03) + noise)
    channel = Channel("ignition", ChannelRole.IGNITION, line, RATE_HZ)
    found = find(check_recording(Recording((channel,))), "trigger_present", "ignition")
    assert found.measured is not None
    # 36.6 cycles in 6 s; the first pulse is on from the first sample, so it has no leading edge.
    assert found.measured.value == 36.0


def test_a_pause_in_the_trigger_is_a_gap_in_time(clean: Make, find: Find) -> None:
    rises = np.arange(0.05, 5.9, 0.05)
    rises = rises[(rises < 2.0) | (rises > 3.5)]
    found = find(check_recording(_with_exhaust(clean, _edges(rises))), "time_gaps", "")
    assert found.verdict is Verdict.SUSPECT
    assert found.spans_s[0] == pytest.approx((1.95, 3.55), abs=0.06)

"""With the engine cycles found, the checks rest on them."""

import itertools
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from ringland.model import (
    Condition,
    CycleSet,
    CycleUse,
    EngineSpec,
    Estimate,
    PhaseSource,
    QualityFinding,
    Recording,
    Reference,
    Verdict,
)
from ringland.quality import check_recording

Find = Callable[..., QualityFinding]


def _cycles(durations_s: NDArray[np.float64], dropped: int = 0) -> CycleSet:
    edges = np.concatenate([[0.0], np.cumsum(durations_s)])
    uses = tuple(
        CycleUse(a, b, "drop-out" if i < dropped else None)
        for i, (a, b) in enumerate(itertools.pairwise(edges.tolist()))
    )
    speed = 120.0 / durations_s
    mean = float(120.0 * durations_s.size / durations_s.sum())
    knots = np.concatenate([speed, speed[-1:]])
    return CycleSet(
        cycle_deg=720.0,
        phase_source=PhaseSource.PULSES,
        reference=Reference.ARBITRARY,
        reference_reason="no trigger",
        time_s=edges,
        angle_deg=720.0 * np.arange(edges.size, dtype=np.float64),
        speed_rpm=knots,
        speed_se_rpm=np.ones(edges.size),
        angle_se_deg=1.0,
        mean_speed_rpm=Estimate(mean, mean - 1.0, mean + 1.0, "rpm"),
        cycles=uses,
    )


@pytest.mark.parametrize(
    ("found", "dropped", "verdict"),
    [(36, 0, Verdict.OK), (36, 26, Verdict.SUSPECT), (36, 34, Verdict.UNUSABLE)],
)
def test_only_kept_cycles_count(
    clean: Callable[..., NDArray[np.float64]],
    record: Callable[..., Recording],
    find: Find,
    four: EngineSpec,
    found: int,
    dropped: int,
    verdict: Verdict,
) -> None:
    cycles = _cycles(np.full(found, 1.0 / 6.1), dropped)
    finding = find(check_recording(record(clean()), four, cycles), "enough_cycles", "")
    assert finding.measured is not None
    assert finding.measured.value == found - dropped
    assert finding.verdict is verdict


def test_speed_spread_is_that_of_the_cycles(
    clean: Callable[..., NDArray[np.float64]],
    record: Callable[..., Recording],
    find: Find,
    four: EngineSpec,
) -> None:
    """A speed that rises evenly from 600 to 900 rpm: 5 to 95 % is 0.9 of 300 over the median."""
    speeds = np.linspace(600.0, 900.0, 41)
    report = check_recording(
        record(clean(), condition=Condition.HELD), four, _cycles(120.0 / speeds)
    )
    finding = find(report, "speed_steady", "")
    assert finding.measured is not None
    assert finding.measured.value == pytest.approx(0.9 * 300.0 / 750.0, rel=1e-6)
    assert finding.verdict is Verdict.SUSPECT


def test_the_speed_of_the_cycles_sets_the_sampling_rate_needed(
    clean: Callable[..., NDArray[np.float64]],
    record: Callable[..., Recording],
    find: Find,
    four: EngineSpec,
) -> None:
    cycles = _cycles(np.full(36, 1.0 / 6.1))  # 732 rpm, 4 firings per cycle
    finding = find(check_recording(record(clean()), four, cycles), "sampling_rate")
    assert finding.measured is not None
    assert finding.measured.value == pytest.approx(10_000.0 / (4 * 6.1), rel=1e-6)

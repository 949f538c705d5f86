"""Real recordings made by others, through the reader and the whole pipeline.

Facts: SOURCES.md of the real recordings (spectra and counted edges).
"""

from pathlib import Path

import pytest

from ringland.cycles import find_cycles
from ringland.model import (
    Analysis,
    ChannelRole,
    CrankPhase,
    CycleSet,
    EngineSpec,
    PhaseSource,
    Recording,
    State,
)
from ringland.pipeline import analyse
from ringland.readers import read_recording

# File number 1 .. 4 = 1500, 2000, 2500, 3000 rpm; firing order line within 0.2 % there.
SOUNDS = {
    "L_1.wav": 1500.0,
    "SR_1.wav": 1500.0,
    "R_2.wav": 2000.0,
    "L_3.wav": 2500.0,
    "N_3.wav": 2500.0,
    "SR_3.wav": 2500.0,
    "R_4.wav": 3000.0,
}


def even(cylinders: int) -> EngineSpec:
    """Nothing known but the number of cylinders; the order does not matter here."""
    angles = tuple(720.0 * k / cylinders for k in range(cylinders))
    return EngineSpec("stated", cylinders, tuple(range(1, cylinders + 1)), angles)


def edges(real_data: Path, name: str) -> Recording:
    return read_recording(real_data / "crank_edges" / name)


def cycles_of(recording: Recording, engine: EngineSpec) -> CycleSet:
    found = find_cycles(recording, engine)
    assert isinstance(found, CycleSet), found
    return found


def in_alarm(analysis: Analysis) -> list[str]:
    assert analysis.symptoms is not None, analysis.not_judged
    return [s.sentence for s in analysis.symptoms.symptoms if s.state is State.ALARM]


@pytest.mark.parametrize("name", SOUNDS)
def test_speed_from_sound_alone(real_data: Path, name: str) -> None:
    """Four cylinders given; no condition, no speed, no trigger. Bound 0.5 %. The changes made to
    these engines act on all cylinders alike, so none may be in alarm."""
    analysis = analyse(read_recording(real_data / "engine_sound" / name), even(4), diagnose=False)
    assert analysis.cycles is not None, analysis.not_judged
    assert analysis.cycles.phase_source is PhaseSource.PULSES
    found = analysis.cycles.mean_speed_rpm.value
    assert found is not None
    assert found == pytest.approx(SOUNDS[name], rel=0.005)
    assert in_alarm(analysis) == []


# Speed of the whole file, or of its cranking part, from counted edges.
CRANKS = [
    ("nissan_vq40_cranking-1.csv", 6, CrankPhase.CRANKING, 239.0, 243.0),
    ("nick_1.csv", 4, CrankPhase.CRANKING, 259.0, 263.0),
    ("4b11-running.csv", 4, CrankPhase.RUNNING, 1420.0, 1436.0),
]


@pytest.mark.parametrize(("name", "cylinders", "phase", "low", "high"), CRANKS)
def test_speed_from_teeth(
    real_data: Path, name: str, cylinders: int, phase: CrankPhase, low: float, high: float
) -> None:
    analysis = analyse(edges(real_data, name), even(cylinders), diagnose=False)
    assert analysis.cylinders is not None, analysis.not_judged
    assert analysis.cycles is not None
    assert analysis.cycles.phase_source is PhaseSource.TOOTH_WHEEL
    segments = [s for r in analysis.cylinders.ripples if (s := r.segment(phase)) is not None]
    assert segments, analysis.notes
    mean = segments[0].mean.value
    assert mean is not None
    assert low * 0.995 <= mean <= high * 1.005
    assert in_alarm(analysis) == []


def test_cranking_without_plugs(real_data: Path) -> None:
    recording = edges(real_data, "cranking_honda_k24a2_no_plugs.csv")
    mean = cycles_of(recording, even(4)).mean_speed_rpm.value
    assert mean == pytest.approx(188.0, rel=0.005)


def test_wheel_with_two_gaps(real_data: Path) -> None:
    mean = cycles_of(edges(real_data, "toyota_3_tooth_cam.csv"), even(4)).mean_speed_rpm.value
    assert mean == pytest.approx(1565.0, rel=0.005)


@pytest.mark.parametrize(
    ("name", "cylinders", "order", "share"),
    [("nick_1.csv", 4, 2.0, 0.166), ("nissan_vq40_cranking-1.csv", 6, 3.0, 0.101)],
)
def test_ripple_while_cranking(
    real_data: Path, name: str, cylinders: int, order: float, share: float
) -> None:
    """Order 2 of 16.6 % and order 3 of 10.1 % of the mean speed, within 0.5 points."""
    analysis = analyse(edges(real_data, name), even(cylinders), diagnose=False)
    assert analysis.cylinders is not None, analysis.not_judged
    segment = analysis.cylinders.ripples[0].segment(CrankPhase.CRANKING)
    assert segment is not None
    line = segment.order(order)
    assert line is not None
    assert line.amplitude == pytest.approx(share, abs=0.005)


def test_analogue_tooth_signal(real_data: Path) -> None:
    """Engine not stated: the wheel is found and the angle runs through the file."""
    recording = read_recording(real_data / "tooth_analogue" / "trigger_adc_real1.csv")
    assert recording.channels[0].role in (ChannelRole.CRANK_TOOTH, ChannelRole.UNASSIGNED)

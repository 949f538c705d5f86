"""A long recording is judged window by window, and what comes late is not lost."""

from dataclasses import dataclass

import numpy as np
import pytest

from ringland.engines import layout
from ringland.model import (
    Channel,
    ChannelInfo,
    ChannelRole,
    Condition,
    Recording,
    SourceInfo,
    State,
)
from ringland.pipeline import WINDOW_S, analyse_source

RATE_HZ = 2_000.0
ENGINE = layout("I4-1342").engine
SPEED_RPM = 780.0
MADE = SourceInfo("made", "memory")


@dataclass(frozen=True)
class MadeSource:
    """Ninety seconds at a steady 780 rpm; position 3 goes weak after one minute."""

    source: SourceInfo = MADE
    channels: tuple[ChannelInfo, ...] = ()
    notes: tuple[str, ...] = ()
    start_s: float = 0.0
    duration_s: float = 3.0 * WINDOW_S

    def read(self, start_s: float, stop_s: float) -> Recording:
        """Pulses between two times."""
        time_s = start_s + np.arange(int((stop_s - start_s) * RATE_HZ)) / RATE_HZ
        angle = 6.0 * SPEED_RPM * time_s
        exhaust = 0.02 * np.random.default_rng(int(start_s)).standard_normal(len(time_s))
        for position in range(4):
            after = (angle - 180.0 * position - 160.0) % 720.0
            size = 0.3 if position == 2 and start_s >= 60.0 else 1.0
            exhaust += size * np.exp(-0.5 * ((after - 25.0) / 16.0) ** 2)
        ignition = np.where(angle % 720.0 < 12.0, 5.0, 0.0)
        return Recording(
            (
                Channel("exhaust", ChannelRole.EXHAUST, exhaust, RATE_HZ, "V", start_s),
                Channel("ignition", ChannelRole.IGNITION, ignition, RATE_HZ, "V", start_s),
            ),
            condition=Condition.IDLE,
        )


def test_the_window_that_tells_most_is_shown_and_all_are_named() -> None:
    told: list[float] = []
    found = analyse_source(MadeSource(), ENGINE, progress=told.append)
    assert found.symptoms is not None
    assert found.cycles is not None
    assert found.symptoms.state_of(3) is State.ALARM
    assert found.cycles.mean_speed_rpm.value == pytest.approx(SPEED_RPM, rel=0.005)
    assert found.recording.condition is Condition.IDLE  # what the source knew is not overwritten
    assert told[-1] == 1.0
    lines = [note for note in found.notes if " s: " in note]
    assert len(lines) == 3
    assert "no alert or alarm" in lines[0]
    assert "position 3 alarm" in lines[2]
    assert any("60 to 90 s" in note and "most telling" in note for note in found.notes)


def test_the_calmest_window_stands_for_the_sound_engine() -> None:
    """A stumble in a long recording of the sound engine is not taken off as if it were usual."""
    found = analyse_source(MadeSource(), ENGINE, calmest=True)
    assert found.symptoms is not None
    assert {found.symptoms.state_of(p) for p in range(1, 5)} == {State.NORMAL}
    assert any("calmest" in note and "60 to 90 s" not in note for note in found.notes)

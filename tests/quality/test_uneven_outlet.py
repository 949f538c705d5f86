"""An outlet that hears four cylinders of an eight at 90-180-270-180 degrees, one of them dead."""

import numpy as np

from ringland.cycles import find_cycles
from ringland.model import Channel, ChannelRole, Condition, CycleSet, EngineSpec, Recording, Verdict
from ringland.quality import check_recording

ORDER = (1, 8, 4, 3, 6, 5, 7, 2)
ENGINE = EngineSpec(
    "eight",
    8,
    ORDER,
    tuple(90.0 * i for i in range(8)),
    outlets=(1, 2, 1, 2, 1, 2, 1, 2),
    trigger_cylinder=1,
    trigger_advance_deg=0.0,
)


def recorded(*, alive: bool) -> Recording:
    """Three seconds at 700 rpm and 10 kS/s; without life the outlet holds noise only."""
    random = np.random.default_rng(3)
    time_s = np.arange(30_000) / 10_000.0
    angle = 6.0 * 700.0 * time_s
    exhaust = 0.03 * random.standard_normal(len(time_s))
    for position, cylinder in enumerate(ORDER):
        if alive and cylinder in (1, 3, 5):
            after = (angle - 90.0 * position - 160.0) % 720.0
            exhaust += np.exp(-0.5 * ((after - 25.0) / 16.0) ** 2)
    ignition = np.where(angle % 720.0 < 5.0, 5.0, 0.0)
    return Recording(
        (
            Channel("exhaust", ChannelRole.EXHAUST, exhaust, 10_000.0, "V"),
            Channel("ignition", ChannelRole.IGNITION, ignition, 10_000.0, "V"),
        ),
        condition=Condition.IDLE,
    )


def verdict(recording: Recording) -> Verdict:
    """Verdict on the exhaust once the cycles are known."""
    cycles = find_cycles(recording, ENGINE)
    assert isinstance(cycles, CycleSet)
    return check_recording(recording, ENGINE, cycles).verdict("exhaust")


def test_uneven_pulses_are_not_taken_for_noise() -> None:
    assert verdict(recorded(alive=True)) is not Verdict.UNUSABLE
    assert check_recording(recorded(alive=True), ENGINE).verdict("exhaust") is not Verdict.UNUSABLE


def test_noise_still_is() -> None:
    assert verdict(recorded(alive=False)) is Verdict.UNUSABLE

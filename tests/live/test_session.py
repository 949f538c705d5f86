"""A session that is recorded to disk, and what becomes of it when something goes wrong."""

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ringland.engines import layout
from ringland.instruments.keep import Keeper, KeptHead, read_kept
from ringland.instruments.played import Played, PlayFaults
from ringland.instruments.protocol import (
    Block,
    Ended,
    InputInfo,
    Instrument,
    InstrumentInfo,
    SetUp,
    Wanted,
    WantedInput,
)
from ringland.live.finish import finish
from ringland.live.monitor import Meters, SlowCopy, look
from ringland.live.session import Event, LiveSession, LiveView, SessionState
from ringland.model import Channel, ChannelRole, Condition, EngineSpec, Recording
from ringland.readers import read_recording

RATE = 2000.0
INFO = InstrumentInfo(
    "test", "a four-cylinder engine", (InputInfo("exhaust"), InputInfo("crankcase"))
)
WANTED = Wanted(
    RATE,
    (WantedInput("exhaust", ChannelRole.EXHAUST), WantedInput("crankcase", ChannelRole.CRANKCASE)),
)
FOUR = EngineSpec("a four", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0), idle_speed_rpm=750.0)


def pulses(seconds: float, *, quiet_s: float = 0.0) -> Callable[[Wanted], Recording]:
    """Invented pulses at 750 rpm, after a quiet start."""

    def make(wanted: Wanted) -> Recording:
        rng = np.random.default_rng(3)
        t = np.arange(round(seconds * wanted.rate_hz)) / wanted.rate_hz
        phase = 25.0 * t
        strength = np.repeat(1.0 + 0.05 * rng.standard_normal(int(phase[-1]) + 2), 1)
        wave = np.exp(6.0 * (np.cos(2 * np.pi * phase) - 1.0)) * strength[phase.astype(int)]
        case = 0.5 * np.sin(2 * np.pi * phase)
        on = t >= quiet_s
        exhaust = np.where(on, wave, 0.0) + 0.005 * rng.standard_normal(len(t))
        crankcase = np.where(on, case, 0.0) + 0.005 * rng.standard_normal(len(t))
        return Recording(
            (
                Channel(
                    "exhaust", ChannelRole.EXHAUST, exhaust, wanted.rate_hz, "V", 0.0, (-2.0, 2.0)
                ),
                Channel(
                    "crankcase",
                    ChannelRole.CRANKCASE,
                    crankcase,
                    wanted.rate_hz,
                    "V",
                    0.0,
                    (-2.0, 2.0),
                ),
            )
        )

    return make


def run(
    tmp_path: Path,
    instrument: Instrument,
    *,
    event: Event | None = None,
    until: Callable[[LiveView], bool] = lambda view: False,
    longest_s: float = 20.0,
) -> tuple[LiveView, Path]:
    """A whole session; stopped when `until` says so or it ends by itself."""
    set_up = instrument.configure(WANTED)
    path = tmp_path / "a.blocks"
    keeper = Keeper(path, KeptHead(set_up, Condition.IDLE, "2026-03-09T08:00:00Z"))
    session = LiveSession(instrument, set_up, keeper, event=event)
    session.start()
    stop = time.monotonic() + longest_s
    while time.monotonic() < stop:
        view = session.view()
        if view.state is SessionState.ENDED or until(view):
            break
        time.sleep(0.01)
    return session.stop("asked"), path


def fast(seconds: float = 4.0, faults: PlayFaults | None = None) -> Played:
    return Played(INFO, pulses(seconds), pace=0.0, faults=faults)


def test_everything_is_kept(tmp_path: Path) -> None:
    view, path = run(tmp_path, fast())
    kept = read_kept(path)
    assert view.ended == Ended("the engine was switched off")
    assert kept.sample_count == view.safe_samples == 8000
    expected = pulses(4.0)(WANTED).channels[0].samples
    got = np.concatenate([b.samples for b in kept.blocks])[:, 0]
    np.testing.assert_allclose(got, expected, atol=1e-6)


def test_a_pulled_cable_leaves_what_was_recorded(tmp_path: Path) -> None:
    view, path = run(tmp_path, fast(faults=PlayFaults(pulled_s=1.5)))
    assert view.ended is not None
    assert view.ended.fault
    kept = read_kept(path)
    assert kept.sample_count == view.safe_samples == 3000
    assert "pulled" in kept.notes[0]
    done = finish(path, tmp_path / "a.h5")
    assert read_recording(done.path).duration_s == pytest.approx(1.5)


def test_a_rebooted_instrument_ends_it_without_mixing(tmp_path: Path) -> None:
    view, path = run(tmp_path, fast(faults=PlayFaults(restart_s=2.0)))
    assert view.ended is not None
    assert "anew" in view.ended.reason
    assert read_kept(path).sample_count == 4000


def test_lost_samples_are_counted_and_become_missing(tmp_path: Path) -> None:
    view, path = run(tmp_path, fast(faults=PlayFaults(lost_s=((1.0, 0.2),))))
    assert view.lost_samples == 400
    recording = finish(path, tmp_path / "a.h5").recording
    assert np.isnan(recording.channels[0].samples[2000:2400]).all()
    assert len(recording.channels[0].samples) == 8000


def test_a_full_disk_ends_it_with_all_that_was_reported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    written = 0
    real = Keeper._write

    def full(self: Keeper, data: bytes) -> bool:
        nonlocal written
        written += len(data)
        if written > 20_000:
            self.failed = "No space left on device"
            return False
        return real(self, data)

    monkeypatch.setattr(Keeper, "_write", full)
    view, path = run(tmp_path, fast())
    assert view.ended is not None
    assert "No space left" in view.ended.reason
    assert 0 < view.safe_samples == read_kept(path).sample_count < 8000


class Breaks:
    """An instrument whose driver raises what no one expects."""

    def __init__(self) -> None:
        self._inner = fast()
        self._left = 5

    def describe(self) -> InstrumentInfo:
        return self._inner.describe()

    def configure(self, wanted: Wanted) -> SetUp:
        return self._inner.configure(wanted)

    def arm(self) -> None:
        self._inner.arm()

    def fetch(self, timeout_s: float) -> Block | Ended | None:
        self._left -= 1
        if self._left < 0:
            raise ZeroDivisionError("driver")
        return self._inner.fetch(timeout_s)

    def stop(self) -> None:
        self._inner.stop()


def test_a_driver_that_fails_loses_nothing(tmp_path: Path) -> None:
    view, path = run(tmp_path, Breaks())
    assert view.ended is not None
    assert "ZeroDivisionError" in view.ended.reason
    assert read_kept(path).sample_count == view.safe_samples == 500


def test_the_wall_clock_may_jump(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real, calls = time.time, [0]

    def jumps() -> float:
        calls[0] += 1
        return real() + (86_400.0 if calls[0] % 2 else -86_400.0)

    monkeypatch.setattr(time, "time", jumps)
    view, path = run(tmp_path, fast())
    assert view.safe_samples == 8000
    assert all(b.arrived_s > 0.0 for b in read_kept(path).blocks)


def test_what_came_before_the_event_is_there(tmp_path: Path) -> None:
    event = Event(before_s=1.0, after_s=1.5)
    instrument = Played(INFO, pulses(8.0, quiet_s=3.0), pace=0.0)
    view, path = run(tmp_path, instrument, event=event)
    assert view.ended == Ended("the event is recorded")
    kept = read_kept(path)
    first = kept.blocks[0].first / RATE
    assert 1.9 < first < 2.9  # a second before the engine started
    samples = np.concatenate([b.samples for b in kept.blocks])[:, 0]
    start = round((3.0 - first) * RATE)
    assert np.abs(samples[: start - 10]).max() < 0.05
    assert np.abs(samples[start:]).max() > 0.8
    assert len(samples) / RATE == pytest.approx(2.5, abs=0.3)


def test_no_event_no_recording(tmp_path: Path) -> None:
    instrument = Played(INFO, pulses(4.0, quiet_s=100.0), pace=0.0)
    view, path = run(tmp_path, instrument, event=Event())
    assert view.safe_samples == 0
    assert read_kept(path).blocks == ()


def test_meters_show_level_and_clipping() -> None:
    instrument = fast()
    set_up = instrument.configure(WANTED)
    meters = Meters(set_up)
    meters.add(Block(0, np.array([[1.0, 0.0], [-1.0, 0.02]], np.float32), 0.0))
    exhaust, crankcase = meters.show()
    assert exhaust.used == pytest.approx(0.5)
    assert exhaust.advice == "good"
    assert crankcase.advice == "hardly moves"
    meters.add(Block(2, np.array([[2.0, 0.0]] * 3, np.float32), 0.0))
    assert meters.show()[0].clipped == 3
    assert "CLIPS" in meters.show()[0].advice


def test_the_slow_copy_keeps_a_short_trigger_pulse_and_the_last_minute() -> None:
    channels = replace(fast().configure(WANTED), rate_hz=100_000.0).channels
    ignition = replace(channels[1], role=ChannelRole.IGNITION)
    set_up = SetUp("test", 100_000.0, (channels[0], ignition))
    slow = SlowCopy(set_up)
    rows = np.zeros((100_000, 2), np.float32)
    rows[50_003, 1] = -5.0
    for second in range(90):
        slow.add(Block(second * 100_000, rows, 0.0))
    made = slow.recording(Condition.IDLE, None)
    assert made.channels[0].rate_hz == pytest.approx(5000.0)
    assert 60.0 <= made.duration_s <= 61.5
    assert made.channels[1].samples.min() == -5.0


def test_a_look_while_recording(tmp_path: Path) -> None:
    instrument = fast(8.0)
    set_up = instrument.configure(WANTED)
    slow = SlowCopy(set_up)
    instrument.arm()
    while isinstance(block := instrument.fetch(0.1), Block):
        slow.add(block)
    seen = look(slow.recording(Condition.IDLE, None), FOUR, wanted=0.05, shortest_s=5.0)
    assert seen.speed.value == pytest.approx(750.0, rel=0.01)
    assert seen.precision is not None
    assert seen.precision.enough
    assert seen.remaining_s == 0.0
    assert len(seen.cylinders) == 4
    assert "pedals" in seen.coaching


@pytest.mark.parametrize(("now", "words"), [(1620.0, "ease off"), (1400.0, "a little more"),
                                            (1510.0, "hold it there")])  # fmt: skip
def test_coaching_for_a_held_speed(now: float, words: str) -> None:
    from ringland.live.monitor import _coach

    assert words in _coach(Condition.HELD, now, 0.01, 1500.0)


def test_simulated_vehicle_with_a_person_at_the_pedal(tmp_path: Path) -> None:
    from ringland.live.simulated import SimulatedVehicle, simulated_instrument

    engine = layout("I4-1342").engine
    vehicle = SimulatedVehicle(engine, Condition.HELD, seconds=6.0, seed=2)
    instrument = simulated_instrument(vehicle, pace=0.0)
    names = [i.name for i in instrument.describe().inputs]
    assert names == ["exhaust", "crankcase", "ignition", "intake"]
    set_up = instrument.configure(
        Wanted(5000.0, tuple(WantedInput(n, ChannelRole(n)) for n in names))
    )
    assert "invented" in " ".join(set_up.notes)
    slow = SlowCopy(set_up)
    instrument.arm()
    while isinstance(block := instrument.fetch(0.1), Block):
        slow.add(block)
    seen = look(slow.recording(Condition.HELD, None), engine, wanted=0.05, shortest_s=5.0)
    assert seen.speed_now_rpm == pytest.approx(1500.0, rel=0.04)
    assert seen.steadiness is not None
    assert seen.steadiness > 0.02  # the person started too fast

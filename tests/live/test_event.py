"""A snap and a starter are seen; an idle that stumbles, a trigger and a flat input are not."""

import numpy as np
import pytest

from ringland.engines import layout
from ringland.instruments.protocol import Block, Ended, LiveChannel, SetUp, Wanted, WantedInput
from ringland.live.event import EventWatch
from ringland.live.simulated import SimulatedVehicle, simulated_instrument
from ringland.model import ChannelRole, Condition

RATE = 2000.0


def set_up(*roles: ChannelRole, resolution: float | None = None) -> SetUp:
    return SetUp("t", RATE, tuple(LiveChannel(r.value, r, resolution=resolution) for r in roles))


def event_s(watch: EventWatch, samples: np.ndarray, length: int) -> float | None:
    """When it is seen, fed in blocks of so many samples."""
    for at in range(0, len(samples), length):
        if watch.seen(Block(at, samples[at : at + length].astype(np.float32), 0.0)):
            return (at + length) / RATE
    return None


def noise(seconds: float) -> np.ndarray:
    return np.random.default_rng(1).standard_normal((round(seconds * RATE), 1))


@pytest.mark.parametrize("length", [1, 37, 100, 700])
def test_twice_as_lively_is_seen_whatever_the_blocks(length: int) -> None:
    rise = np.where(np.arange(round(6.0 * RATE)) > 4.0 * RATE, 3.0, 1.0)[:, None]
    seen = event_s(EventWatch(set_up(ChannelRole.EXHAUST)), rise * noise(6.0), length)
    assert seen is not None
    assert 4.1 < seen < 4.35 + length / RATE


def test_a_short_knock_is_not_an_event() -> None:
    samples = noise(6.0)
    samples[round(4.02 * RATE) : round(4.08 * RATE)] *= 20.0
    assert event_s(EventWatch(set_up(ChannelRole.EXHAUST)), samples, 100) is None


def test_a_trigger_alone_is_no_event_and_hides_none() -> None:
    t = np.arange(round(6.0 * RATE)) / RATE
    trigger = 10.0 * ((6.0 * t + 12.0 * (t > 3.0) * (t - 3.0)) % 1.0 < 0.03)  # the speed trebles
    exhaust = noise(6.0)[:, 0]
    both = set_up(ChannelRole.EXHAUST, ChannelRole.IGNITION)
    assert event_s(EventWatch(both), np.stack([exhaust, trigger], axis=1), 100) is None
    louder = np.where(t > 4.0, 4.0, 1.0) * exhaust
    assert event_s(EventWatch(both), np.stack([louder, trigger], axis=1), 100) is not None


def test_one_step_of_a_flat_input_is_not_an_event() -> None:
    samples = np.zeros((round(6.0 * RATE), 1))
    samples[round(4.0 * RATE) :: 7] = 0.01
    watch = EventWatch(set_up(ChannelRole.EXHAUST, resolution=0.01))
    assert event_s(watch, samples, 100) is None


@pytest.mark.parametrize("engine", ["I1", "I3-132", "I4-1342", "I6-153624", "V8-90-18436572"])
@pytest.mark.parametrize(
    ("condition", "begins_s", "ends_s"),
    [(Condition.SNAP, 2.0, 2.8), (Condition.CRANKING, 3.0, 3.6), (Condition.IDLE, None, None)],
)
def test_a_simulated_vehicle(
    engine: str, condition: Condition, begins_s: float | None, ends_s: float | None
) -> None:
    """The simulator opens the throttle after a fifth of ten seconds, and turns the key after three;
    an idle never is an event."""
    spec = layout(engine).engine
    vehicle = SimulatedVehicle(spec, condition, seconds=10.0, seed=4, faults=("misfire:1:50%",)
                               if condition is Condition.IDLE else ())  # fmt: skip
    instrument = simulated_instrument(vehicle, pace=0.0)
    inputs = [i.name for i in instrument.describe().inputs]
    made = instrument.configure(Wanted(RATE, tuple(WantedInput(n, ChannelRole(n)) for n in inputs)))
    watch, seen = EventWatch(made), None
    instrument.arm()
    while seen is None and not isinstance(block := instrument.fetch(0.1), Ended):
        if block is not None and watch.seen(block):
            seen = block.stop / RATE
    if begins_s is None or ends_s is None:
        assert seen is None
    else:
        assert seen is not None
        assert begins_s < seen < ends_s

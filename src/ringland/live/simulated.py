"""The simulator as an instrument: a vehicle with a person at the pedal. Invented data."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ringland.errors import SettingError
from ringland.instruments.played import Played, PlayFaults
from ringland.instruments.protocol import InputInfo, Instrument, InstrumentInfo, Wanted
from ringland.model import Channel, ChannelRole, Condition, EngineSpec, Recording

__all__ = ["PersonAtPedal", "SimulatedVehicle", "simulated_instrument"]

FloatArray = NDArray[np.float64]

TITLE = "simulated vehicle"
NOTICE = "Simulated instrument: invented data, no engine is recorded."
_LONGEST_S = 60.0
_PATH_M = 3.0
_QUIET_S = 3.0
_INPUTS = (
    ChannelRole.EXHAUST,
    ChannelRole.EXHAUST_2,
    ChannelRole.CRANKCASE,
    ChannelRole.IGNITION,
    ChannelRole.INTAKE,
    ChannelRole.STARTER_CURRENT,
)


@dataclass(frozen=True)
class PersonAtPedal:
    """How a person holds a speed: first off by `start_error`, found in about `settle_s`, then never
    quite still (`wobble`, standard deviation), in movements about `move_s` long."""

    start_error: float = 0.08
    settle_s: float = 3.0
    wobble: float = 0.006
    move_s: float = 1.2


@dataclass(frozen=True)
class SimulatedVehicle:
    """What the simulated instrument is connected to."""

    engine: EngineSpec
    condition: Condition = Condition.IDLE
    seconds: float = 30.0
    faults: tuple[str, ...] = ()
    seed: int = 0
    snr_db: float = 25.0
    person: PersonAtPedal = PersonAtPedal()

    def __post_init__(self) -> None:
        if not 1.0 <= self.seconds <= _LONGEST_S:
            raise SettingError(
                "The simulated engine cannot run so long.",
                got=f"{self.seconds:g} s",
                allowed=f"1 to {_LONGEST_S:g} s",
            )


def simulated_instrument(
    vehicle: SimulatedVehicle,
    *,
    pace: float = 1.0,
    play_faults: PlayFaults | None = None,
    change: Callable[[Recording], Recording] | None = None,
) -> Instrument:
    """An instrument on a simulated vehicle; `pace` 0 runs as fast as it is fetched.

    `change` is applied to the recording before it is played (for faults of the hook-up).
    """
    roles = [r for r in _INPUTS if _there(r, vehicle)]
    info = InstrumentInfo(
        "simulator",
        TITLE,
        tuple(InputInfo(r.value, "A" if r is ChannelRole.STARTER_CURRENT else "V") for r in roles),
        (1000.0, 200_000.0),
        (NOTICE, f"It behaves like the engine described: {vehicle.engine.name or 'no name'}."),
    )

    def make(wanted: Wanted) -> Recording:
        recording = _run(vehicle, wanted.rate_hz)
        return recording if change is None else change(recording)

    return Played(info, make, pace=pace, faults=play_faults)


def _there(role: ChannelRole, vehicle: SimulatedVehicle) -> bool:
    if role is ChannelRole.EXHAUST_2:
        return vehicle.engine.outlet_count > 1
    if role is ChannelRole.STARTER_CURRENT:
        return vehicle.condition is Condition.CRANKING
    if role is ChannelRole.IGNITION:
        return vehicle.condition is not Condition.CRANKING
    return True


def _run(vehicle: SimulatedVehicle, rate_hz: float) -> Recording:
    from ringland.simulator.faults import parse_fault
    from ringland.simulator.hookup import HookUp, plain_path, record
    from ringland.simulator.hookup_wired import Trigger
    from ringland.simulator.parameters import simulated_engine, with_healthy_spread
    from ringland.simulator.recorder import Recorder
    from ringland.simulator.run import simulate
    from ringland.simulator.sensors import PulseSensor

    engine = vehicle.engine
    first = 1 if 1 in engine.firing_order else engine.firing_order[0]
    advance = engine.trigger_advance_deg
    hookup = HookUp(
        paths=tuple(
            plain_path((engine.exhaust_path_m or _PATH_M) + 0.4 * i)
            for i in range(engine.outlet_count)
        ),
        crankcase_sensor=PulseSensor(sensitivity=5.0e-4),
        intake_sensor=PulseSensor(sensitivity=1.0e-4),
        trigger=None
        if vehicle.condition is Condition.CRANKING
        else Trigger(
            engine.trigger_cylinder or first,
            10.0 if advance is None else advance,
            engine.trigger_pulses_per_cycle or 1,
        ),
        starter_clamp=vehicle.condition is Condition.CRANKING,
    )
    result = simulate(
        with_healthy_spread(simulated_engine(engine), seed=vehicle.seed),
        condition=vehicle.condition.value,
        seconds=vehicle.seconds,
        faults=tuple(parse_fault(text) for text in vehicle.faults),
        seed=vehicle.seed,
    )
    recorder = Recorder(rate_hz=rate_hz, snr_db=vehicle.snr_db)
    made = record(result, hookup, recorder=recorder, seed=vehicle.seed)
    if vehicle.condition is Condition.HELD:
        made = _held_by_a_person(made, vehicle)
    elif vehicle.condition is Condition.CRANKING:
        made = _quiet_first(made, vehicle)
    return replace(made, notes=(NOTICE,))


def _held_by_a_person(recording: Recording, vehicle: SimulatedVehicle) -> Recording:
    """The recording's time stretched and squeezed as a foot does it; all channels alike."""
    person = vehicle.person
    rate = recording.channels[0].rate_hz
    count = len(recording.channels[0].samples)
    time_s = np.arange(count) / rate
    rng = np.random.default_rng([vehicle.seed, 271])
    knots = np.arange(0.0, time_s[-1] + 2.0 * person.move_s, 0.5 * person.move_s)
    moves = np.interp(time_s, knots, person.wobble * rng.standard_normal(len(knots)))
    speed = 1.0 + person.start_error * np.exp(-time_s / (person.settle_s / 3.0)) + moves
    warped = np.concatenate([[0.0], np.cumsum(speed[:-1])]) / rate
    last = int(np.searchsorted(warped, time_s[-1]))
    return replace(
        recording,
        channels=tuple(_stretched(c, warped[:last], time_s) for c in recording.channels),
    )


def _quiet_first(recording: Recording, vehicle: SimulatedVehicle) -> Recording:
    """Nothing but noise until the key is turned."""
    rng = np.random.default_rng([vehicle.seed, 577])
    channels = []
    for channel in recording.channels:
        count = round(_QUIET_S * channel.rate_hz)
        quiet = 0.01 * float(np.std(channel.samples)) * rng.standard_normal(count)
        channels.append(replace(channel, samples=np.concatenate([quiet, channel.samples])))
    return replace(recording, channels=tuple(channels))


def _stretched(channel: Channel, at_s: FloatArray, time_s: FloatArray) -> Channel:
    values = np.interp(at_s, time_s, channel.samples)
    if channel.resolution and math.isfinite(channel.resolution):
        values = np.round(values / channel.resolution) * channel.resolution
    return replace(channel, samples=values)

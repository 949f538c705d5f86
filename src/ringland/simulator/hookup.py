"""Sensors on a simulated engine: what is clipped on where, what can be wrong with it, and the
recording that comes out."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from ringland.errors import SettingError
from ringland.model import (
    Channel,
    ChannelRole,
    EdgeTrain,
    EngineSpec,
    Provenance,
    Recording,
    SourceInfo,
    ToothWheel,
)
from ringland.simulator.hookup_wired import (
    Trigger,
    TriggerFault,
    ignition_voltage,
    tooth_edges_s,
    tooth_voltage,
    trigger_events_s,
)
from ringland.simulator.pipes import (
    ExhaustPath,
    PipeSection,
    Tube,
    sound_speed_m_s,
    tailpipe_pressure,
    tube_pressure,
)
from ringland.simulator.recorder import Recorder, digitise
from ringland.simulator.result import CycleTruth, FaultTruth, SimulationResult
from ringland.simulator.sensors import PulseSensor, sensor_output

__all__ = [
    "FaultKind",
    "HookUp",
    "HookUpFault",
    "RecordingTruth",
    "described",
    "plain_path",
    "record",
    "truth",
]

Array = NDArray[np.float64]

_SETTLE_S = 0.4  # mirrored run-in, so that pipes and sensors start settled
_EXHAUST_CENTRE_DEG = {4: 220.0, 2: 150.0}  # middle of the outflow after firing TDC, by strokes
_GATE_WIDTH_DEG = 25.0
_BLOCKED_HOSE_HZ = 6.0
_UNPLUGGED_NOISE = 2.0e-4  # of the unit, standard deviation of an open input
_EXHAUST_ROLES = (ChannelRole.EXHAUST, ChannelRole.EXHAUST_2)
_ROLE_NUMBER = {role: n for n, role in enumerate(ChannelRole)}


class FaultKind(StrEnum):
    """Hook-up faults; what `size` means in brackets. Trigger faults are `TriggerFault`."""

    EXHAUST_LEAK = "exhaust_leak"  # hole diameter, m
    SWAPPED_CHANNELS = "swapped_channels"  # exhaust and crankcase leads exchanged (unused)
    WRONG_OUTLET = "wrong_outlet"  # the two exhaust sensors exchanged (unused)
    UNPLUGGED = "unplugged"  # (unused)
    HOSE_BLOCKED = "hose_blocked"  # corner frequency left, Hz (0: 6 Hz)


@dataclass(frozen=True)
class HookUpFault:
    """One thing wrong with the hook-up; `role` of the channel for UNPLUGGED and HOSE_BLOCKED, and
    for EXHAUST_LEAK (default: the first exhaust)."""

    kind: FaultKind | TriggerFault
    size: float = 0.0
    role: ChannelRole | None = None


def plain_path(length_m: float = 3.0, diameter_m: float = 0.05) -> ExhaustPath:
    """One straight pipe of the given length."""
    return ExhaustPath((PipeSection(length_m, diameter_m),))


@dataclass(frozen=True)
class HookUp:
    """What is connected to the engine.

    `paths`: one exhaust path per outlet, outlet numbers rising; a single one serves all outlets.
    Sensors that are None are not connected. `exhaust_outlets`: outlet numbers with a sensor, first
    one recorded as `exhaust`, second as `exhaust_2` (empty: the first two there are).
    `exhaust_temperature_k`: gas leaving the collector, None for what the engine run says.
    """

    paths: tuple[ExhaustPath, ...] = field(default_factory=lambda: (plain_path(),))
    exhaust_outlets: tuple[int, ...] = ()
    exhaust_sensor: PulseSensor | None = field(default_factory=PulseSensor)
    exhaust_hose: Tube | None = None
    exhaust_temperature_k: float | None = None
    crankcase_sensor: PulseSensor | None = field(default_factory=PulseSensor)
    crankcase_tube: Tube | None = None
    intake_sensor: PulseSensor | None = None
    trigger: Trigger | None = None
    wheel: ToothWheel | None = None
    wheel_offset_deg: float = 0.0
    wheel_as_edges: bool = False
    starter_clamp: bool = False
    faults: tuple[HookUpFault, ...] = ()

    def fault(self, kind: FaultKind, role: ChannelRole | None = None) -> HookUpFault | None:
        """The first fault of this kind (on this channel, or not tied to one), or None."""
        return next(
            (f for f in self.faults if f.kind is kind and f.role in (None, role)),
            None,
        )


@dataclass(frozen=True, eq=False)
class RecordingTruth:
    """What is true of a made recording.

    `path_delay_s`: travel time from collector to sensor, per exhaust channel. `rotated`: firing
    positions that the trigger is off by.
    """

    engine: EngineSpec
    hookup: HookUp
    faults: tuple[FaultTruth, ...]
    cycles: CycleTruth
    path_delay_s: Mapping[ChannelRole, float]
    rotated: int
    seed: int


def described(engine: EngineSpec, hookup: HookUp) -> EngineSpec:
    """The engine description that the technician who made this hook-up would write."""
    trigger = hookup.trigger
    return replace(
        engine,
        trigger_cylinder=None if trigger is None else trigger.cylinder,
        trigger_advance_deg=None if trigger is None else trigger.advance_deg,
        trigger_pulses_per_cycle=None if trigger is None else trigger.pulses_per_cycle,
    )


def _outlets(result: SimulationResult, hookup: HookUp) -> dict[ChannelRole, int]:
    """Row of the exhaust arrays for each exhaust channel."""
    numbers = result.outlet_numbers
    wanted = hookup.exhaust_outlets or numbers[: len(_EXHAUST_ROLES)]
    unknown = [n for n in wanted if n not in numbers]
    if unknown or len(wanted) > len(_EXHAUST_ROLES):
        raise SettingError(
            "an exhaust sensor is on an outlet that cannot be recorded",
            got=f"outlets {list(wanted)}",
            allowed=f"up to {len(_EXHAUST_ROLES)} of {list(numbers)}",
        )
    rows = {role: numbers.index(n) for role, n in zip(_EXHAUST_ROLES, wanted, strict=False)}
    if hookup.fault(FaultKind.WRONG_OUTLET) and len(rows) == 2:
        rows = dict(zip(rows, reversed(rows.values()), strict=True))
    return rows


def _path(hookup: HookUp, row: int, role: ChannelRole) -> ExhaustPath:
    path = hookup.paths[min(row, len(hookup.paths) - 1)]
    leak = hookup.fault(FaultKind.EXHAUST_LEAK, role)
    if leak is None or (leak.role is None and role is not ChannelRole.EXHAUST):
        return path
    return _with_hole(path, leak.size)


def _with_hole(path: ExhaustPath, diameter_m: float) -> ExhaustPath:
    """A hole in the middle of the longest section."""
    longest = max(range(len(path.sections)), key=lambda i: path.sections[i].length_m)
    whole = path.sections[longest]
    half = whole.length_m / 2.0
    first = replace(whole, length_m=half, resistance_pa_s_m3=0.0, hole_diameter_m=diameter_m)
    second = replace(whole, length_m=half)
    sections = (*path.sections[:longest], first, second, *path.sections[longest + 1 :])
    return replace(path, sections=sections)


def _later(result: SimulationResult, row: int, path: ExhaustPath, speed_m_s: float) -> Array:
    """Flow of one outlet with each cylinder's pulse moved by its own primary length.

    The delay is a smooth function of crank angle, constant over each cylinder's exhaust stroke; the
    flow is scaled by 1 - d(delay)/dt so that no gas is made or lost.
    """
    engine, flow = result.engine, result.exhaust_flow_kg_s[row]
    positions = engine.positions_on_outlet(result.outlet_numbers[row])
    lengths = path.primary_lengths_m
    if not lengths:
        return np.asarray(flow)
    if len(lengths) != len(positions):
        raise SettingError(
            "primary lengths do not fit the outlet",
            got=f"{len(lengths)} lengths",
            allowed=f"{len(positions)}, one per firing position on this outlet",
        )
    extra_s = (np.asarray(lengths) - float(np.mean(lengths))) / speed_m_s
    centres = np.array([engine.firing_angles_deg[p - 1] for p in positions])
    centres = centres + _EXHAUST_CENTRE_DEG[engine.strokes]
    cycle = engine.cycle_deg
    grid: Array = np.arange(0.0, cycle, 1.0)
    apart = np.abs((grid[:, None] - centres + cycle / 2.0) % cycle - cycle / 2.0)
    step = extra_s[np.argmin(apart, axis=1)]
    reach = np.minimum(grid, cycle - grid)
    kernel = np.exp(-0.5 * (reach / _GATE_WIDTH_DEG) ** 2)
    smooth = np.fft.irfft(np.fft.rfft(step) * np.fft.rfft(kernel / kernel.sum()), len(grid))
    delay = np.interp(result.crank_angle_deg % cycle, grid, smooth, period=cycle)
    slope = np.gradient(delay, result.time_s)
    return np.asarray(np.interp(result.time_s - delay, result.time_s, flow) * (1.0 - slope))


def _settled(values: Array, rate_hz: float) -> tuple[Array, int]:
    """The signal with a mirrored run-in before it, and the length of the run-in."""
    count = min(len(values) - 1, round(_SETTLE_S * rate_hz))
    return np.concatenate([values[count:0:-1], values]), count


def _exhaust_pressure(
    result: SimulationResult, hookup: HookUp, row: int, role: ChannelRole
) -> tuple[Array, float]:
    """(gauge pressure at the sensor, travel time from collector to sensor)."""
    path = _path(hookup, row, role)
    temperature = hookup.exhaust_temperature_k or float(result.exhaust_temperature_k[row].mean())
    speed = sound_speed_m_s(temperature)
    flow, skip = _settled(_later(result, row, path, speed), result.rate_hz)
    heard = tailpipe_pressure(flow, temperature, result.rate_hz, path)
    if hookup.exhaust_hose is not None:
        heard = tube_pressure(heard, result.rate_hz, hookup.exhaust_hose)
    done, delay = 0.0, 0.0
    for section in path.sections:
        middle = done + section.length_m / 2.0
        excess = (temperature - path.ambient_k) * math.exp(-middle / path.cooling_length_m)
        delay += section.length_m / sound_speed_m_s(
            section.temperature_k or path.ambient_k + excess
        )
        done += section.length_m
    return heard[skip:], delay * (1.0 - path.sensor_inside_m / path.length_m)


def _crankcase_pressure(result: SimulationResult, hookup: HookUp) -> Array:
    gauge = result.crankcase_pressure_pa - result.ambient_pressure_pa
    if hookup.crankcase_tube is None:
        return np.asarray(gauge)
    longer, skip = _settled(gauge, result.rate_hz)
    return tube_pressure(longer, result.rate_hz, hookup.crankcase_tube)[skip:]


def _sensor(hookup: HookUp, sensor: PulseSensor, role: ChannelRole) -> PulseSensor:
    blocked = hookup.fault(FaultKind.HOSE_BLOCKED, role)
    if blocked is None or blocked.role is not role:
        return sensor
    return replace(sensor, hose_corner_hz=blocked.size or _BLOCKED_HOSE_HZ)


def _hiss(signal: Array, leak: HookUpFault | None, rng: np.random.Generator) -> Array:
    """Jet noise of a leak before the sensor: grows with the hole's area (own heuristic)."""
    if leak is None:
        return signal
    share = 0.05 * (leak.size / 0.01) ** 2
    return signal + share * float(signal.std()) * rng.standard_normal(len(signal))


def _pulse_signals(
    result: SimulationResult, hookup: HookUp, rng: np.random.Generator
) -> dict[ChannelRole, tuple[Array, str]]:
    """Sensor outputs before the recorder: role -> (signal at the run's rate, unit)."""
    rate, out = result.rate_hz, {}
    if hookup.exhaust_sensor is not None:
        for role, row in _outlets(result, hookup).items():
            pressure, _ = _exhaust_pressure(result, hookup, row, role)
            pressure = _hiss(pressure, hookup.fault(FaultKind.EXHAUST_LEAK, role), rng)
            sensor = _sensor(hookup, hookup.exhaust_sensor, role)
            out[role] = (sensor_output(pressure, rate, sensor), sensor.unit)
    if hookup.crankcase_sensor is not None:
        sensor = _sensor(hookup, hookup.crankcase_sensor, ChannelRole.CRANKCASE)
        pressure = _crankcase_pressure(result, hookup)
        out[ChannelRole.CRANKCASE] = (sensor_output(pressure, rate, sensor), sensor.unit)
    if hookup.intake_sensor is not None:
        sensor = _sensor(hookup, hookup.intake_sensor, ChannelRole.INTAKE)
        gauge = result.plenum_pressure_pa - result.ambient_pressure_pa
        out[ChannelRole.INTAKE] = (sensor_output(gauge, rate, sensor), sensor.unit)
    if hookup.fault(FaultKind.SWAPPED_CHANNELS) and {
        ChannelRole.EXHAUST,
        ChannelRole.CRANKCASE,
    } <= set(out):
        out[ChannelRole.EXHAUST], out[ChannelRole.CRANKCASE] = (
            out[ChannelRole.CRANKCASE],
            out[ChannelRole.EXHAUST],
        )
    return out


def _wired_signals(
    result: SimulationResult, hookup: HookUp, events: tuple[Array, Array] | None, rate_hz: float
) -> dict[ChannelRole, tuple[Array, str, float]]:
    """Trigger, teeth and current before the recorder: role -> (signal, unit, its rate)."""
    out: dict[ChannelRole, tuple[Array, str, float]] = {}
    fine_hz = max(4.0 * rate_hz, 40_000.0)
    count = int(len(result.time_s) / result.rate_hz * fine_hz)
    if hookup.trigger is not None and events is not None and not hookup.trigger.as_edges:
        volts = ignition_voltage(events, count, fine_hz)
        out[ChannelRole.IGNITION] = (volts, "V", fine_hz)
    if hookup.wheel is not None and not hookup.wheel_as_edges:
        time_s = np.arange(count) / fine_hz
        angle = np.interp(time_s, result.time_s, result.crank_angle_deg)
        volts = tooth_voltage(hookup.wheel, angle, fine_hz, hookup.wheel_offset_deg)
        out[ChannelRole.CRANK_TOOTH] = (volts, "V", fine_hz)
    if hookup.starter_clamp:
        out[ChannelRole.STARTER_CURRENT] = (result.starter_current_a, "A", result.rate_hz)
    return out


def _edge_trains(
    result: SimulationResult, hookup: HookUp, events: tuple[Array, Array] | None
) -> tuple[EdgeTrain, ...]:
    trains = []
    start, stop = float(result.time_s[0]), len(result.time_s) / result.rate_hz
    if hookup.trigger is not None and events is not None and hookup.trigger.as_edges:
        up, width = events[0], 1.0e-3
        apart = np.diff(up, append=np.inf)
        times = np.stack([up, up + np.minimum(width, 0.5 * apart)], axis=1).ravel()
        levels = np.tile([1, 0], len(up))
        trains.append(EdgeTrain("ignition", ChannelRole.IGNITION, times, levels, start, stop))
    if hookup.wheel is not None and hookup.wheel_as_edges:
        times, levels = tooth_edges_s(
            hookup.wheel, result.time_s, result.crank_angle_deg, hookup.wheel_offset_deg
        )
        trains.append(EdgeTrain("crank_tooth", ChannelRole.CRANK_TOOTH, times, levels, start, stop))
    return tuple(trains)


def _channel(
    role: ChannelRole,
    signal: tuple[Array, str, float],
    hookup: HookUp,
    recorder: Recorder,
    seed: int,
) -> Channel:
    values, unit, rate_hz = signal
    rng = np.random.default_rng([seed, 1, _ROLE_NUMBER[role]])
    wired = role in (ChannelRole.IGNITION, ChannelRole.CRANK_TOOTH, ChannelRole.STARTER_CURRENT)
    snr_db = recorder.wired_snr_db if wired else recorder.snr_db
    unplugged = hookup.fault(FaultKind.UNPLUGGED, role)
    if unplugged is not None and unplugged.role is role:
        values, snr_db = _UNPLUGGED_NOISE * rng.standard_normal(len(values)), None
    taken = digitise(values, rate_hz, recorder, snr_db=snr_db, rng=rng)
    return Channel(
        name=role.value,
        role=role,
        samples=taken.samples,
        rate_hz=recorder.rate_hz,
        unit=unit,
        full_scale=taken.full_scale,
        resolution=taken.resolution,
        role_reason="named by the simulated recorder",
    )


def record(
    result: SimulationResult, hookup: HookUp, *, recorder: Recorder | None = None, seed: int = 0
) -> Recording:
    """The recording this hook-up would give of a simulated run. Same arguments, same samples.

    Channels are named by role. Raises SettingError when the hook-up does not fit the engine.
    """
    recorder = recorder or Recorder()
    events = None
    if hookup.trigger is not None:
        events = trigger_events_s(
            result.engine,
            hookup.trigger,
            (result.time_s, result.crank_angle_deg),
            faults=tuple(
                (f.kind, f.size) for f in hookup.faults if isinstance(f.kind, TriggerFault)
            ),
            rng=np.random.default_rng([seed, 2]),
        )
    pulses = _pulse_signals(result, hookup, np.random.default_rng([seed, 3]))
    signals = {role: (*pair, result.rate_hz) for role, pair in pulses.items()}
    signals |= _wired_signals(result, hookup, events, recorder.rate_hz)
    return Recording(
        channels=tuple(_channel(r, s, hookup, recorder, seed) for r, s in signals.items()),
        edges=_edge_trains(result, hookup, events),
        source=SourceInfo("simulated, no real engine", "simulator"),
        condition=result.condition,
        notes=("Simulated recording: invented data.",),
        provenance=Provenance().then(
            "simulator.record",
            seed=seed,
            engine_seed=result.seed,
            engine=result.engine.name,
            rate_hz=recorder.rate_hz,
            snr_db=recorder.snr_db,
        ),
    )


def truth(result: SimulationResult, hookup: HookUp, *, seed: int = 0) -> RecordingTruth:
    """What is true of `record(result, hookup, seed=seed)`."""
    delays = {}
    if hookup.exhaust_sensor is not None:
        for role, row in _outlets(result, hookup).items():
            delays[role] = _exhaust_pressure(result, hookup, row, role)[1]
    wrong = [f.size for f in hookup.faults if f.kind is TriggerFault.WRONG_CYLINDER]
    return RecordingTruth(
        engine=result.engine,
        hookup=hookup,
        faults=result.faults,
        cycles=result.cycles,
        path_delay_s=delays,
        rotated=round(wrong[0]) if wrong else 0,
        seed=seed,
    )

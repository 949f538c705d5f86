"""Measure every channel once, before any check looks at it."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import scipy.fft

from ringland.model import Channel, ChannelRole, CycleSet, EngineSpec, Recording
from ringland.quality._hum import measure_hum
from ringland.quality._jumps import phase_jumps
from ringland.quality._repetition import find_in_pieces, rough_rpm, track_phase
from ringland.quality._scan import find_repeats, leading_edges, scan_samples
from ringland.quality._types import (
    ChannelFacts,
    FloatArray,
    RecordingFacts,
    RoughSpeed,
    Runs,
    TriggerFacts,
)

__all__ = ["RATE_RANGE_HZ", "SPEED_ROLES", "TRIGGER_ROLES", "gather", "with_cycles"]

RATE_RANGE_HZ = (1.0, 1e9)
SPEED_LIMITS_RPM = (10.0, 30_000.0)
TRIGGER_ROLES = frozenset({ChannelRole.IGNITION, ChannelRole.CAM, ChannelRole.CRANK_TOOTH})
SPEED_ROLES = (
    ChannelRole.EXHAUST,
    ChannelRole.CRANKCASE,
    ChannelRole.EXHAUST_2,
    ChannelRole.STARTER_CURRENT,
    ChannelRole.INTAKE,
    ChannelRole.SOUND,
)


def gather(
    recording: Recording, engine: EngineSpec | None, cycles: CycleSet | None
) -> RecordingFacts:
    """Scan all channels, find trigger pulses, and estimate the speed roughly."""
    channels = tuple(_channel(c) for c in recording.channels)
    triggers = [_sampled_trigger(f) for f in channels if f.channel.role in TRIGGER_ROLES]
    for train in recording.edges:
        rising = train.time_s[(train.level_after == 1) & np.isfinite(train.time_s)]
        triggers.append(TriggerFacts(train.name, train.role, rising, train.start_s, train.stop_s))
    return RecordingFacts(
        recording,
        engine,
        cycles,
        channels,
        tuple(triggers),
        _speed(recording, engine, cycles, channels),
    )


def with_cycles(facts: RecordingFacts, cycles: CycleSet | None) -> RecordingFacts:
    """The same samples, measured once, when the engine cycles have been found."""
    speed = _speed(facts.recording, facts.engine, cycles, facts.channels)
    return replace(facts, cycles=cycles, speed=speed)


def _channel(channel: Channel) -> ChannelFacts:
    rate = channel.rate_hz
    rate_ok = bool(RATE_RANGE_HZ[0] <= rate <= RATE_RANGE_HZ[1])  # False for NaN
    scan = scan_samples(
        channel.samples, rate if rate_ok else 1.0, channel.full_scale, channel.resolution
    )
    nothing = Runs(np.empty(0, np.int64), np.empty(0, np.int64))
    slow_rate = (rate if rate_ok else 1.0) / scan.block
    usable = rate_ok and scan.good >= 16 and not scan.flat and scan.slow.size >= 16
    trigger = channel.role in TRIGGER_ROLES
    frequency, amplitude = _spectrum(scan.slow, slow_rate) if usable else (_none(), _none())
    repetition = track = hum = None
    duration_s = scan.count / rate if rate_ok else 0.0
    if usable and not trigger:
        hum = measure_hum(scan, slow_rate, duration_s, amplitude)
        unit = (scan.slow - scan.mean) / scan.swing
        repetition = find_in_pieces(unit, slow_rate)
        if repetition is not None and repetition.found:
            track = track_phase(unit, slow_rate, repetition.rate_hz)
    return ChannelFacts(
        channel=channel,
        rate_ok=rate_ok,
        scan=scan,
        repeated=nothing if trigger or not usable else find_repeats(channel.samples),
        slow_rate_hz=slow_rate,
        frequency_hz=frequency,
        line_amplitude=amplitude,
        repetition=repetition,
        track=track,
        jumps=None if track is None else phase_jumps(track),
        hum=hum,
    )


def _none() -> FloatArray:
    return np.empty(0)


def _spectrum(slow: FloatArray, rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Hann-windowed amplitude spectrum; not padded, so that the line shape is the textbook's."""
    n = slow.size
    lines = np.abs(scipy.fft.rfft((slow - slow.mean()) * _hann(n)))
    amplitude = np.asarray(lines, dtype=np.float64) * (4.0 / n)
    return _frequencies(amplitude.size, rate_hz / n), amplitude


@lru_cache(maxsize=4)
def _frequencies(count: int, bin_hz: float) -> FloatArray:
    frequency: FloatArray = np.arange(count, dtype=np.float64) * bin_hz
    frequency.setflags(write=False)
    return frequency


@lru_cache(maxsize=4)  # the channels of a recording are mostly of one length
def _hann(count: int) -> FloatArray:
    window: FloatArray = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(count) / count)
    window.setflags(write=False)
    return window


def _sampled_trigger(facts: ChannelFacts) -> TriggerFacts:
    channel = facts.channel
    if not facts.rate_ok:
        return TriggerFacts(channel.name, channel.role, _none(), 0.0, 0.0)
    places = leading_edges(
        channel.samples, facts.scan, teeth=channel.role is not ChannelRole.IGNITION
    )
    return TriggerFacts(
        channel.name,
        channel.role,
        facts.start_s + places / channel.rate_hz,
        facts.start_s,
        facts.start_s + facts.duration_s,
    )


def _speed(
    recording: Recording,
    engine: EngineSpec | None,
    cycles: CycleSet | None,
    channels: tuple[ChannelFacts, ...],
) -> RoughSpeed | None:
    hint = recording.speed_hint_rpm
    found = None if cycles is None else cycles.mean_speed_rpm.value
    for rpm, source in ((found, "the engine cycles found"), (hint, "the speed given")):
        if rpm is not None and SPEED_LIMITS_RPM[0] <= rpm <= SPEED_LIMITS_RPM[1]:
            return RoughSpeed(rpm, source)
    if engine is None or engine.cylinders < 1:
        return None
    for role in SPEED_ROLES:
        for facts in channels:
            if facts.channel.role is role and facts.periodic is not None:
                rpm = rough_rpm(facts.periodic, engine, role, recording.condition)
                if rpm is not None:
                    return RoughSpeed(rpm, f"the pulses on {facts.channel.name}")
    return None

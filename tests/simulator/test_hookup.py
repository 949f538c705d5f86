"""Hook-up of sensors to a run: here a run made of pulses, so that every answer is known."""

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from ringland.errors import SettingError
from ringland.model import ChannelRole, Condition, EngineSpec, Recording
from ringland.simulator.hookup import (
    FaultKind,
    HookUp,
    HookUpFault,
    described,
    plain_path,
    record,
    truth,
)
from ringland.simulator.hookup_random import HookUpPrior, random_hookup, random_recorder
from ringland.simulator.hookup_wired import WHEELS, Trigger, TriggerFault
from ringland.simulator.pipes import End
from ringland.simulator.recorder import Recorder
from ringland.simulator.result import CycleTruth, SimulationResult
from ringland.simulator.sensors import PulseSensor

Array = NDArray[np.float64]
RATE_HZ = 20_000.0
RPM = 800.0


def pulses(
    cylinders: int = 4, outlets: tuple[int, ...] = (), seconds: float = 3.0, weak: int = 0
) -> SimulationResult:
    """One outflow pulse per cylinder, 140 to 240 deg after its firing; crankcase at order 2."""
    engine = EngineSpec(
        "pulses",
        cylinders,
        tuple(range(1, cylinders + 1)),
        tuple(720.0 / cylinders * i for i in range(cylinders)),
        outlets=outlets,
    )
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    angle = t * RPM * 6.0 + 33.0
    numbers = sorted(set(engine.outlets))
    flow = np.zeros((len(numbers), len(t)))
    for cylinder in engine.firing_order:
        x = (angle - engine.firing_angle_deg(cylinder) - 140.0) % 720.0
        pulse = 0.03 * np.sin(np.pi * np.minimum(x, 100.0) / 100.0) ** 2
        row = numbers.index(engine.outlets[cylinder - 1])
        flow[row] += pulse * (0.4 if cylinder == weak else 1.0)
    none = np.zeros(len(t))
    count = int(angle[-1] // 720.0) + 1
    empty = np.zeros((count, cylinders))
    return SimulationResult(
        engine=engine,
        condition=Condition.IDLE,
        rate_hz=RATE_HZ,
        time_s=t,
        crank_angle_deg=angle,
        speed_rpm=none + RPM,
        exhaust_flow_kg_s=flow,
        exhaust_pressure_pa=flow + 101_325.0,
        exhaust_temperature_k=flow * 0.0 + 600.0,
        crankcase_pressure_pa=101_325.0 + 300.0 * np.sin(np.radians(2.0 * angle)),
        crankcase_flow_kg_s=none,
        plenum_pressure_pa=none + 35_000.0,
        starter_current_a=100.0 + 20.0 * np.sin(np.radians(2.0 * angle)),
        battery_v=none + 12.6,
        cycles=CycleTruth(empty, empty > 1.0, empty, empty, empty, empty, empty, empty),
    )


def samples(recording: Recording, role: ChannelRole) -> Array:
    channel = recording.channel(role)
    assert channel is not None
    return np.asarray(channel.samples)


def spikes_s(recording: Recording) -> Array:
    channel = recording.channel(ChannelRole.IGNITION)
    assert channel is not None
    high = channel.samples > 0.5 * channel.samples.max()
    return np.flatnonzero(high[1:] & ~high[:-1]) / channel.rate_hz


def test_the_same_seed_gives_the_same_samples_and_another_gives_others() -> None:
    run = pulses()
    hookup = random_hookup(np.random.default_rng(1), run.engine)
    recorder = Recorder(snr_db=20.0)
    first, again, other = (record(run, hookup, recorder=recorder, seed=s) for s in (5, 5, 6))
    for a, b, c in zip(first.channels, again.channels, other.channels, strict=True):
        assert np.array_equal(a.samples, b.samples)
        assert not np.array_equal(a.samples, c.samples)


def test_channels_units_ranges_and_length() -> None:
    hookup = HookUp(
        trigger=Trigger(1), intake_sensor=PulseSensor(), starter_clamp=True, wheel=WHEELS["60-2"]
    )
    recording = record(pulses(), hookup, recorder=Recorder(rate_hz=10_000.0))
    assert {c.role for c in recording.channels} == {
        ChannelRole.EXHAUST,
        ChannelRole.CRANKCASE,
        ChannelRole.INTAKE,
        ChannelRole.IGNITION,
        ChannelRole.CRANK_TOOTH,
        ChannelRole.STARTER_CURRENT,
    }
    for channel in recording.channels:
        assert len(channel.samples) == 30_000
        assert channel.full_scale is not None and channel.resolution is not None
        assert channel.samples.min() >= channel.full_scale[0]
        assert channel.samples.max() <= channel.full_scale[1]
        assert channel.unit == ("A" if channel.role is ChannelRole.STARTER_CURRENT else "V")
    assert recording.condition is Condition.IDLE
    assert any("invented" in note for note in recording.notes)


def test_a_pulse_is_late_by_the_path() -> None:
    run = pulses()
    bare = replace(plain_path(0.3), end=End.MATCHED, collector_volume_m3=0.0, losses=False)
    longer = replace(bare, sections=(replace(bare.sections[0], length_m=3.3),))
    sensor = PulseSensor(low_corner_hz=0.0)
    heard = [
        samples(
            record(run, HookUp(paths=(p,), exhaust_sensor=sensor, crankcase_sensor=None)),
            ChannelRole.EXHAUST,
        )
        for p in (bare, longer)
    ]
    lags = np.arange(400)
    match = [float(np.dot(heard[0][5000:40_000], heard[1][5000 + k : 40_000 + k])) for k in lags]
    delay = truth(run, HookUp(paths=(longer,))).path_delay_s[ChannelRole.EXHAUST]
    less = truth(run, HookUp(paths=(bare,))).path_delay_s[ChannelRole.EXHAUST]
    # 4 periods of 37.5 ms do not fit the search range, so the first maximum is the delay
    assert float(np.argmax(match)) / RATE_HZ == pytest.approx(delay - less, abs=1.5 / RATE_HZ)
    assert delay - less == pytest.approx(3.0 / 482.5, rel=2e-3)  # GRI-Mech 3.0 at 600 K


@pytest.mark.parametrize("per_cycle", [1, 2])
@pytest.mark.parametrize("as_edges", [False, True])
def test_trigger_pulses_come_before_their_cylinder(per_cycle: int, as_edges: bool) -> None:
    run = pulses()
    trigger = Trigger(3, 12.0, pulses_per_cycle=per_cycle, jitter_deg=0.0, as_edges=as_edges)
    recording = record(run, HookUp(trigger=trigger), recorder=Recorder(rate_hz=50_000.0))
    if as_edges:
        train = recording.edge_train(ChannelRole.IGNITION)
        assert train is not None
        times = train.time_s[train.level_after == 1]
    else:
        times = spikes_s(recording)
    angles = np.interp(times, run.time_s, run.crank_angle_deg)
    wanted = run.engine.firing_angle_deg(3) - 12.0
    error = (angles - wanted + 180.0) % (720.0 / per_cycle) - 180.0
    assert np.abs(error).max() < 1.0
    assert len(times) == pytest.approx(3.0 * RPM / 120.0 * per_cycle, abs=1)


def test_tooth_wheel_has_its_gap_where_it_was_put() -> None:
    run = pulses()
    hookup = HookUp(wheel=WHEELS["60-2"], wheel_offset_deg=90.0, wheel_as_edges=True)
    train = record(run, hookup).edge_train(ChannelRole.CRANK_TOOTH)
    assert train is not None
    rising = train.time_s[train.level_after == 1]
    steps = np.diff(rising) * RPM * 6.0
    assert np.sort(np.unique(steps.round(3))) == pytest.approx([6.0, 18.0], abs=0.05)
    first_after_gap = np.interp(rising[1:][steps > 12.0], run.time_s, run.crank_angle_deg)
    assert first_after_gap % 360.0 == pytest.approx(90.0, abs=0.1)
    analogue = record(run, replace(hookup, wheel_as_edges=False), recorder=Recorder(rate_hz=50e3))
    volts = samples(analogue, ChannelRole.CRANK_TOOTH)
    rises = np.flatnonzero((volts[:-1] < 0.3) & (volts[1:] >= 0.3))
    # 58 teeth a revolution, 40 revolutions in 3 s at 800 rpm
    assert len(rises) == pytest.approx(58 * 40, abs=4)


def test_two_outlets_are_heard_apart_and_can_be_mixed_up() -> None:
    run = pulses(6, (1, 2, 1, 2, 1, 2), weak=2)
    hookup = HookUp(paths=(plain_path(2.0), plain_path(2.5)))
    right = record(run, hookup)
    wrong = record(run, replace(hookup, faults=(HookUpFault(FaultKind.WRONG_OUTLET),)))
    assert np.array_equal(
        samples(right, ChannelRole.EXHAUST), samples(wrong, ChannelRole.EXHAUST_2)
    )
    # half order only where the weak cylinder breathes
    for role, uneven in ((ChannelRole.EXHAUST, False), (ChannelRole.EXHAUST_2, True)):
        spectrum = np.abs(np.fft.rfft(samples(right, role)[:57_000]))  # 19 cycles
        assert (spectrum[19] > 0.1 * spectrum[57]) == uneven


def test_one_sensor_on_the_second_outlet() -> None:
    run = pulses(6, (1, 2, 1, 2, 1, 2))
    recording = record(run, HookUp(exhaust_outlets=(2,)))
    assert recording.channel(ChannelRole.EXHAUST_2) is None
    with pytest.raises(SettingError, match="outlet"):
        record(run, HookUp(exhaust_outlets=(7,)))


def test_hook_up_faults_show() -> None:
    run = pulses()
    plain = record(run, HookUp(), recorder=Recorder(snr_db=30.0))
    swapped = record(
        run, HookUp(faults=(HookUpFault(FaultKind.SWAPPED_CHANNELS),)), recorder=Recorder()
    )
    assert samples(swapped, ChannelRole.EXHAUST).std() == pytest.approx(
        samples(plain, ChannelRole.CRANKCASE).std(), rel=0.01
    )
    role = ChannelRole.CRANKCASE
    dead = record(run, HookUp(faults=(HookUpFault(FaultKind.UNPLUGGED, role=role),)))
    assert samples(dead, role).std() < 0.01 * samples(plain, role).std()
    assert (
        samples(dead, ChannelRole.EXHAUST).std() > 0.1 * samples(plain, ChannelRole.EXHAUST).std()
    )
    wet = record(run, HookUp(faults=(HookUpFault(FaultKind.HOSE_BLOCKED, role=role),)))
    assert samples(wet, role).std() < 0.2 * samples(plain, role).std()
    leak = record(run, HookUp(faults=(HookUpFault(FaultKind.EXHAUST_LEAK, 0.03),)))
    assert samples(leak, ChannelRole.EXHAUST).std() != pytest.approx(
        samples(plain, ChannelRole.EXHAUST).std(), rel=0.05
    )


@pytest.mark.parametrize(
    ("kind", "size", "ratio"),
    [
        (TriggerFault.MISSING, 0.5, (0.3, 0.7)),
        (TriggerFault.BOUNCING, 1.0, (1.9, 2.1)),
        (TriggerFault.NOISY, 2.0, (1.5, 5.0)),
        (TriggerFault.WRONG_CYLINDER, 1.0, (0.9, 1.1)),
    ],
)
def test_trigger_faults_show(kind: TriggerFault, size: float, ratio: tuple[float, float]) -> None:
    run = pulses(seconds=6.0)
    hookup = HookUp(trigger=Trigger(2, as_edges=True), faults=(HookUpFault(kind, size),))
    train = record(run, hookup, seed=4).edge_train(ChannelRole.IGNITION)
    clean = record(run, replace(hookup, faults=()), seed=4).edge_train(ChannelRole.IGNITION)
    assert train is not None and clean is not None
    assert ratio[0] <= len(train.time_s) / len(clean.time_s) <= ratio[1]
    if kind is TriggerFault.WRONG_CYLINDER:
        shift = (train.time_s[2] - clean.time_s[2]) * RPM * 6.0
        assert shift % 720.0 == pytest.approx(180.0, abs=3.0)
        assert truth(run, hookup).rotated == 1


def test_unequal_primaries_move_pulses_and_lose_no_gas() -> None:
    run = pulses()
    base = replace(plain_path(2.0), end=End.MATCHED, losses=False, collector_volume_m3=0.0)
    uneven = replace(base, primary_lengths_m=(0.2, 0.8, 0.2, 0.2))
    sensor = PulseSensor(low_corner_hz=0.0)
    heard = []
    for path in (base, uneven):
        hookup = HookUp(paths=(path,), exhaust_sensor=sensor, crankcase_sensor=None)
        heard.append(samples(record(run, hookup), ChannelRole.EXHAUST))
    assert heard[1][:57_000].mean() == pytest.approx(heard[0][:57_000].mean(), rel=2e-3)
    # half-order appears: cylinder 2 is late by 0.6 m / 482.5 m/s against the others
    spectra = [np.abs(np.fft.rfft(h[3_000:57_000])) for h in heard]  # 18 cycles, settled
    assert spectra[1][18] > 20.0 * spectra[0][18]
    with pytest.raises(SettingError, match="primary lengths"):
        record(run, HookUp(paths=(replace(base, primary_lengths_m=(0.2,)),)))


def test_the_description_says_where_the_trigger_is() -> None:
    run = pulses()
    told = described(run.engine, HookUp(trigger=Trigger(2, 14.0, pulses_per_cycle=2)))
    assert (told.trigger_cylinder, told.trigger_advance_deg, told.trigger_pulses_per_cycle) == (
        2,
        14.0,
        2,
    )
    assert described(told, HookUp()).trigger_cylinder is None


def test_random_hook_ups_stay_inside_their_ranges_and_spread() -> None:
    run = pulses(6, (1, 2, 1, 2, 1, 2))
    rng = np.random.default_rng(2)
    prior = HookUpPrior()
    drawn = [random_hookup(rng, run.engine) for _ in range(300)]
    lengths = [p.length_m for h in drawn for p in h.paths]
    assert min(lengths) > prior.length_m[0] - 0.01
    assert max(lengths) < prior.length_m[1] + 0.5
    assert np.std(lengths) > 1.0
    assert {len(h.paths) for h in drawn} == {2}
    assert all(len(p.primary_lengths_m) == 3 for h in drawn for p in h.paths)
    assert min(s.length_m for h in drawn for p in h.paths for s in p.sections) > 0.1
    slopes = [h.exhaust_sensor.spectral_slope for h in drawn if h.exhaust_sensor]
    assert min(slopes) < 0.05 and max(slopes) > 0.95
    assert {h.trigger.cylinder for h in drawn if h.trigger} == set(range(1, 7))
    ratios = [random_recorder(rng).snr_db or math.nan for _ in range(200)]
    assert 10.0 <= min(ratios) < 11.0 and 29.0 < max(ratios) <= 30.0


def test_random_hook_ups_all_record() -> None:
    run = pulses(6, (1, 2, 1, 2, 1, 2), seconds=1.0)
    rng = np.random.default_rng(8)
    for seed in range(15):
        hookup = random_hookup(rng, run.engine)
        recording = record(run, hookup, recorder=random_recorder(rng), seed=seed)
        for channel in recording.channels:
            assert np.isfinite(channel.samples).all()
            assert channel.samples.std() > 0.0

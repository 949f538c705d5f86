"""Cases where the answer can be counted exactly."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from ringland.model import ChannelRole, QualityFinding, Recording, Verdict
from ringland.quality import check_recording, unusable_spans

Floats = NDArray[np.float64]
Clean = Callable[..., Floats]
Record = Callable[..., Recording]
Find = Callable[..., QualityFinding]


def _cut(samples: Floats, count: int) -> Floats:
    """The samples scaled so that exactly `count` of them are cut off at 1.0."""
    order = np.sort(samples)
    threshold = 0.5 * (order[-count] + order[-count - 1])
    return np.asarray(np.minimum(samples / threshold, 1.0))


@pytest.mark.parametrize("full_scale", [(-1.0, 1.0), None])
def test_137_clipped_samples(
    clean: Clean, record: Record, find: Find, full_scale: tuple[float, float] | None
) -> None:
    samples = _cut(clean(), 137)
    assert int(np.sum(samples == 1.0)) == 137
    found = find(check_recording(record(samples, full_scale=full_scale)), "clipping")
    assert found.measured is not None
    assert found.measured.value == 137.0
    assert found.verdict is Verdict.SUSPECT
    inside = np.zeros(samples.size, dtype=bool)
    for low, high in found.spans_s:
        inside[round(low * 10_000.0) : round(high * 10_000.0)] = True
    assert inside[samples == 1.0].all()


def test_both_ends_are_counted(clean: Clean, record: Record, find: Find) -> None:
    samples = _cut(clean(), 100)
    samples = -_cut(-(samples - samples.mean()), 37)  # the bottom now at -1
    top = samples.max()
    samples = np.where(samples > 0.0, samples / top, samples)
    report = check_recording(record(samples, full_scale=(-1.0, 1.0)))
    measured = find(report, "clipping").measured
    assert measured is not None
    assert measured.value == 137.0


def test_five_per_cent_clipped_is_unusable(clean: Clean, record: Record, find: Find) -> None:
    samples = _cut(clean(), 3000)
    report = check_recording(record(samples, full_scale=(-1.0, 1.0)))
    assert find(report, "clipping").verdict is Verdict.UNUSABLE
    assert report.verdict("exhaust") is Verdict.UNUSABLE


def test_one_sample_at_full_scale_is_a_normalised_file(
    clean: Clean, record: Record, find: Find
) -> None:
    samples = clean()
    report = check_recording(record(samples / samples.max(), full_scale=(-1.0, 1.0)))
    assert find(report, "clipping").verdict is Verdict.OK


def test_a_slow_wave_in_counts_has_no_flat_tops(record: Record, find: Find) -> None:
    t = np.arange(60_000) / 10_000.0
    samples = np.round(100.0 * np.sin(2 * np.pi * 1.03 * t))  # long natural runs at the top
    assert find(check_recording(record(samples)), "clipping").verdict is Verdict.OK


def test_nan_and_infinity_are_counted_with_their_spans(
    clean: Clean, record: Record, find: Find
) -> None:
    samples = clean()
    samples[1000:1020] = np.nan
    samples[30_000:30_003] = np.inf
    samples[40_000] = 1e308
    report = check_recording(record(samples))
    found = find(report, "missing_values")
    assert found.measured is not None
    assert found.measured.value == 24.0
    assert np.allclose(found.spans_s, [(0.1, 0.102), (3.0, 3.0003), (4.0, 4.0001)])
    assert found.verdict is Verdict.SUSPECT
    assert unusable_spans(report, "exhaust") == found.spans_s


@pytest.mark.parametrize("held_value", ["zero", "last"])
def test_three_drop_outs_of_200_samples(
    clean: Clean, record: Record, find: Find, held_value: str
) -> None:
    samples = clean() + 0.5
    for start in (5_000, 21_234, 47_000):
        samples[start : start + 200] = 0.0 if held_value == "zero" else samples[start]
    found = find(check_recording(record(samples)), "dropouts")
    assert found.measured is not None
    assert found.measured.value == 600.0
    assert [round(low * 10_000.0) for low, _ in found.spans_s] == [5_000, 21_234, 47_000]
    assert found.verdict is Verdict.SUSPECT


def test_every_value_held_four_times_is_a_slower_rate(
    clean: Clean, record: Record, find: Find
) -> None:
    found = find(check_recording(record(np.repeat(clean(duration_s=2.0), 4))), "dropouts")
    assert found.verdict is Verdict.SUSPECT
    assert "2500 per second" in found.message


def test_a_buffer_written_twice(clean: Clean, record: Record, find: Find) -> None:
    samples = np.round(clean() / 2.0**-12) * 2.0**-12
    samples = np.concatenate([samples[:20_000], samples[18_976:20_000], samples[20_000:]])
    found = find(check_recording(record(samples)), "repeated_blocks")
    assert found.measured is not None
    assert found.measured.value == pytest.approx(1024, abs=2)  # a neighbour may match by chance
    assert found.spans_s[0] == pytest.approx((2.0, 2.1024), abs=2e-4)
    assert found.verdict is Verdict.SUSPECT


def test_a_computed_signal_is_not_called_a_repeated_buffer(record: Record, find: Find) -> None:
    samples = np.tile(np.exp(-np.arange(400) / 100.0), 100)
    found = find(check_recording(record(samples)), "repeated_blocks")
    assert found.verdict is Verdict.NOT_CHECKED


def test_resolution_in_counts(clean: Clean, record: Record, find: Find) -> None:
    samples = clean()
    count = np.ptp(samples) / 20.0
    stepped = np.round(samples / count) * count
    report = check_recording(record(stepped, resolution=float(count)))
    found = find(report, "amplitude_resolution")
    assert found.measured is not None
    assert found.measured.value == pytest.approx(20.0, abs=1.01)
    assert found.verdict is Verdict.SUSPECT
    without = find(check_recording(record(stepped)), "amplitude_resolution")
    assert without.measured is not None
    assert without.measured.value == pytest.approx(found.measured.value, rel=1e-6)


@pytest.mark.parametrize("value", [0.0, 2.5, -1e-3])
def test_flat_line(record: Record, find: Find, value: float) -> None:
    report = check_recording(record(np.full(20_000, value)))
    assert find(report, "silent").verdict is Verdict.UNUSABLE
    assert find(report, "signal_to_noise").verdict is Verdict.NOT_CHECKED


def test_three_counts_of_the_recorder_are_silence(record: Record, find: Find) -> None:
    rng = np.random.default_rng(3)
    samples = rng.integers(0, 4, 20_000) * 0.01
    report = check_recording(record(samples, resolution=0.01))
    assert find(report, "silent").verdict is Verdict.UNUSABLE


@pytest.mark.parametrize("count", [0, 1, 2])
def test_almost_no_samples(record: Record, find: Find, count: int) -> None:
    report = check_recording(record(np.ones(count)))
    assert find(report, "missing_values").verdict is (
        Verdict.UNUSABLE if count == 0 else Verdict.OK
    )
    assert find(report, "dropouts").verdict is Verdict.NOT_CHECKED


def test_unusable_spans_are_joined_and_of_one_channel(
    clean: Clean, record: Record, find: Find
) -> None:
    samples = clean() + 0.5
    samples[5_000:5_200] = 0.0
    samples[5_200:5_300] = np.nan
    report = check_recording(record(samples, role=ChannelRole.CRANKCASE))
    assert np.allclose(unusable_spans(report, "crankcase"), [(0.5, 0.53)])
    assert unusable_spans(report, "exhaust") == ()


def test_only_long_cut_off_tops_lose_a_cycle(record: Record) -> None:
    t = np.arange(60_000) / 10_000.0
    wave = np.sin(2 * np.pi * 3.3 * t) + 0.01 * np.random.default_rng(0).normal(size=t.size)
    wave[20_000:20_012] = 1.2  # 1.2 ms
    wave[30_000:30_005] = 1.2  # 0.5 ms
    report = check_recording(record(wave, full_scale=(-1.2, 1.2)))
    assert np.allclose(unusable_spans(report, "exhaust"), [(2.0, 2.0012)])

"""Evidence of a cycle length from exact line spectra, and combs in exact spectra."""

from types import ModuleType

import numpy as np
import pytest

from ringland.cycles.comb import Ridge, candidate_ridges
from ringland.cycles.octave import cycle_log_evidence, firing_pattern, line_spectrum
from ringland.cycles.track import track_phase

RATE_HZ = 4_000.0


def bells(firing_hz: float, seconds: float = 4.0, seed: int = 0) -> np.ndarray:
    """Equal bells at a steady rate, 20 dB over white noise, on a signal of unit scatter."""
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    turn = (time * firing_hz + 0.3) % 1.0 - 0.5
    clean = np.exp(-0.5 * (turn / 0.08) ** 2)
    clean = (clean - clean.mean()) / clean.std()
    return np.asarray(clean + 0.1 * np.random.default_rng(seed).standard_normal(len(time)))


@pytest.mark.parametrize(
    ("angles", "expected"),
    [
        # discrete Fourier series of the firing angles, cycle harmonics 1 to 8
        ([0, 180, 360, 540], [0, 0, 0, 1, 0, 0, 0, 1]),
        ([0, 120, 240, 360, 480, 600], [0, 0, 0, 0, 0, 1, 0, 0]),
        ([0, 60, 240, 300, 480, 540], [0, 0, 0.707107, 0, 0, 0, 0, 0]),
        ([0], [1] * 8),
    ],
)
def test_pattern_of_firing_angles(angles: list[float], expected: list[float]) -> None:
    found = firing_pattern(np.asarray(angles, dtype=np.float64), 720.0, 8)
    np.testing.assert_allclose(found, expected, atol=1e-6)


@pytest.mark.parametrize("firing_hz", [7.0, 26.67, 61.0, 120.0])
def test_the_best_ridge_is_the_firing_frequency(firing_hz: float) -> None:
    """Lines at F, 2F, 3F and valleys between them: F scores above F / 2 and 2 F."""
    ridges = candidate_ridges((bells(firing_hz),), RATE_HZ, 0.6 * firing_hz, 3.0 * firing_hz)
    assert ridges[0].contrast == max(r.contrast for r in ridges)
    assert float(ridges[0].frequency_hz.mean()) == pytest.approx(firing_hz, rel=0.01)


def test_the_track_runs_at_the_firing_frequency() -> None:
    track = track_phase(
        (bells(30.0),), RATE_HZ, Ridge(np.array([0.0, 4.0]), np.array([29.5, 29.5]), 1.0), 4
    )
    assert track is not None
    span = track.time_s[-1] - track.time_s[0]
    assert track.phase[-1] / span == pytest.approx(30.0, rel=2e-4)
    assert track.likeness > 0.9
    assert np.all(np.diff(track.phase) > 0.0)


@pytest.mark.parametrize("cylinders", [2, 3, 4, 5, 6, 8, 12])
def test_the_right_cycle_length_explains_the_lines_best(cylinders: int, trains: ModuleType) -> None:
    """Equal pulses of a 20 dB train: N periods to a cycle, not N / 2 and not 2 N."""
    rng = np.random.default_rng(cylinders)
    engine = trains.even_engine(cylinders)
    train = trains.make_train(rng, engine, speed_rpm=800.0, seconds=5.0, snr_db=20.0, wander=0.0)
    firing_hz = 800.0 * cylinders / 120.0
    signal = np.array(train.recording.channels[0].samples)
    signal -= signal.mean()
    ridge = Ridge(np.array([0.0, 5.0]), np.array([firing_hz] * 2), 1.0)
    track = track_phase((signal,), trains.RATE_HZ, ridge, cylinders)
    assert track is not None
    spectrum = line_spectrum(signal, trains.RATE_HZ, track, 12.0 * firing_hz)
    angles = np.asarray(engine.firing_angles_deg)

    def evidence(ratio: float) -> float:
        return cycle_log_evidence((spectrum,), ((angles, 720.0),), ratio * cylinders)

    right = evidence(1.0)
    for ratio in (0.5, 2.0, 3.0, 1.5):
        assert right > evidence(ratio) + 3.0, ratio


def test_nothing_repeats_in_too_short_a_signal() -> None:
    few = bells(30.0, seconds=0.05)
    assert track_phase((few,), RATE_HZ, Ridge(np.array([0.0]), np.array([30.0]), 1.0), 4) is None

"""Sensors against the transfer functions of linear systems textbooks."""

import math

import numpy as np
import pytest

from ringland.errors import SettingError
from ringland.simulator.sensors import PulseSensor, sensor_output, sensor_response

RATE_HZ = 20_000.0


def test_ac_coupling_is_3_db_down_at_its_corner_and_passes_pulses() -> None:
    # first-order high-pass: |H| = f / sqrt(f^2 + fc^2)
    sensor = PulseSensor(sensitivity=2.0, low_corner_hz=1.5)
    frequency = np.array([0.3, 1.5, 10.0, 100.0])
    expected = 2.0 * frequency / np.sqrt(frequency**2 + 1.5**2)
    assert np.abs(sensor_response(frequency, RATE_HZ, sensor)) == pytest.approx(expected, rel=1e-4)


def test_resonance_rises_by_one_over_twice_the_damping_ratio() -> None:
    sensor = PulseSensor(
        sensitivity=1.0, low_corner_hz=0.0, resonance_hz=1000.0, damping_ratio=0.05
    )
    response = np.abs(sensor_response(np.array([10.0, 1000.0]), RATE_HZ, sensor))
    assert response == pytest.approx([1.0, 10.0], rel=1e-3)


@pytest.mark.parametrize("slope", [0.0, 0.25, 0.5, 1.0])
def test_spectral_slope_is_the_slope_of_the_spectrum(slope: float) -> None:
    sensor = PulseSensor(sensitivity=1.0, low_corner_hz=0.0, spectral_slope=slope)
    frequency = np.geomspace(2.0, 600.0, 40)
    response = sensor_response(frequency, RATE_HZ, sensor)
    fitted = np.polyfit(np.log(frequency), np.log(np.abs(response)), 1)[0]
    assert fitted == pytest.approx(-slope, abs=0.04)
    assert abs(sensor_response(np.array([30.0]), RATE_HZ, sensor)[0]) == pytest.approx(1.0)
    # phase of (j f)^-slope
    middle = np.angle(response[(frequency > 15.0) & (frequency < 80.0)])
    assert middle == pytest.approx(-slope * math.pi / 2.0, abs=0.12)


def test_a_wet_hose_loses_the_high_frequencies_first() -> None:
    dry = PulseSensor(sensitivity=1.0, low_corner_hz=0.0)
    wet = PulseSensor(sensitivity=1.0, low_corner_hz=0.0, hose_corner_hz=20.0)
    frequency = np.array([2.0, 20.0, 200.0])
    ratio = np.abs(sensor_response(frequency, RATE_HZ, wet)) / np.abs(
        sensor_response(frequency, RATE_HZ, dry)
    )
    # two equal first-order low-passes: 1 / (1 + (f / fc)^2)
    assert ratio == pytest.approx(1.0 / (1.0 + (frequency / 20.0) ** 2), rel=2e-3)


def test_output_follows_the_response_and_starts_settled() -> None:
    sensor = PulseSensor(sensitivity=1e-3, low_corner_hz=0.5, resonance_hz=800.0, polarity=-1)
    t = np.arange(40_000) / RATE_HZ
    out = sensor_output(5000.0 + 200.0 * np.sin(2.0 * math.pi * 40.0 * t), RATE_HZ, sensor)
    gain = np.abs(sensor_response(np.array([40.0]), RATE_HZ, sensor))[0]
    assert out[20_000:].std() * math.sqrt(2.0) == pytest.approx(200.0 * gain, rel=1e-2)
    assert np.abs(out).max() < 1.3 * 200.0 * gain
    steady = PulseSensor(sensitivity=1e-3, low_corner_hz=0.0)
    level = sensor_output(np.full(100, 5000.0), RATE_HZ, steady)
    assert level == pytest.approx(5.0)


@pytest.mark.parametrize(
    "bad",
    [
        {"spectral_slope": 1.2},
        {"low_corner_hz": -1.0},
        {"polarity": 0},
        {"damping_ratio": 0.0},
    ],
)
def test_impossible_sensors_are_refused(bad: dict[str, float]) -> None:
    with pytest.raises(SettingError):
        PulseSensor(**bad)  # type: ignore[arg-type]

"""Noise, skew, polarity and answer to a step of an instrument, on signals with known answers."""

import numpy as np
import pytest

from ringland.errors import SettingError
from ringland.instruments.calibration import Calibration, CalibrationKind, calibrated
from ringland.instruments.protocol import LiveChannel, SetUp
from ringland.live.selfcheck import (
    measure,
    measure_noise,
    measure_polarity,
    measure_skew,
    measure_step,
)
from ringland.model import Channel, ChannelRole, Recording

RATE = 20_000.0
ROLES = {"exhaust": ChannelRole.EXHAUST, "crankcase": ChannelRole.CRANKCASE}
SET_UP = SetUp(
    "sound:1",
    RATE,
    tuple(LiveChannel(n, r, "V", input=f"input {i}") for i, (n, r) in enumerate(ROLES.items())),
    title="a card",
)


def pair(first: np.ndarray, second: np.ndarray) -> Recording:
    return Recording(
        tuple(
            Channel(name, role, values, RATE, "V", 0.0, (-5.0, 4.0))
            for (name, role), values in zip(ROLES.items(), (first, second), strict=True)
        )
    )


def mended(recording: Recording, known: tuple[Calibration, ...]) -> Recording:
    return calibrated(recording, SET_UP, known, known[0].measured_utc)


def lively(delay_s: float = 0.0) -> np.ndarray:
    """Many lines up to 2 kHz, delayed exactly by their phases."""
    rng = np.random.default_rng(8)
    t = np.arange(40_000) / RATE - delay_s
    lines = rng.uniform(5.0, 2000.0, 60)
    phases = rng.uniform(0.0, 2.0 * np.pi, 60)
    return np.asarray(np.sin(2 * np.pi * lines[:, None] * t + phases[:, None]).sum(axis=0) / 8.0)


def test_noise_and_mains() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(40_000) / RATE
    hum = 0.02 * np.sin(2 * np.pi * 50.0 * t)
    found = measure_noise(pair(0.01 * rng.standard_normal(len(t)), hum), SET_UP)
    assert [c.what for c in found] == [CalibrationKind.NOISE] * 2
    assert found[0].value == pytest.approx(0.01, rel=0.02)
    assert found[0].readings["mains_share"] < 0.01
    assert found[1].value == pytest.approx(0.02 / np.sqrt(2.0), rel=1e-3)
    assert found[1].readings["mains_share"] == pytest.approx(1.0, abs=0.01)
    assert [(c.instrument, c.address, c.input, c.role, c.unit) for c in found] == [
        ("a card", "sound:1", "input 0", "exhaust", "V"),
        ("a card", "sound:1", "input 1", "crankcase", "V"),
    ]


@pytest.mark.parametrize("skew_s", [0.0, 3.0e-6, -12.5e-6, 40.0e-6])
def test_skew_to_a_microsecond_and_corrected(skew_s: float) -> None:
    rng = np.random.default_rng(2)
    noise = 0.002 * rng.standard_normal((2, 40_000))
    recording = pair(lively() + noise[0], lively(skew_s) + noise[1])
    found = measure_skew(recording, SET_UP)
    assert [c.reference for c in found] == ["input 0", "input 0"]
    assert found[0].value == 0.0
    assert found[1].value == pytest.approx(skew_s, abs=1e-6)
    assert found[1].standard_error is not None
    assert found[1].standard_error < 1e-6
    left = measure_skew(mended(recording, found), SET_UP)[1].value
    assert left == pytest.approx(0.0, abs=1e-6)


def test_skew_needs_one_signal() -> None:
    rng = np.random.default_rng(3)
    with pytest.raises(SettingError, match="does not see"):
        measure_skew(pair(lively(), rng.standard_normal(40_000)), SET_UP)


def test_polarity_from_a_puff() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(40_000) / RATE
    puff = np.where(t > 1.0, np.exp(-(t - 1.0) / 0.05), 0.0)
    after = np.where(t > 1.2, -0.5 * np.exp(-(t - 1.2) / 0.1), 0.0)  # the swing back is no matter
    noise = 0.01 * rng.standard_normal((2, len(t)))
    recording = pair(puff + after + noise[0], -(puff + after) + noise[1])
    found = measure_polarity(recording, SET_UP)
    assert [c.value for c in found] == [1.0, -1.0]
    again = mended(recording, found)
    assert [c.value for c in measure_polarity(again, SET_UP)] == [1.0, 1.0]
    assert again.channels[1].full_scale == (-4.0, 5.0)
    with pytest.raises(SettingError, match="did not move"):
        measure_polarity(pair(noise[0], noise[1]), SET_UP)
    late = np.roll(puff, -len(t) // 2)  # the puff came at once
    with pytest.raises(SettingError, match="not quiet at the beginning"):
        measure_polarity(pair(np.where(t < 0.5, 0.0, late) + np.where(t < 0.1, noise[0], puff), puff
                              + (t > 0.2)), SET_UP)  # fmt: skip


@pytest.mark.parametrize(("rise_tau_s", "fall_tau_s"), [(0.5e-3, 0.2), (2e-3, 1.0)])
def test_the_answer_to_a_step_of_first_order(rise_tau_s: float, fall_tau_s: float) -> None:
    """Rise of a first-order lag from 10 to 90 %: tau ln 9; a high pass of corner f falls to 1/e in
    1 / (2 pi f) (any text on linear systems, for example Oppenheim and Willsky, ch. 6)."""
    rng = np.random.default_rng(6)
    t = np.arange(160_000) / RATE - 2.0
    lag = np.where(t > 0.0, 1.0 - np.exp(-t.clip(0.0) / rise_tau_s), 0.0)
    held = np.where(t > 0.0, np.exp(-t.clip(0.0) / fall_tau_s), 0.0)
    noise = 1e-4 * rng.standard_normal((2, len(t)))
    recording = pair(2.0 * lag + noise[0], -0.5 * lag * held + noise[1])
    dc, ac = measure_step(recording, SET_UP, known_pa=1000.0)
    assert dc.value == pytest.approx(2.0, rel=1e-3)
    assert dc.readings["rise_s"] == pytest.approx(np.log(9.0) * rise_tau_s, rel=0.03)
    assert "corner_hz" not in dc.readings, "it does not fall back: no corner is seen"
    assert dc.readings["per_pa"] == pytest.approx(2e-3, rel=1e-3)
    assert ac.value == pytest.approx(-0.5, rel=0.03)
    assert ac.readings["corner_hz"] == pytest.approx(1.0 / (2 * np.pi * fall_tau_s), rel=0.05)
    assert measure(CalibrationKind.STEP, recording, SET_UP)[0].readings.keys() == {"rise_s"}

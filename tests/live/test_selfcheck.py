"""Noise, skew and polarity of an instrument, on signals with known answers."""

from pathlib import Path

import numpy as np
import pytest

from ringland.errors import SettingError
from ringland.live.selfcheck import (
    ChannelCheck,
    InstrumentCheck,
    corrected,
    measure_noise,
    measure_polarity,
    measure_skew,
    read_checks,
    write_check,
)
from ringland.model import Channel, ChannelRole, Recording

RATE = 20_000.0


def pair(first: np.ndarray, second: np.ndarray) -> Recording:
    return Recording(
        (
            Channel("exhaust", ChannelRole.EXHAUST, first, RATE, "V", 0.0, (-5.0, 4.0)),
            Channel("crankcase", ChannelRole.CRANKCASE, second, RATE, "V", 0.0, (-5.0, 4.0)),
        )
    )


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
    found = measure_noise(pair(0.01 * rng.standard_normal(len(t)), hum))
    assert found[0].noise_rms == pytest.approx(0.01, rel=0.02)
    assert found[0].mains_share is not None and found[0].mains_share < 0.01
    assert found[1].noise_rms == pytest.approx(0.02 / np.sqrt(2.0), rel=1e-3)
    assert found[1].mains_share == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("skew_s", [0.0, 3.0e-6, -12.5e-6, 40.0e-6])
def test_skew_to_a_microsecond_and_corrected(skew_s: float) -> None:
    rng = np.random.default_rng(2)
    noise = 0.002 * rng.standard_normal((2, 40_000))
    recording = pair(lively() + noise[0], lively(skew_s) + noise[1])
    found = measure_skew(recording)
    assert found[1].skew_s == pytest.approx(skew_s, abs=1e-6)
    assert found[1].skew_se_s is not None and found[1].skew_se_s < 1e-6
    mended = corrected(recording, InstrumentCheck("x", found))
    left = measure_skew(mended)[1].skew_s
    assert left == pytest.approx(0.0, abs=1e-6)


def test_skew_needs_one_signal() -> None:
    rng = np.random.default_rng(3)
    with pytest.raises(SettingError, match="does not see"):
        measure_skew(pair(lively(), rng.standard_normal(40_000)))


def test_polarity_from_a_puff() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(40_000) / RATE
    puff = np.where(t > 1.0, np.exp(-(t - 1.0) / 0.05), 0.0)
    after = np.where(t > 1.2, -0.5 * np.exp(-(t - 1.2) / 0.1), 0.0)  # the swing back is no matter
    noise = 0.01 * rng.standard_normal((2, len(t)))
    recording = pair(puff + after + noise[0], -(puff + after) + noise[1])
    found = measure_polarity(recording)
    assert [c.polarity for c in found] == [1, -1]
    mended = corrected(recording, InstrumentCheck("x", found))
    assert [c.polarity for c in measure_polarity(mended)] == [1, 1]
    assert mended.channels[1].full_scale == (-4.0, 5.0)
    with pytest.raises(SettingError, match="did not move"):
        measure_polarity(pair(noise[0], noise[1]))


def test_checks_are_kept_together_with_dates(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "instruments.json"
    write_check(
        path, "sound:1", "noise", (ChannelCheck("exhaust", noise_rms=0.1, mains_share=0.2),)
    )
    write_check(path, "sound:1", "polarity", (ChannelCheck("exhaust", polarity=-1),))
    write_check(path, "tcp:a", "skew", (ChannelCheck("exhaust", skew_s=0.0, skew_se_s=0.0),))
    known = read_checks(path)
    assert set(known) == {"sound:1", "tcp:a"}
    assert known["sound:1"].channels == (
        ChannelCheck("exhaust", noise_rms=0.1, mains_share=0.2, polarity=-1),
    )
    assert {what for what, _ in known["sound:1"].dates} == {"noise", "polarity"}
    path.write_text("{")
    with pytest.raises(SettingError, match="cannot be read"):
        read_checks(path)

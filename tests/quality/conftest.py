"""Made recordings: a pulse train whose every property is known."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from ringland.model import (
    Channel,
    ChannelRole,
    Condition,
    EngineSpec,
    QualityFinding,
    QualityReport,
    Recording,
)

RATE_HZ = 10_000.0


def _phase(
    duration_s: float, rate_hz: float, cycle_hz: float, wander: float
) -> NDArray[np.float64]:
    """Turns of the engine cycle, with a slow sine wander of the speed."""
    t = np.arange(round(duration_s * rate_hz)) / rate_hz
    slow = 0.4
    return cycle_hz * (t - wander / (2 * np.pi * slow) * np.cos(2 * np.pi * slow * t))


def _exhaust(turns: NDArray[np.float64], sizes: NDArray[np.float64]) -> NDArray[np.float64]:
    """One blow-down per cylinder: a steep rise, an exponential fall and a little ringing."""
    cylinders = sizes.size
    place = (turns % 1.0) * cylinders
    which = np.minimum(place.astype(int), cylinders - 1)
    x = place % 1.0
    rise = 1.0 - np.exp(-x / 0.03)
    pulse = rise * np.exp(-x / 0.25) * (1.0 + 0.3 * np.cos(2 * np.pi * 3.0 * x))
    return np.asarray(sizes[which] * pulse)


def _crankcase(turns: NDArray[np.float64], cylinders: int) -> NDArray[np.float64]:
    """Piston displacement: the firing rate and a little of its double."""
    w = 2 * np.pi * cylinders * turns
    return np.asarray(np.sin(w) + 0.15 * np.sin(2 * w + 0.5))


@pytest.fixture(scope="session")
def turns_of() -> Callable[..., NDArray[np.float64]]:
    """turns_of(duration_s, rate_hz, cycle_hz, wander) -> cycle turns of each sample."""
    return _phase


@pytest.fixture(scope="session")
def exhaust_of() -> Callable[..., NDArray[np.float64]]:
    """exhaust_of(turns, sizes) -> noise-free tailpipe signal."""
    return _exhaust


@pytest.fixture(scope="session")
def crankcase_of() -> Callable[..., NDArray[np.float64]]:
    """crankcase_of(turns, cylinders) -> noise-free crankcase signal."""
    return _crankcase


@pytest.fixture(scope="session")
def four() -> EngineSpec:
    """Four in line, 1-3-4-2."""
    return EngineSpec("four in line", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0))


@pytest.fixture(scope="session")
def clean() -> Callable[..., NDArray[np.float64]]:
    """clean(seed=0, duration_s=6, cycle_hz=6.1, noise=0.02): a good tailpipe channel, 10 kS/s."""

    def make(
        seed: int = 0, duration_s: float = 6.0, cycle_hz: float = 6.1, noise: float = 0.02
    ) -> NDArray[np.float64]:
        rng = np.random.default_rng(seed)
        turns = _phase(duration_s, RATE_HZ, cycle_hz, 0.005)
        sizes = 1.0 + 0.03 * rng.normal(size=4)
        return _exhaust(turns, sizes) + noise * rng.normal(size=turns.size)

    return make


@pytest.fixture(scope="session")
def record() -> Callable[..., Recording]:
    """record(samples, role=..., rate_hz=..., condition=..., **channel fields): one channel."""

    def make(
        samples: NDArray[np.float64],
        role: ChannelRole = ChannelRole.EXHAUST,
        rate_hz: float = RATE_HZ,
        condition: Condition = Condition.IDLE,
        full_scale: tuple[float, float] | None = None,
        resolution: float | None = None,
    ) -> Recording:
        channel = Channel(
            role.value,
            role,
            samples,
            rate_hz,
            unit="V",
            full_scale=full_scale,
            resolution=resolution,
        )
        return Recording((channel,), condition=condition)

    return make


@pytest.fixture(scope="session")
def find() -> Callable[..., QualityFinding]:
    """find(report, check, channel="exhaust"): the one finding."""

    def one(report: QualityReport, check: str, channel: str = "exhaust") -> QualityFinding:
        found = [f for f in report.of_channel(channel) if f.check == check]
        assert len(found) == 1
        return found[0]

    return one

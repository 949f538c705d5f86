"""Time of all quality checks against one real FFT of the same samples, in one run.

Two seconds of four channels at 100 kS/s: exhaust, crankcase, intake and an ignition trigger. Prints
the ratio (bound: 2, a third of the six that the whole analysis may cost).
"""

import time
from collections.abc import Callable

import numpy as np
import scipy.fft

from ringland.model import Channel, ChannelRole, Condition, EngineSpec, Recording
from ringland.quality import check_recording

RATE_HZ = 100_000.0
BOUND = 2.0


def recording() -> Recording:
    """Four channels of a four-cylinder engine at 750 rpm, with noise and 16-bit counts."""
    rng = np.random.default_rng(1)
    t = np.arange(200_000) / RATE_HZ
    phase = 25.0 * t
    pulse = np.exp(6.0 * (np.cos(2 * np.pi * phase) - 1.0))
    waves = {
        ChannelRole.EXHAUST: pulse,
        ChannelRole.CRANKCASE: np.sin(2 * np.pi * phase),
        ChannelRole.INTAKE: np.cos(2 * np.pi * phase) + 0.3 * np.cos(4 * np.pi * phase),
        ChannelRole.IGNITION: ((phase / 4.0) % 1.0 < 0.02).astype(float),
    }
    count = 2.0**-14
    channels = [
        Channel(
            role.value,
            role,
            np.round((w + rng.normal(0, 0.02, t.size)) / count) * count,
            RATE_HZ,
            unit="V",
            full_scale=(-2.0, 2.0),
            resolution=count,
        )
        for role, w in waves.items()
    ]
    return Recording(tuple(channels), condition=Condition.IDLE)


def best_of(repeats: int, run: Callable[[], object]) -> float:
    """Shortest of several times, seconds."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        run()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    """Measure and print."""
    made = recording()
    engine = EngineSpec("four in line", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0))
    samples = [c.samples for c in made.channels]
    check_recording(made, engine)
    quality_s = best_of(15, lambda: check_recording(made, engine))
    fft_s = best_of(15, lambda: [scipy.fft.rfft(x) for x in samples])
    print(
        f"quality {1e3 * quality_s:.2f} ms, rfft {1e3 * fft_s:.2f} ms, "
        f"ratio {quality_s / fft_s:.2f} (bound {BOUND:g})"
    )


if __name__ == "__main__":
    main()

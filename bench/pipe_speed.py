"""How fast the exhaust line runs: against real time, and against the same delay lines in numpy.

python bench/pipe_speed.py
"""

import time

import numpy as np

from ringland.simulator.pipes import PipeSection, build_line, drive_flow, new_state

RATE_HZ = 20_000.0
SECTIONS = (
    PipeSection(1.0, 0.05),
    PipeSection(0.15, 0.11, "catalyst", resistance_pa_s_m3=2.0e4),
    PipeSection(1.2, 0.05),
    PipeSection(0.4, 0.16, "silencer"),
    PipeSection(0.6, 0.045),
    PipeSection(0.2, 0.045),
)


def numpy_step_s(steps: int = 3000) -> float:
    """Seconds per step of the bare line (whole-sample delays, no loss, no joints) with one numpy
    call per operation: what the work costs without compiling."""
    length = 256
    waves = np.zeros((2, len(SECTIONS), length))
    delay = np.arange(20, 20 + len(SECTIONS))
    rows = np.arange(len(SECTIONS))
    started = time.perf_counter()
    for n in range(steps):
        arrived = waves[:, rows, (n - delay) % length]
        waves[0, 1:, n % length] = arrived[0, :-1]
        waves[1, :-1, n % length] = arrived[1, 1:]
        waves[0, 0, n % length] = arrived[1, 0]
        waves[1, -1, n % length] = -arrived[0, -1]
    return (time.perf_counter() - started) / steps


def main() -> None:
    line = build_line(SECTIONS, RATE_HZ, temperature_k=600.0)
    flow = 0.01 + 0.01 * np.sin(np.arange(400_000) / 100.0)
    drive_flow(line, new_state(line), flow[:100], 1e-8, 4)
    best = min(_timed(line, flow) for _ in range(3))
    step_s = best / len(flow)
    print(f"{len(SECTIONS)} sections with loss: {1e9 * step_s:.0f} ns per step")
    print(f"{1.0 / (step_s * RATE_HZ):.0f} times real time at {RATE_HZ:.0f} Hz")
    print(f"{numpy_step_s() / step_s:.0f} times faster than bare delay lines step by step in numpy")
    cycle_s = 120.0 / 800.0
    print(f"{1.0 / (step_s * RATE_HZ * cycle_s):.0f} four-stroke cycles per second at 800 rpm")


def _timed(line: object, flow: np.ndarray) -> float:
    started = time.perf_counter()
    drive_flow(line, new_state(line), flow, 1e-8, 4)  # type: ignore[arg-type]
    return time.perf_counter() - started


if __name__ == "__main__":
    main()

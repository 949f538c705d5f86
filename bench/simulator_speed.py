"""Engine cycles simulated per second and core: a six-cylinder at half-degree steps.

Prints the rate without and with the exhaust pipe and recorder, each as a ratio to its goal (600
and 250 cycles per second), and to real time. Processor time, best of several runs, after loading.
"""

import time
from collections.abc import Callable

from ringland.model import EngineSpec
from ringland.simulator.hookup import HookUp, record
from ringland.simulator.parameters import simulated_engine
from ringland.simulator.recorder import Recorder
from ringland.simulator.result import SimulationResult
from ringland.simulator.run import simulate

SIX = EngineSpec("six", 6, (1, 5, 3, 6, 2, 4), tuple(120.0 * k for k in range(6)))
RPM = 750.0
SECONDS = 6.0
RATE_HZ = 9000.0  # one step per sample: 0.5 deg at 750 rpm
REPEATS = 7
GOAL_ENGINE, GOAL_WITH_PIPES = 600.0, 250.0


def run_engine() -> SimulationResult:
    return simulate(
        simulated_engine(SIX, imposed_speed=1.0), seconds=SECONDS, settle_s=0.01,
        rate_hz=RATE_HZ, step_deg=0.63,
    )  # fmt: skip


def with_pipes() -> None:
    record(run_engine(), HookUp(), recorder=Recorder(rate_hz=RATE_HZ))


def cycles_per_second(job: Callable[[], object]) -> float:
    job()
    best = float("inf")
    for _ in range(REPEATS):
        begun = time.process_time()
        job()
        best = min(best, time.process_time() - begun)
    return SECONDS * RPM / 120.0 / best


def main() -> None:
    result = run_engine()
    step = 6.0 * float(result.speed_rpm.mean()) / RATE_HZ
    print(f"six cylinders, {result.speed_rpm.mean():.0f} rpm, {step:.2f} deg per step")
    for name, job, goal in (
        ("engine alone", run_engine, GOAL_ENGINE),
        ("with pipes and recorder", with_pipes, GOAL_WITH_PIPES),
    ):
        rate = cycles_per_second(job)
        print(f"{name:24s} {rate:7.0f} cycles/s  {rate / goal:5.2f} x goal of {goal:.0f}  "
              f"{rate / (RPM / 120.0):6.0f} x real time")  # fmt: skip


if __name__ == "__main__":
    main()

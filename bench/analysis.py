"""Time of the whole analysis against one real FFT of the same samples, in one run.

Two seconds of four channels at 100 kS/s from the simulator: exhaust, crankcase, intake and an
ignition trigger, four cylinders at idle. With the trigger the cycle is read from it; without, the
ignition channel is kept but flat enough to hold no pulses, so that the cycle comes from the
pressure pulses while as many samples are read. Prints each time (of the processor, least of several
runs in turn with the FFT, which other work on the machine disturbs least), its ratio to the FFT,
and what every step takes. Bound: 6.

    python bench/analysis.py [--repeats 9] [--profile]
"""

import argparse
import cProfile
import os
import pstats
import sys
import time
from collections.abc import Callable
from dataclasses import replace

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does

import numpy as np
import scipy.fft

from ringland import pipeline
from ringland.model import Channel, ChannelRole, Condition, EngineSpec, Recording
from ringland.simulator.hookup import HookUp, described, record
from ringland.simulator.hookup_wired import Trigger
from ringland.simulator.parameters import simulated_engine
from ringland.simulator.recorder import Recorder
from ringland.simulator.run import simulate
from ringland.simulator.sensors import PulseSensor

RATE_HZ = 100_000.0
SECONDS = 2.0
BOUND = 6.0
FOUR = EngineSpec("four in line", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0))
STEPS = (
    "inspect_recording",
    "check_recording",
    "find_cycles",
    "measure_and_turn",
    "measure_metrics",
    "case_evidence",
    "judge_symptoms",
    "rank_causes",
    "next_tests",
    "actions",
)


def made() -> tuple[Recording, EngineSpec]:
    """The simulated recording and the engine as a technician would describe it."""
    hookup = HookUp(intake_sensor=PulseSensor(), trigger=Trigger(1))
    result = simulate(simulated_engine(FOUR), seconds=SECONDS + 0.1, rate_hz=10_000.0)
    recording = record(result, hookup, recorder=Recorder(rate_hz=RATE_HZ))
    count = int(SECONDS * RATE_HZ)
    channels = tuple(replace(c, samples=c.samples[:count]) for c in recording.channels)
    return replace(recording, channels=channels, condition=Condition.IDLE), described(FOUR, hookup)


def untriggered(recording: Recording) -> Recording:
    """The same with nothing but noise on the ignition channel."""
    rng = np.random.default_rng(2)

    def silenced(channel: Channel) -> Channel:
        if channel.role is not ChannelRole.IGNITION:
            return channel
        step = channel.resolution or 1e-3
        return replace(channel, samples=step * np.round(rng.normal(0, 2, len(channel.samples))))

    return replace(recording, channels=tuple(silenced(c) for c in recording.channels))


def took_s(run: Callable[[], object]) -> float:
    """Processor time of one run, seconds."""
    start = time.process_time()
    run()
    return time.process_time() - start


def in_turn(repeats: int, *runs: Callable[[], object]) -> tuple[float, ...]:
    """Least processor time of each of several things, seconds, three times each in turn, so that
    other work on the machine slows all of them alike."""
    times = [[took_s(run) for _ in range(3)] for _ in range(repeats) for run in runs]
    return tuple(min(t for row in times[i :: len(runs)] for t in row) for i in range(len(runs)))


def by_step(repeats: int, run: Callable[[], object]) -> dict[str, tuple[int, float]]:
    """Calls and least processor time of each step of the pipeline."""
    kept = {name: getattr(pipeline, name) for name in STEPS}
    spent: dict[str, list[float]] = {}

    def timed(name: str) -> Callable[..., object]:
        def call(*args: object, **kwargs: object) -> object:
            start = time.process_time()
            try:
                return kept[name](*args, **kwargs)
            finally:
                spent[name].append(time.process_time() - start)

        return call

    best: dict[str, tuple[int, float]] = {}
    try:
        for name in STEPS:
            setattr(pipeline, name, timed(name))
        for _ in range(repeats):
            spent = {name: [] for name in STEPS}
            run()
            for name, times in spent.items():
                before = best.get(name, (0, float("inf")))[1]
                best[name] = (len(times), min(before, sum(times)))
    finally:
        for name, function in kept.items():
            setattr(pipeline, name, function)
    return best


def main() -> int:
    """Measure and print; status 1 when a ratio is above the bound."""
    parser = argparse.ArgumentParser(description="Time of the whole analysis")
    parser.add_argument("--repeats", type=int, default=9)
    parser.add_argument("--profile", action="store_true", help="print the slowest functions too")
    options = parser.parse_args()
    recording, engine = made()
    samples = [c.samples for c in recording.channels]

    def transform() -> object:
        return [scipy.fft.rfft(x) for x in samples]

    worst = 0.0
    cases = {"with trigger": recording, "without trigger": untriggered(recording)}
    for name, given in cases.items():
        found = pipeline.analyse(given, engine)
        source = found.cycles.phase_source if found.cycles else found.not_judged
        for diagnose in (False, True):

            def run(given: Recording = given, diagnose: bool = diagnose) -> object:
                return pipeline.analyse(given, engine, diagnose=diagnose)

            run()
            took, fft_s = in_turn(options.repeats, run, transform)
            worst = max(worst, took / fft_s)
            what = "with" if diagnose else "without"
            print(
                f"{name} ({source}), {what} diagnosis: {1e3 * took:.1f} ms, rfft of the "
                f"{len(samples)} channels of {len(samples[0])} samples {1e3 * fft_s:.2f} ms, "
                f"ratio {took / fft_s:.2f} (bound {BOUND:g})"
            )
        for step, (calls, spent) in by_step(options.repeats, run).items():
            print(f"    {step:18} {calls} x {1e3 * spent:7.2f} ms, ratio {spent / fft_s:5.2f}")
        if options.profile:
            profile = cProfile.Profile()
            profile.runcall(run)
            pstats.Stats(profile).sort_stats("tottime").print_stats(25)
    return 0 if worst <= BOUND else 1


if __name__ == "__main__":
    sys.exit(main())

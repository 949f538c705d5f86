"""Does stopping when it is enough keep its promise: coverage and length, on draws and on engines.

    python validation/enough.py --draws 1000 --engines 12 --sessions 100 --seed 1

Draws: strengths of made-up cylinders, normal or skewed, each cycle remembering some of the last.
Engines: long simulated recordings; every session starts somewhere in one and is stopped by the
rule; the truth is the mean of the whole. Prints coverage of the final 95 % intervals, the median
length, and the fixed length with which 95 % of the sessions would have been as precise.
"""

import argparse
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ringland.cycles import find_cycles
from ringland.cylinders import measure_cylinders
from ringland.engines import layout
from ringland.live.enough import FEWEST_CYCLES, decide, interval_halves
from ringland.model import ChannelRole, CycleSet, EngineSpec, Fuel
from ringland.simulator.hookup import described, record
from ringland.simulator.hookup_random import random_hookup, random_recorder
from ringland.simulator.parameters import simulated_engine, with_healthy_spread
from ringland.simulator.run import simulate

FloatArray = NDArray[np.float64]

LOOK_EVERY = 5
LONGEST = 400
LAYOUTS = ("I3-132", "I4-1342", "I6-153624", "V6-60-123456", "V8-90-18436572", "I5-12453")
DRAWS = (
    ("one cylinder", 1, 0.10, 0.0, "normal"),
    ("six cylinders", 6, 0.10, 0.0, "normal"),
    ("six, each cycle remembers 0.3 of the last", 6, 0.10, 0.3, "normal"),
    ("six, each cycle against the last, -0.3", 6, 0.10, -0.3, "normal"),
    ("four, skewed", 4, 0.15, 0.0, "skewed"),
    ("eight, two of them three times as rough", 8, 0.06, 0.0, "rough"),
)


@dataclass
class Count:
    """What came of the sessions of one row."""

    covered: int = 0
    intervals: int = 0
    lengths: list[int] | None = None


def stopped(strength: FloatArray, wanted: float) -> int:
    """Cycles at which the rule stops."""
    m = FEWEST_CYCLES
    while m < len(strength) and not decide(strength[:m], wanted).enough:
        m += LOOK_EVERY
    return min(m, len(strength))


def add(count: Count, strength: FloatArray, truth: FloatArray, wanted: float) -> None:
    """One session."""
    m = stopped(strength, wanted)
    used = strength[:m]
    halves = interval_halves(used)
    good = np.abs(np.nanmean(used, axis=0) - truth) <= halves
    count.covered += int(good[np.isfinite(halves)].sum())
    count.intervals += int(np.isfinite(halves).sum())
    count.lengths = [*(count.lengths or []), m]


def fixed_length(sessions: list[FloatArray], wanted: float) -> int:
    """Fixed length with which 95 % of the sessions are as precise."""
    for m in range(FEWEST_CYCLES, LONGEST, LOOK_EVERY):
        wide = [np.nanmax(interval_halves(s[:m])) for s in sessions]
        if np.mean(np.array(wide) <= wanted) >= 0.95:
            return m
    return LONGEST


def draws(rng: np.random.Generator, shape: tuple[int, int], case: tuple[str, int, float, float, str]
          ) -> FloatArray:  # fmt: skip
    """Strengths about 1."""
    _, cylinders, scatter, follow, kind = case
    if kind == "skewed":
        noise = (rng.gamma(2.0, 1.0, shape) - 2.0) / np.sqrt(2.0)
    else:
        noise = rng.standard_normal(shape)
    out = np.empty(shape)
    out[0] = noise[0]
    for i in range(1, shape[0]):
        out[i] = follow * out[i - 1] + np.sqrt(1.0 - follow**2) * noise[i]
    size = np.full(cylinders, scatter)
    if kind == "rough":
        size[:2] *= 3.0
    return 1.0 + size * out


def engine_run(seed: int, seconds: float) -> FloatArray | None:
    """Strengths of a long simulated idle, (cycles, positions); None when it was not judged."""
    rng = np.random.default_rng([seed, 5])
    spec: EngineSpec = replace(
        layout(LAYOUTS[seed % len(LAYOUTS)]).engine,
        fuel=Fuel.PETROL if rng.random() < 0.7 else Fuel.DIESEL,
        idle_speed_rpm=float(rng.uniform(620.0, 850.0)),
    )
    hookup = random_hookup(rng, spec)
    result = simulate(
        with_healthy_spread(simulated_engine(spec), seed=seed), seconds=seconds, seed=seed
    )
    recorder = replace(random_recorder(rng), rate_hz=5_000.0)
    recording = record(result, hookup, recorder=recorder, seed=seed)
    engine = described(spec, hookup)
    cycles = find_cycles(recording, engine)
    if not isinstance(cycles, CycleSet):
        return None
    share = measure_cylinders(recording, engine, cycles).share(ChannelRole.EXHAUST)
    return None if share is None else np.asarray(share.strength)


def line(title: str, count: Count, fixed: int) -> str:
    """A row of the table."""
    median = float(np.median(count.lengths or [0]))
    share = count.covered / max(count.intervals, 1)
    return (
        f"| {title} | {len(count.lengths or [])} | {100 * share:.1f} % | {median:.0f} | {fixed} |"
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--draws", type=int, default=1000)
    parser.add_argument("--engines", type=int, default=12)
    parser.add_argument("--sessions", type=int, default=100, help="per engine")
    parser.add_argument("--seconds", type=float, default=90.0)
    parser.add_argument("--wanted", type=float, default=0.04)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    print(
        "| sessions of | number | covered | median cycles | fixed cycles |\n|---|---|---|---|---|"
    )
    for case in DRAWS if options.draws else ():
        count = Count()
        sessions = []
        for _ in range(options.draws):
            strength = draws(rng, (LONGEST, case[1]), case)
            add(count, strength, np.ones(case[1]), options.wanted)
            if len(sessions) < 100:
                sessions.append(strength)
        print(line(case[0], count, fixed_length(sessions, options.wanted)), flush=True)
    count, sessions = Count(), []
    for i in range(options.engines):
        strength = engine_run(1000 * options.seed + i, options.seconds)
        if strength is None or len(strength) < 3 * FEWEST_CYCLES:
            print(f"engine {i}: not judged", flush=True)
            continue
        truth = np.nanmean(strength, axis=0)
        for _ in range(options.sessions):
            start = int(rng.integers(0, len(strength) // 2))
            session = strength[start : start + LONGEST]
            add(count, session, truth, options.wanted)
            sessions.append(session)
    if sessions:
        keep = [sessions[i] for i in rng.choice(len(sessions), min(200, len(sessions)), False)]
        print(line("simulated engines", count, fixed_length(keep, options.wanted)))


if __name__ == "__main__":
    main()

"""How many recordings a second `ringland import` takes in and judges, and what memory that needs.

    python bench/import_rate.py [--count 320] [--form csv] [--workers 2] [--place FOLDER]

Recordings of 2 s, 3 channels (exhaust, crankcase, ignition) at 20 kS/s of simulated engines, each
another engine state, noise and fault, eight to a vehicle. They are made once, into --place, and
used again. The engine files describe the trigger, as those of a fleet would; --trigger-unknown
leaves that out, and the pulses must then tell which turn of the crank is which. The store is a new
one each time. Limit: 20 a second on two cores, memory flat.
"""

import argparse
import os
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import psutil

from ringland.engines import layout
from ringland.history import open_store
from ringland.history.intake import import_folder
from ringland.model import Recording
from ringland.simulator.faults import Fault
from ringland.simulator.hookup import HookUp, record
from ringland.simulator.hookup_wired import Trigger
from ringland.simulator.parameters import simulated_engine, with_healthy_spread
from ringland.simulator.pipes import Tube
from ringland.simulator.recorder import Recorder
from ringland.simulator.run import simulate
from ringland.simulator.sensors import PulseSensor
from ringland.writers import write_recording

SECONDS, RATE_HZ, A_VEHICLE = 2.0, 20_000.0, 8
LAYOUTS = ("I4-1342", "I6-153624", "I3-132", "I4-1342")
ENGINE_FILE = """cylinders = {cylinders}
firing_order = {order}
"""
TRIGGER = "trigger_cylinder = 1\ntrigger_pulses_per_cycle = 1\n"
FAULTS = ("", "misfire", "ring_leak", "exhaust_valve_leak")


def make(number: int) -> Recording:
    """Recording number so-and-so: its vehicle, speed, fault and noise are its own."""
    rng = np.random.default_rng([8, number])
    spec = layout(LAYOUTS[number // A_VEHICLE % len(LAYOUTS)]).engine
    engine = with_healthy_spread(simulated_engine(spec), seed=number // A_VEHICLE)
    engine = replace(engine, idle_rpm=float(rng.uniform(680.0, 880.0)))
    kind = FAULTS[number % len(FAULTS)]
    size = float(rng.uniform(0.2, 1.0) if kind == "misfire" else rng.uniform(1.0, 8.0))
    place = (int(rng.integers(1, spec.cylinders + 1)),)
    result = simulate(
        engine,
        seconds=SECONDS,
        faults=(Fault(kind, place, size),) if kind else (),
        seed=number,
        settle_s=2.0,
    )
    hookup = HookUp(
        exhaust_sensor=PulseSensor(low_corner_hz=0.5),
        crankcase_sensor=PulseSensor(sensitivity=5.0e-4, low_corner_hz=0.5),
        crankcase_tube=Tube(0.6, 0.008),
        trigger=Trigger(1),
    )
    recorder = Recorder(rate_hz=RATE_HZ, snr_db=float(rng.uniform(16.0, 26.0)), noise_slope=0.5)
    return record(result, hookup, recorder=recorder, seed=number)


def make_all(place: Path, count: int, form: str, *, told: bool) -> None:
    """The folder as a workshop would have it; recordings that are there are left alone."""
    for number in range(count):
        vehicle = place / f"vehicle-{number // A_VEHICLE:03d}"
        vehicle.mkdir(parents=True, exist_ok=True)
        spec = layout(LAYOUTS[number // A_VEHICLE % len(LAYOUTS)]).engine
        text = ENGINE_FILE.format(cylinders=spec.cylinders, order=list(spec.firing_order))
        (vehicle / "engine.toml").write_text(text + (TRIGGER if told else ""), encoding="utf-8")
        path = vehicle / f"r{number:05d}.{form}"
        if not path.exists():
            write_recording(make(number), path)


class Watch:
    """Memory of this process and of its workers, looked at whenever progress is told."""

    def __init__(self) -> None:
        self.own_mb: list[float] = []
        self.workers_mb: list[float] = []
        self.times_s: list[float] = []

    def __call__(self, word: str, done: int, total: int) -> None:
        """One look."""
        if word != "analysed" or done == total:  # at the end the workers are gone
            return
        self.times_s.append(time.perf_counter())
        this = psutil.Process()
        self.own_mb.append(this.memory_info().rss / 1e6)
        self.workers_mb.append(
            sum(child.memory_info().rss for child in this.children(recursive=True)) / 1e6
        )


def said(name: str, values: list[float]) -> str:
    """Memory after a fifth of the work and near its end."""
    early = values[len(values) // 5]
    return f"{name} {early:.0f} MB after a fifth, {values[-1]:.0f} MB near the end"


def main() -> None:
    """Make, take in, print."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--count", type=int, default=320)
    words.add_argument("--form", choices=("csv", "npz", "wav"), default="csv")
    words.add_argument("--workers", type=int, default=2)
    words.add_argument("--trigger-unknown", action="store_true")
    words.add_argument("--place", type=Path, default=Path("out/bench-recordings"))
    given = words.parse_args()
    place = given.place / given.form
    make_all(place, given.count, given.form, told=not given.trigger_unknown)
    print(f"load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores", flush=True)
    watch = Watch()
    with tempfile.TemporaryDirectory() as folder, open_store(Path(folder, "store")) as store:
        cpu, wall = os.times(), time.perf_counter()
        done = import_folder(store, place, workers=given.workers, progress=watch)
        wall = time.perf_counter() - wall
    after = os.times()
    own = after.user + after.system - cpu.user - cpu.system
    workers = after.children_user + after.children_system - cpu.children_user - cpu.children_system
    steady = (len(watch.times_s) - 1) / (watch.times_s[-1] - watch.times_s[0])
    print(
        f"{given.form}: {done.found / wall:.1f} recordings a second from start to end, "
        f"{16 * steady:.1f} once the workers run (limit 20)\n"
        f"{done.analysed} analysed, {done.unchanged} known, {len(done.failed)} failed\n"
        f"processor time each: {1000 * own / done.found:.1f} ms here, "
        f"{1000 * workers / done.found:.1f} ms in the workers\n"
        f"memory: {said('here', watch.own_mb)}; {said('workers', watch.workers_mb)}"
    )


if __name__ == "__main__":
    main()

"""Wall time of `ringland analyse RECORDING --engine ENGINE --json PATH` on a two-second file.

Four channels at 100 kS/s from the simulator, written as CSV and as WAV; each run is a new process
with everything already compiled. Goal: at most 1.5 s on two cores. Printed: the least and the
median of the runs, the load of the machine, and, for scale, an interpreter that only imports the
libraries the job cannot do without.

    python bench/start.py [--runs 7]
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from analysis import made

from ringland.writers import write_recording

GOAL_S = 1.5
ENGINE = """cylinders = 4
firing_order = [1, 3, 4, 2]
trigger_cylinder = 1
trigger_advance_deg = 10
trigger_pulses_per_cycle = 1
"""


# Warm means that Python keeps its byte code too, as it does unless it is told not to.
_WARM = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}


def wall_s(command: list[str]) -> float:
    """Wall time of one run."""
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=_WARM)
    return time.perf_counter() - start


def main() -> int:
    """Measure and print; status 1 when a median is above the goal."""
    parser = argparse.ArgumentParser(description="Wall time of one analysis")
    parser.add_argument("--runs", type=int, default=7)
    runs: int = parser.parse_args().runs
    recording, _ = made()
    worst = 0.0
    with tempfile.TemporaryDirectory() as folder:
        engine = Path(folder) / "engine.toml"
        engine.write_text(ENGINE, encoding="utf-8")
        bare = "import numpy, numba, scipy.fft"
        commands = {bare: [sys.executable, "-c", bare]}
        for suffix in ("csv", "wav"):
            path = Path(folder) / f"two_seconds.{suffix}"
            write_recording(recording, path)
            commands[suffix] = [
                sys.executable, "-m", "ringland", "analyse", str(path), "--engine", str(engine),
                "--condition", "idle", "--json", str(Path(folder) / f"{suffix}.json"),
            ]  # fmt: skip
            wall_s(commands[suffix])
        times: dict[str, list[float]] = {name: [] for name in commands}
        for _ in range(runs):
            for name, command in commands.items():
                times[name].append(wall_s(command))
    for name, found in times.items():
        middle = sorted(found)[runs // 2]
        print(f"{name}: least {min(found):.2f} s, median {middle:.2f} s")
        if name in ("csv", "wav"):
            worst = max(worst, middle)
    if hasattr(os, "getloadavg"):
        print(f"load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    print(f"worst median {worst:.2f} s, {worst / GOAL_S:.2f} of the goal of {GOAL_S:g} s")
    return 0 if worst <= GOAL_S else 1


if __name__ == "__main__":
    sys.exit(main())

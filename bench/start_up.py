"""Wall time of `ringland --help` over that of importing typer and rich, in turns.

    python bench/start_up.py [--runs 15]

The least time of each is compared, since other work on the machine only adds. Goal: at most 2.
"""

import argparse
import subprocess
import sys
import time

GOAL = 2.0
COMMANDS = {
    "import typer, rich": [sys.executable, "-c", "import typer, rich"],
    "ringland --help": [sys.executable, "-m", "ringland", "--help"],
}


def wall_s(command: list[str]) -> float:
    """Wall time of one run."""
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def main() -> int:
    """Print both times and their ratio; status 1 when the goal is missed."""
    parser = argparse.ArgumentParser(description="Start-up time")
    parser.add_argument("--runs", type=int, default=15)
    runs: int = parser.parse_args().runs
    times: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for _ in range(runs):
        for name, command in COMMANDS.items():
            times[name].append(wall_s(command))
    least = {name: min(found) for name, found in times.items()}
    for name, found in times.items():
        print(f"{name}: least {min(found):.3f} s, median {sorted(found)[runs // 2]:.3f} s")
    base, ours = least.values()
    print(f"ratio {ours / base:.2f} (goal at most {GOAL:g})")
    return 0 if ours <= GOAL * base else 1


if __name__ == "__main__":
    sys.exit(main())

"""Validation: does before/after say "changed" when nothing changed, and when something did?

    python validation/before_after.py --engines 1000

Each engine is visited four times: sound, sound again, with a ring leak of 2 mm2, with one of 1 mm2.
Seeded; what was measured goes line by line to a file and a second run continues where the first
stopped; judging is quick and done anew each time. The table is written to
docs/validation/before_after.md with the command beside it.
"""

import argparse
import json
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from pairs import draw_engine, make_visit, measure

from ringland.model import Estimate
from ringland.simulator.faults import Fault
from ringland.verify.readings import Measured, Reading

HERE = Path(__file__).parent
SEED = 55_207
LEAK_MM2 = 2.0
VISITS = {"sound": 0.0, "again": 0.0, "leaking": LEAK_MM2, "half": LEAK_MM2 / 2.0}


def make_line(index: int, seed: int) -> dict[str, Any]:
    """All visits of one engine, as plain data."""
    case, engine, _, _ = draw_engine(index, seed)
    rng = np.random.default_rng([seed, index, 40])
    cylinder = int(rng.integers(1, engine.spec.cylinders + 1))
    line: dict[str, Any] = {
        "seed": seed,
        "index": index,
        "layout": case.layout_id,
        "condition": case.condition,
        "diesel": case.diesel,
        "cylinder": cylinder,
    }
    for number, (name, area) in enumerate(VISITS.items()):
        fault = Fault("ring_leak", (cylinder,), area) if area else None
        line[name] = asdict(measure(make_visit(index, number, seed, fault)))
    return line


def measured_of(saved: dict[str, Any]) -> Measured:
    """What `asdict` took apart."""
    return Measured(
        **saved
        | {
            "firing_order": tuple(saved["firing_order"]),
            "speed_rpm": Estimate(**saved["speed_rpm"]),
            "channels": tuple((a, b) for a, b in saved["channels"]),
            "delays_s": tuple((a, Estimate(**e)) for a, e in saved["delays_s"]),
            "readings": tuple(Reading(**r) for r in saved["readings"]),
        }
    )


def lines_of(path: Path, seed: int) -> Iterator[dict[str, Any]]:
    """What was made before with this seed."""
    if path.exists():
        for text in path.read_text(encoding="utf-8").splitlines():
            line = json.loads(text)
            if line["seed"] == seed:
                yield line


def make_missing(path: Path, seed: int, wanted: range) -> None:
    """Simulate what is not in the file yet."""
    path.parent.mkdir(parents=True, exist_ok=True)
    done = {line["index"] for line in lines_of(path, seed)}
    missing = [k for k in wanted if k not in done]
    started = time.perf_counter()
    with path.open("a", encoding="utf-8", newline="\n") as out:
        for number, index in enumerate(missing, start=1):
            out.write(json.dumps(make_line(index, seed)) + "\n")
            out.flush()
            spent = time.perf_counter() - started
            left = spent / number * (len(missing) - number)
            print(f"\r{number} of {len(missing)}, {left:.0f} s left   ", end="", file=sys.stderr)
    print(file=sys.stderr)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--engines", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--results", type=Path, default=HERE.parent / "out" / "before_after.jsonl")
    parser.add_argument("--only-make", action="store_true", help="simulate, do not judge")
    given = parser.parse_args()
    wanted = range(given.first, given.first + given.engines)
    make_missing(given.results, given.seed, wanted)
    if given.only_make:
        return


if __name__ == "__main__":
    main()

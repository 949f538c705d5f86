"""Run seeded cases in processes; a second run goes on where the first stopped."""

import json
import sys
import time
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

__all__ = ["Row", "resumed_rows"]

Row = dict[str, Any]


def resumed_rows(
    results: Path,
    run: Callable[[int, int], Row],
    indices: Iterable[int],
    *,
    seed: int,
    workers: int = 1,
) -> list[Row]:
    """Rows of these cases in their order: those of the same seed in `results`, the others from
    `run(index, seed)`, written there line by line."""
    results.parent.mkdir(parents=True, exist_ok=True)
    rows: dict[int, Row] = {}
    if results.exists():
        for line in results.read_text(encoding="utf-8").splitlines():
            row = json.loads(line)
            if row.get("seed") == seed:
                rows[row["index"]] = row
    wanted = list(indices)
    missing = [index for index in wanted if index not in rows]
    began = time.monotonic()
    with (
        ProcessPoolExecutor(workers) as pool,
        results.open("a", encoding="utf-8", newline="\n") as out,
    ):
        jobs = [pool.submit(run, index, seed) for index in missing]
        for done, job in enumerate(as_completed(jobs), start=1):
            row = job.result() | {"seed": seed}
            rows[row["index"]] = row
            out.write(json.dumps(row) + "\n")
            out.flush()
            spent = time.monotonic() - began
            left = spent / done * (len(missing) - done)
            print(
                f"\r{done} of {len(missing)}, {spent:.0f} s, about {left:.0f} s left   ",
                end="",
                file=sys.stderr,
            )
    print(file=sys.stderr)
    return [rows[index] for index in wanted]

"""The store at the size of a large depot: 200,000 visits of 5,000 invented vehicles.

    python bench/history_store.py [--visits 200000] [--vehicles 5000] [--place FOLDER_OR_URL]

Prints the time of a vehicle page, the fleet order, trends of one vehicle and searches, each against
its limit, and the size on disk. Everything in it is made up. How fast recordings are taken in:
bench/import_rate.py.
"""

import argparse
import json
import os
import random
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from pathlib import Path

from sqlalchemy import insert

from ringland.diagnosis.knowledge import load_knowledge
from ringland.history import Store, list_vehicles, open_store, search
from ringland.history.finding import index_everything
from ringland.history.fleet import fleet_order
from ringland.history.ids import new_id
from ringland.history.insight import fleet_cases, fleet_top, series_of, trends_of, vehicle_page
from ringland.history.schema import TABLES
from ringland.history.shares import packed
from ringland.history.waiting import owner_costs

NOW = "2026-01-01T00:00:00.000000Z"
BLOCK = 2000
WORDS = (
    *("rough", "idle", "smoke", "oil", "power", "cold", "start", "noise", "lamp", "knock"),
    *("whistle", "shakes", "stalls", "puffing"),
)
METRICS = (
    *("exhaust_pulse_strength", "exhaust_cycle_scatter", "exhaust_early_pressure"),
    *("exhaust_suction", "exhaust_misfire_rate", "crankcase_push", "crankcase_pull"),
)


def base() -> dict[str, object]:
    """What every row has."""
    return {"id": new_id(), "created_utc": NOW, "changed_utc": NOW, "version": 1}


def _sha256(rng: random.Random) -> str:
    return f"{rng.getrandbits(256):064x}"


def _shares(listed: str) -> str:
    return packed((c["failure_mode"], c["probability"]) for c in json.loads(listed))


def causes(rng: random.Random, modes: list[str]) -> tuple[float, str]:
    """Share of sound, and a list of causes as an analysis leaves it."""
    healthy = rng.betavariate(4, 2)
    weights = [rng.expovariate(1.0) ** 2 for _ in modes]
    total = sum(weights) / (1.0 - healthy) * 1.02
    named = sorted(zip(modes, (w / total for w in weights), strict=True), key=lambda m: -m[1])
    rows: list[dict[str, object]] = [
        {"failure_mode": m, "cylinder": rng.randint(1, 6), "firing_position": 1, "probability": p}
        for m, p in named[:12]
    ]
    rows += [{"failure_mode": m, "probability": round(p, 5), "rest": True} for m, p in named[12:]]
    return healthy, json.dumps(rows, separators=(",", ":"))


def readings(rng: random.Random, level: float) -> str:
    """Seven metrics of six cylinders."""
    rows = []
    for position in range(1, 7):
        for metric in METRICS:
            value = round(level + rng.gauss(0.0, 0.02), 6)
            rows.append([metric, "exhaust", position, position, value, value - 0.02, value + 0.02,
                         "normal"])  # fmt: skip
    return json.dumps(rows, separators=(",", ":"))


def visits_of(
    rng: random.Random, vehicle: str, count: int, modes: list[str]
) -> Iterator[tuple[dict[str, object], ...]]:
    """Visit, recording, analysis and readings of one vehicle."""
    day, km = date(2022, 1, 1), float(rng.randint(10_000, 600_000))
    for number in range(count):
        day, km = day + timedelta(days=rng.randint(10, 60)), km + rng.randint(500, 9_000)
        visit = {**base(), "vehicle_id": vehicle, "visited_on": day.isoformat(),
                 "purpose": "follow-up", "odometer_km": km,
                 "complaint": " ".join(rng.sample(WORDS, 3))}  # fmt: skip
        recording = {**base(), "visit_id": visit["id"], "sha256": _sha256(rng),
                     "file_name": f"r{number}.csv", "size_bytes": 240_000}  # fmt: skip
        healthy, listed = causes(rng, modes)
        analysis = {**base(), "recording_id": recording["id"], "size_bytes": 70_000,
                    "sha256": _sha256(rng), "software": "0", "causes": listed,
                    "schema": "ringland.analysis/1", "state": "normal", "healthy": healthy,
                    "shares": _shares(listed),
                    "none_of_these": 0.02}  # fmt: skip
        kept = {**base(), "id": analysis["id"], "analysis_id": analysis["id"],
                "readings": readings(rng, 1.0 - 0.001 * number)}  # fmt: skip
        yield visit, recording, analysis, kept


def fill(store: Store, vehicles: int, visits: int) -> float:
    """Make the rows; the time it took, in seconds."""
    rng, modes = random.Random(1), [mode.id for mode in load_knowledge().modes]
    start = time.perf_counter()
    owner = {**base(), "name": "Marrow Valley Transit (invented)"}
    names = ("visit", "recording", "analysis", "reading_set")
    with store.transaction() as connection:
        connection.execute(insert(TABLES["owner"]), [owner])
        rows = [
            {**base(), "owner_id": owner["id"], "name": f"Bus {n}", "fleet_number": str(n),
             "plate": f"MV {n}", "vin": f"1M8GDM9AXKP{n:06d}",
             "service_due_on": (date(2026, 6, 1) + timedelta(days=n % 90)).isoformat()}
            for n in range(vehicles)
        ]  # fmt: skip
        connection.execute(insert(TABLES["vehicle"]), rows)
        waiting: list[tuple[dict[str, object], ...]] = []

        def write() -> None:
            for number, name in enumerate(names):
                connection.execute(insert(TABLES[name]), [entry[number] for entry in waiting])
            waiting.clear()

        for number, row in enumerate(rows):
            share = visits * (number + 1) // vehicles - visits * number // vehicles
            waiting.extend(visits_of(rng, str(row["id"]), share, modes))
            if len(waiting) >= BLOCK:
                write()
        if waiting:
            write()
        index_everything(connection)
    return time.perf_counter() - start


def timed(what: str, limit_ms: float, act: Callable[[int], object], turns: int = 9) -> None:
    """Median wall and processor time of an act, against its limit."""
    walls, cpus = [], []
    for turn in range(turns):
        wall, cpu = time.perf_counter(), time.process_time()
        act(turn)
        walls.append(1000 * (time.perf_counter() - wall))
        cpus.append(1000 * (time.process_time() - cpu))
    wall, cpu = statistics.median(walls), statistics.median(cpus)
    print(f"{what:34} {wall:8.1f} ms wall {cpu:8.1f} ms cpu   limit {limit_ms:.0f} ms", flush=True)


def main() -> None:
    """Fill if needed, and measure."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--visits", type=int, default=200_000)
    words.add_argument("--vehicles", type=int, default=5_000)
    words.add_argument("--place")
    given = words.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        with open_store(given.place or folder, files=None) as store:
            if not list_vehicles(store, limit=1):
                print(f"filled in {fill(store, given.vehicles, given.visits):.0f} s", flush=True)
            measure(store)
        for path in Path(given.place or folder).glob("ringland.sqlite"):
            print(f"database: {path.stat().st_size / 1e6:.0f} MB")


def measure(store: Store) -> None:
    """Every time that has a limit."""
    print(f"load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    rows = list_vehicles(store)
    chosen = random.Random(2).sample(rows, 9)
    timed("vehicle page", 200, lambda i: vehicle_page(store, chosen[i].id))

    timed("all readings of a vehicle", 200, lambda i: series_of(store, chosen[i].id))
    timed("all trends of a vehicle", 200, lambda i: trends_of(store, chosen[i].id))
    day, costs = date(2026, 6, 1), owner_costs()
    timed("fleet order, first 50 lines", 200,
          lambda _: fleet_top(store, costs, limit=50, today=day))  # fmt: skip
    timed("fleet order, every line", 200, lambda _: fleet_order(fleet_cases(store, today=day),
                                                                costs), 3)  # fmt: skip
    for text in ("bus 4711", "smoke oil knock", "smoke", "bus", "004711", "nothinglikethis"):
        timed(f"search {text!r}", 100, lambda _, text=text: search(store, text))  # type: ignore[misc]


if __name__ == "__main__":
    main()

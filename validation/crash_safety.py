"""Killed in the middle of anything, the store opens, is whole and lacks nothing that was confirmed.

    python validation/crash_safety.py [--rounds 300] [--seed 1]

Each round copies a prepared store, starts a child that adds rows, takes in a folder (keeping and
analysing), analyses anew, brings old tables up to date, merges another store in or writes a backup,
kills it (SIGKILL) at a random moment of its usual time, and then looks: the store must open, verify
without a problem and hold everything the child had confirmed; done again to the end, the result
must be that of a run nobody disturbed. Ends with status 1 at the first round that fails. Needs
fork.
"""

import argparse
import json
import multiprocessing
import os
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from sqlalchemy import URL, insert

from ringland.history import (
    add_note,
    add_vehicle,
    add_visit,
    keep_recording,
    list_analyses,
    list_notes,
    list_recordings,
    list_vehicles,
    open_store,
)
from ringland.history.intake import import_folder, reanalyse
from ringland.history.merge import merge
from ringland.history.migrate import bring_up_to_date
from ringland.history.safety import back_up, verify
from ringland.history.schema import TABLES
from ringland.history.store import DATABASE_NAME, _connectable

ENGINE = "cylinders = 4\nfiring_order = [1, 3, 4, 2]\n"
RECORDINGS = 3
ROWS = 60
Confirm = Callable[[str, int], None]


def write_pulses(path: Path, seed: int) -> None:
    """Two seconds of a pulse per firing, with a trigger."""
    rng, when = np.random.default_rng(seed), np.arange(0.0, 2.0, 1e-3)
    phase = 800.0 / 120.0 * when * 4.0
    exhaust = np.cos(2 * np.pi * phase) + 0.05 * rng.standard_normal(len(when))
    trigger = ((phase / 4.0) % 1.0 < 0.05) * 5.0
    # no CSV: the threads of its reader do not live through a fork
    np.savez(path, exhaust=exhaust, ignition=trigger, rate_hz=1000.0)


def prepare(root: Path) -> None:
    """The stores and the folder every round starts from."""
    place = root / "folder"
    place.mkdir()
    (place / "engine.toml").write_text(ENGINE)
    for number in range(RECORDINGS):
        write_pulses(place / f"r{number}.npz", number)
    with open_store(root / "empty" / "store") as store:
        add_vehicle(store, name="Bus 12")
    with open_store(root / "taken-in" / "store") as store:
        import_folder(store, place, workers=1)
    with open_store(root / "other") as store:
        for number in range(ROWS):
            bus = add_vehicle(store, name=f"Van {number}")
            visit = add_visit(store, vehicle_id=bus.id, visited_on="2026-03-09", purpose="before")
            if number < RECORDINGS:
                keep_recording(store, visit.id, place / f"r{number}.npz")
    old = root / "old" / "store"
    old.mkdir(parents=True)
    database = _connectable(URL.create("sqlite", database=str(old / DATABASE_NAME)))
    bring_up_to_date(database, to="0001")
    when = {"created_utc": "2026-01-01T00:00:00.000000Z", "version": 1}
    rows = [
        {"id": f"00000000-0000-7000-8000-{n:012d}", "name": f"Old {n}",
         "changed_utc": when["created_utc"], **when}
        for n in range(3000)
    ]  # fmt: skip
    with database.begin() as connection:
        connection.execute(insert(TABLES["vehicle"]), rows)
    database.dispose()


def add_rows(place: Path, root: Path, confirm: Confirm) -> None:
    """One note after another, each confirmed."""
    with open_store(place) as store:
        bus = list_vehicles(store)[0]
        present = {note.text for note in list_notes(store)}
        for number in range(ROWS):
            if f"n{number}" not in present:
                add_note(store, vehicle_id=bus.id, text=f"n{number}")
            confirm("notes", number + 1)


def take_in(place: Path, root: Path, confirm: Confirm) -> None:
    """Keep and analyse a folder."""
    with open_store(place) as store:
        import_folder(
            store, root / "folder", workers=1, progress=lambda word, n, _: confirm(word, n)
        )


def analyse_anew(place: Path, root: Path, confirm: Confirm) -> None:
    """Every recording once more."""
    with open_store(place) as store:
        reanalyse(store, again=True, workers=1, progress=lambda word, n, _: confirm(word, n))


def bring_up(place: Path, root: Path, confirm: Confirm) -> None:
    """Open a store with old tables."""
    with open_store(place):
        confirm("vehicles", 3000)


def unite(place: Path, root: Path, confirm: Confirm) -> None:
    """Merge another store in."""
    with open_store(place) as store, open_store(root / "other") as other:
        merge(store, other)
        confirm("vehicles", ROWS + 1)


def save(place: Path, root: Path, confirm: Confirm) -> None:
    """A backup, once more over an older one."""
    with open_store(place) as store:
        back_up(store, place.parent / "backup")
        confirm("backup", 1)


ACTIONS: dict[str, tuple[str, Callable[[Path, Path, Confirm], None]]] = {
    "rows": ("empty", add_rows),
    "import": ("empty", take_in),
    "analysis": ("taken-in", analyse_anew),
    "migration": ("old", bring_up),
    "merge": ("empty", unite),
    "backup": ("taken-in", save),
}


def holds(place: Path, action: str) -> dict[str, int]:
    """What is in the store, counted as the child confirms it; fails when it is not whole."""
    with open_store(place) as store:
        problems = verify(store).problems
        assert not problems, problems
        found = {
            "vehicles": len(list_vehicles(store)),
            "notes": len(list_notes(store)),
            "kept": len(list_recordings(store)),
            "analysed": len(list_analyses(store)),
        }
        texts = [note.text for note in list_notes(store)]
        assert len(set(texts)) == len(texts), "something is there twice"
    if action == "backup" and (place.parent / "backup" / DATABASE_NAME).exists():
        with open_store(place.parent / "backup") as copy:
            problems = verify(copy).problems
            assert not problems, problems
            found["backup"] = 1
    return found


def child(action: str, place: Path, root: Path, log: Path) -> None:
    """Do it, and write down what was confirmed."""
    with log.open("a", buffering=1) as file:
        ACTIONS[action][1](place, root, lambda word, n: print(json.dumps([word, n]), file=file))


def one_round(action: str, root: Path, after_s: float | None) -> tuple[float, bool]:
    """Start, kill after so many seconds (None: never), look, do it again, look; time and killed."""
    folder = Path(tempfile.mkdtemp(dir=root))
    try:
        shutil.copytree(root / ACTIONS[action][0], folder / "start")
        place, log = folder / "start" / "store", folder / "log"
        log.touch()
        process = multiprocessing.get_context("fork").Process(
            target=child, args=(action, place, root, log)
        )
        began = time.perf_counter()
        process.start()
        process.join(after_s)
        killed = process.is_alive()
        if killed:
            process.kill()
            process.join()
        took = time.perf_counter() - began
        said = [json.loads(line) for line in log.read_text().splitlines() if line.endswith("]")]
        found = holds(place, action)
        for word, count in said:
            assert found.get(word, 0) >= count, (action, word, count, found)
        if after_s is not None:
            child(action, place, root, log)
            again, expected = holds(place, action), EXPECTED[action]
            assert again == expected, (action, again, expected)
        else:
            EXPECTED[action] = found
        return took, killed
    finally:
        shutil.rmtree(folder, ignore_errors=True)


EXPECTED: dict[str, dict[str, int]] = {}


def main() -> int:
    """All rounds; 0 when every one held."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--rounds", type=int, default=300)
    words.add_argument("--seed", type=int, default=1)
    given = words.parse_args()
    rng = random.Random(given.seed)
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        prepare(root)
        usual = {action: one_round(action, root, None)[0] for action in ACTIONS}
        print({action: round(seconds, 2) for action, seconds in usual.items()}, flush=True)
        counts: Counter[str] = Counter()
        names = list(ACTIONS)
        for number in range(given.rounds):
            action = names[number % len(names)]
            try:
                _, killed = one_round(action, root, rng.uniform(0.0, usual[action]))
            except AssertionError as error:
                print(f"round {number}, {action}: FAILED: {error}")
                return 1
            counts[f"{action}, {'killed in the middle' if killed else 'done before'}"] += 1
            if (number + 1) % 25 == 0:
                print(f"{number + 1} rounds held", flush=True)
    for what, count in sorted(counts.items()):
        print(f"{what}: {count}")
    print(f"{given.rounds} rounds: every store opened, was whole, lacked nothing confirmed and")
    print("came to the same end when the work was done again.")
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""Validation: how often is a sound engine put in alarm?

    python validation/false_alarms.py --trains 700 --simulated 700 --drawn 600

Healthy recordings of three makes: pulse trains (`pulse_trains.py`, no physics, no trigger),
simulated engines with healthy spread, random hook-up and recorder (`cases.py`), every second one
without its trigger, and sound engines drawn as widely as the reference cases are, recordings of
2.2 s among them. Results go to docs/validation/false_alarms.md with --page.
"""

import argparse
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import repeat
from pathlib import Path

import numpy as np
from cases import Case, draw_case, make_case, without_trigger
from pulse_trains import make_train, random_engine

from ringland.model import Analysis, Condition, State
from ringland.pipeline import analyse
from ringland.reference.cases import drawn_recordings

SEED = 71_352
PAGE = Path(__file__).parents[1] / "docs" / "validation" / "false_alarms.md"


@dataclass(frozen=True)
class Outcome:
    """One healthy recording: metrics in alarm and in alert (one entry each), or why not judged."""

    name: str
    alarms: tuple[str, ...]
    alerts: tuple[str, ...]
    not_judged: str | None


def outcome(name: str, analysis: Analysis) -> Outcome:
    """What the table of symptoms says."""
    if analysis.symptoms is None:
        return Outcome(name, (), (), analysis.not_judged)

    def ids(state: State) -> tuple[str, ...]:
        assert analysis.symptoms is not None
        found = (s.metric for s in analysis.symptoms.symptoms if s.state is state)
        return tuple(dict.fromkeys(found))

    return Outcome(name, ids(State.ALARM), ids(State.ALERT), None)


def train_outcome(index: int, seed: int) -> Outcome:
    """A healthy pulse train: cylinders differ by 5 %, cycles by 3 to 10 %."""
    rng = np.random.default_rng([seed, index, 1])
    engine = random_engine(rng)
    idle = bool(rng.random() < 0.6)
    train = make_train(
        rng,
        engine,
        speed_rpm=float(rng.uniform(550.0, 1000.0) if idle else rng.uniform(1200.0, 2800.0)),
        seconds=float(rng.uniform(5.0, 15.0)),
        snr_db=float(rng.uniform(10.0, 40.0)),
        width=float(rng.uniform(0.12, 0.3)),
        undershoot=float(rng.uniform(0.0, 0.6)),
        cycle_scatter=float(rng.uniform(0.03, 0.10)),
        condition=Condition.IDLE if idle else Condition.HELD,
    )
    return outcome(f"train {engine.name}", analyse(train.recording, engine, diagnose=False))


def simulated_outcome(index: int, seed: int) -> Outcome:
    """A simulated sound engine; every second one without trigger."""
    drawn = draw_case(index, seed)
    case: Case = replace(drawn, kind="healthy", cylinder=None, severity=0.0)
    made = make_case(case)
    trigger = index // 8 % 2 == 0
    if not trigger:
        made = without_trigger(made)
    condition = Condition.IDLE if case.condition == "idle" else Condition.HELD
    found = analyse(made.recording.with_condition(condition), made.engine, diagnose=False)
    name = f"{case.layout_id} {case.condition} {'with' if trigger else 'without'} trigger"
    return outcome(name, found)


def drawn_outcome(index: int, seed: int) -> Outcome:
    """A sound engine of the reference draws, none of those that the network was learnt from."""
    numbers = np.random.default_rng([seed, index]).integers(10_000_000, 1_000_000_000, 20)
    for number in numbers:
        recordings = list(drawn_recordings(int(number), sound=True))
        if recordings:  # engines that do not run are drawn again
            made = recordings[index % 2]
            found = analyse(made.recording, made.told, diagnose=False)
            return outcome(f"{made.told.name}, {made.snr_db:.0f} dB", found)
    raise RuntimeError("twenty engines in a row did not run")


def count(
    kind: str, one: Callable[[int, int], Outcome], indices: range, seed: int, workers: int
) -> tuple[str, int, int]:
    """One row of the table, how many were judged, how many of them are in alarm."""
    started = time.perf_counter()
    outcomes = []
    with ProcessPoolExecutor(workers) as pool:
        found_ones = pool.map(one, indices, repeat(seed), chunksize=10)
        for index, found in zip(indices, found_ones, strict=True):
            outcomes.append(found)
            if found.alarms:
                print(f"  {kind} {index} {found.name}: {', '.join(found.alarms)}", flush=True)
    judged = [o for o in outcomes if o.not_judged is None]
    alarms = [o for o in judged if o.alarms]
    alerts = [o for o in judged if o.alerts and not o.alarms]
    by_metric = Counter(metric for o in alarms for metric in o.alarms)
    which = ", ".join(f"{m} x{n}" for m, n in by_metric.most_common()) or "none"
    share = len(alarms) / len(judged) if judged else 0.0
    row = (
        f"| {kind} | {len(outcomes)} | {len(judged)} | {len(alarms)} ({100 * share:.1f} %) "
        f"| {len(alerts)} | {which} |"
    )
    print(row, f"{time.perf_counter() - started:.0f} s", flush=True)
    return row, len(judged), len(alarms)


def page(rows: list[str], judged: int, alarms: int, command: str) -> str:
    """The page of results."""
    from ringland.cylinders.misfire import wilson_interval

    low, high = wilson_interval(alarms, judged)
    share = alarms / judged if judged else 0.0
    return "\n".join(
        [
            "# False alarms",
            "",
            "How often a sound engine is put in alarm by any metric of any cylinder. Bound: 1 % of",
            "recordings.",
            "",
            "Pulse trains: 1 to 16 cylinders, bells of 0.12 to 0.3 of the firing interval,",
            "undershoot up to 0.6 of the pulse, cylinders that differ by 5 %, cycles by 3 to 10 %,",
            "speed that wanders by 2 %, noise at 10 to 40 dB, 5 to 15 s, no trigger. Simulated",
            "engines: 3 to 8 cylinders, healthy spread, random path, sensor and recorder, idle or",
            "held speed, half of them without trigger. Drawn widely: as the reference cases are",
            "(docs/theory/reference.md, section 1), 2 to 12 cylinders, 8 to 35 dB, 2.2 to 6.5 s,",
            'bays of unequal breathing, echoes, a quarter without trigger. "In alert" counts',
            "recordings with an alert and no alarm.",
            "",
            "| kind | recordings | judged | in alarm | in alert | metrics in alarm |",
            "|---|---|---|---|---|---|",
            *rows,
            "",
            f"Together {alarms} of {judged} judged recordings in alarm: {100 * share:.2f} % "
            f"(95 % interval {100 * low:.2f} % to {100 * high:.2f} %).",
            "",
            f"Made by `{command}`.",
            "",
        ]
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trains", type=int, default=1000)
    parser.add_argument("--simulated", type=int, default=1000)
    parser.add_argument("--drawn", type=int, default=0, help="sound engines of the widest draws")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--page", action="store_true", help="write the page of results")
    given = parser.parse_args()
    rows, judged, alarms = [], 0, 0
    plan = (
        ("pulse trains", train_outcome, given.trains),
        ("simulated", simulated_outcome, given.simulated),
        ("drawn widely", drawn_outcome, given.drawn),
    )
    for kind, one, number in plan:
        if number:
            indices = range(given.first, given.first + number)
            row, some, bad = count(kind, one, indices, given.seed, given.workers)
            rows.append(row)
            judged += some
            alarms += bad
    if given.page:
        command = (
            f"python validation/false_alarms.py --trains {given.trains} "
            f"--simulated {given.simulated} --drawn {given.drawn} --seed {given.seed}"
        )
        PAGE.parent.mkdir(exist_ok=True)
        PAGE.write_text(page(rows, judged, alarms, command), "utf-8")


if __name__ == "__main__":
    main()

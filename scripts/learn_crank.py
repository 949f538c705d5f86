"""Make the simulated cases that the network of the crank's speed is learnt from, and learn it.

    python scripts/learn_crank.py make --first 0 --count 13000 --folder out/crank --workers 2
    python scripts/learn_crank.py learn --folder out/crank
    python scripts/learn_crank.py count --folder out/others

Making is resumable: every file of cases is written once, whole. Learning writes the network into
the package and says how well it does on cases left out (every tenth seed).
"""

import argparse
import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path

import numpy as np

from ringland.model._arrays import FloatArray
from ringland.reference.cases import Example
from ringland.reference.crank import CRANK_NETWORK
from ringland.reference.learn import LearnSettings, load_examples, make_files
from ringland.reference.network import PulseNetwork

PER_FILE = 100


def make_file(first: int, folder: Path, wheels: int) -> int:
    """Cases of PER_FILE seeds into one file; the number of recordings in it."""
    from ringland.reference.crank_cases import crank_examples
    from ringland.reference.learn import keep_examples

    path = folder / f"crank-{first:07d}.npz"
    if path.is_file():
        return 0
    examples: list[Example] = []
    for seed in range(first, first + PER_FILE):
        examples.extend(crank_examples(seed, wheels=wheels))
    keep_examples(examples, path)
    return len(examples)


def posterior(network: PulseNetwork, example: Example) -> tuple[float, FloatArray]:
    """Share of the sound engine, and (positions, kinds) of each fault."""
    scores, _ = network.outputs(network.inputs(example.values.astype(np.float64)))
    top = max(0.0, float(scores.max()))
    grown = np.exp(scores - top)
    whole = float(np.exp(-top) + grown.sum())
    return float(np.exp(-top)) / whole, grown / whole


def report(network: PulseNetwork, rest: Sequence[Example]) -> None:
    """At idle and held: found at 1 % false alarms, position, kind; by kind; calibration."""
    from ringland.reference.plan import load_settings

    acted_on = {c.kind: c.acted_on for c in load_settings().components}
    for idling in (True, False):
        told = [(e, *posterior(network, e)) for e in rest if e.idling == idling]
        sound = [1.0 - healthy for e, healthy, _ in told if not e.faults]
        limit = float(np.quantile(sound, 0.99))
        rows: dict[str, list[tuple[bool, ...]]] = {}
        for example, healthy, share in told:
            if len(example.faults) != 1 or len(example.faults[0][1]) != 1:
                continue
            kind, (position,), severity = example.faults[0]
            if severity < acted_on[kind]:
                continue
            order = np.argsort(-share.sum(axis=0)).tolist()
            number = network.kinds.index(kind)
            rows.setdefault(kind, []).append(
                (
                    1.0 - healthy > limit,
                    int(np.argmax(share.sum(axis=1))) + 1 == position,
                    number == order[0],
                    number in order[:2],
                )
            )
        print(f"{'idle' if idling else 'held'}: {sum(map(len, rows.values()))} actionable, "
              f"{len(sound)} sound; found at 1 % false alarms, position, kind, among two: "
              f"{shares([r for each in rows.values() for r in each])}")  # fmt: skip
        for kind in network.kinds:
            if kind in rows:
                print(f"  {kind:22s} {len(rows[kind]):4d} {shares(rows[kind])}")
        print(f"  calibration error of 'faulty': {calibration(told):.3f}")


def shares(rows: Sequence[tuple[bool, ...]]) -> str:
    """Means over the rows, column by column."""
    return ", ".join(f"{x:.2f}" for x in np.mean(rows, axis=0))


def calibration(told: Sequence[tuple[Example, float, FloatArray]]) -> float:
    """Expected calibration error of "some cylinder is faulty" in ten bins."""
    fault = np.array([1.0 - healthy for _, healthy, _ in told])
    true = np.array([bool(e.faults) for e, _, _ in told])
    bins = np.minimum((fault * 10).astype(int), 9)
    return float(
        sum(abs(fault[bins == b].mean() - true[bins == b].mean()) * (bins == b).mean()
            for b in range(10) if (bins == b).any())
    )  # fmt: skip


def tell(line: str) -> None:
    """Progress; a function of the module, so that it can be sent to other processes."""
    print(line, flush=True)


def learn(folder: Path, out: Path, settings: LearnSettings) -> None:
    """Learn from all files but every tenth seed, and report on that tenth."""
    from ringland.reference.learn_crank import learn_crank
    from ringland.reference.network import save_network
    from ringland.reference.plan import load_settings

    examples = [e for path in sorted(folder.glob("crank-*.npz")) for e in load_examples(path)]
    kept = [e for e in examples if e.seed % 10]
    rest = [e for e in examples if e.seed % 10 == 0]
    print(f"{len(kept)} recordings to learn from, {len(rest)} left out", flush=True)
    network = learn_crank(kept, rest, load_settings(), settings, tell)
    save_network(network, str(out))
    print(f"temperature {network.temperature:.3f}, far {network.far:.2f}, written to {out}")
    report(network, rest)


def main(words: list[str]) -> int:
    """Parse and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    ways = parser.add_subparsers(dest="way", required=True)
    making = ways.add_parser("make")
    making.add_argument("--first", type=int, default=0)
    making.add_argument("--count", type=int, default=13_000)
    making.add_argument("--folder", type=Path, required=True)
    making.add_argument("--workers", type=int, default=2)
    making.add_argument("--wheels", type=int, default=2, help="recordings of every run")
    learning = ways.add_parser("learn")
    learning.add_argument("--folder", type=Path, required=True)
    learning.add_argument("--out", type=Path, default=Path(str(CRANK_NETWORK)))
    learning.add_argument("--passes", type=int, default=40)
    learning.add_argument("--members", type=int, default=4)
    learning.add_argument("--workers", type=int, default=2)
    learning.add_argument("--noise", type=float, default=0.08)
    learning.add_argument("--drop", type=float, default=0.25)
    learning.add_argument("--hidden", type=int, default=192)
    counting = ways.add_parser("count")
    counting.add_argument("--folder", type=Path, required=True)
    counting.add_argument("--first", type=int, default=13_000, help="the first seed that counts")
    given = parser.parse_args(words)
    if given.way == "make":
        each = partial(make_file, folder=given.folder, wheels=given.wheels)
        given.folder.mkdir(parents=True, exist_ok=True)
        firsts = range(given.first, given.first + given.count, PER_FILE)
        make_files(each, firsts, given.workers, tell)
    elif given.way == "count":
        from ringland.reference.crank import load_crank_network

        paths = sorted(given.folder.glob("crank-*.npz"))
        rest = [e for path in paths for e in load_examples(path) if e.seed >= given.first]
        report(load_crank_network(), rest)
    else:
        settings = LearnSettings(
            hidden=(given.hidden, given.hidden // 2),
            members=given.members,
            workers=given.workers,
            passes=given.passes,
            noise=given.noise,
            drop_hidden=given.drop,
        )
        learn(given.folder, given.out, settings)
    return 0


if __name__ == "__main__":
    np.seterr(all="ignore")
    sys.exit(main(sys.argv[1:]))

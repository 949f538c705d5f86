"""Make the simulated cases that the pulse network is learnt from, and learn it.

    python scripts/learn_reference.py make --first 0 --count 8000 --folder out/cases --workers 2
    python scripts/learn_reference.py learn --folder out/cases
    python scripts/learn_reference.py count --folder out/others

Making is resumable: every file of cases is written once, whole. Learning writes the network into
the package and says how well it does on cases left out (every tenth seed). Hours on two cores.
"""

import argparse
import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path

import numpy as np

from ringland.model._arrays import FloatArray
from ringland.reference.cases import Example
from ringland.reference.features import hide
from ringland.reference.learn import LearnSettings, make_files
from ringland.reference.network import NETWORK, PulseNetwork

PER_FILE = 100


def make_file(first: int, folder: Path, hook_ups: int) -> int:
    """Cases of PER_FILE seeds into one file; the number of recordings in it."""
    from ringland.reference.cases import Example, simulated_examples
    from ringland.reference.learn import keep_examples

    path = folder / f"cases-{first:07d}.npz"
    if path.is_file():
        return 0
    examples: list[Example] = []
    for seed in range(first, first + PER_FILE):
        examples.extend(simulated_examples(seed, hook_ups=hook_ups))
    keep_examples(examples, path)
    return len(examples)


def make(first: int, count: int, folder: Path, workers: int, hook_ups: int) -> None:
    """All files, in parallel, with a line for each."""
    folder.mkdir(parents=True, exist_ok=True)
    each = partial(make_file, folder=folder, hook_ups=hook_ups)
    make_files(each, range(first, first + count, PER_FILE), workers, tell)


def posterior(
    network: PulseNetwork, examples: Sequence[Example], hidden: str | None
) -> list[FloatArray]:
    """For each recording (1 + positions, kinds): the first row holds the sound engine's share in
    its first column."""
    found = []
    for example in examples:
        values = example.values.astype(np.float64)
        scores, _ = network.outputs(network.inputs(hide(values, hidden) if hidden else values))
        top = max(0.0, float(scores.max()))
        grown = np.exp(scores - top)
        sound = np.zeros((1, scores.shape[1]))
        sound[0, 0] = np.exp(-top)
        whole = np.concatenate([sound, grown])
        found.append(whole / whole.sum())
    return found


def report(network: PulseNetwork, rest: Sequence[Example]) -> None:
    """Detection at 1 % false alarms, cylinder, kind, calibration; by kind and by hook-up."""
    from ringland.reference.plan import load_settings

    acted_on = {c.kind: c.acted_on for c in load_settings().components}
    single = [len(e.faults) == 1 and len(e.faults[0][1]) == 1 and e.numbered for e in rest]
    acting = np.array(
        [
            s and e.faults[0][2] >= acted_on[e.faults[0][0]]
            for s, e in zip(single, rest, strict=True)
        ]
    )
    sound = np.array([not e.faults and e.numbered for e in rest])
    for title, hidden in (("exhaust and crankcase", None), ("exhaust alone", "crankcase"),
                          ("crankcase alone", "exhaust")):  # fmt: skip
        told = posterior(network, rest, hidden)
        fault = np.array([1.0 - p[0, 0] for p in told])
        limit = np.quantile(fault[sound], 0.99)
        rows = []
        for n in np.flatnonzero(acting).tolist():
            kind, (position,), _ = rest[n].faults[0]
            by_kind = told[n][1:].sum(axis=0)
            order = np.argsort(-by_kind)
            rows.append(
                (
                    fault[n] > limit,
                    int(np.argmax(told[n][1:].sum(axis=1))) + 1 == position,
                    network.kinds[order[0]] == kind,
                    kind in (network.kinds[order[0]], network.kinds[order[1]]),
                )
            )
        detected, where, first, second = np.mean(rows, axis=0)
        print(f"{title}: {len(rows)} actionable, detected {detected:.3f} at 1 % false alarms of "
              f"{int(sound.sum())}, position {where:.3f}, kind first {first:.3f}, "
              f"among two {second:.3f}")  # fmt: skip
        if hidden is None:
            print(f"expected calibration error of 'faulty': {calibration(fault, rest):.3f}")
            by_kind_table(network, rest, told, acting)


def calibration(fault: FloatArray, rest: Sequence[Example]) -> float:
    """Expected calibration error in ten bins."""
    true = np.array([bool(e.faults) for e in rest])
    bins = np.minimum((fault * 10).astype(int), 9)
    return float(
        sum(abs(fault[bins == b].mean() - true[bins == b].mean()) * (bins == b).mean()
            for b in range(10) if (bins == b).any())
    )  # fmt: skip


def by_kind_table(
    network: PulseNetwork, rest: Sequence[Example], told: Sequence[FloatArray], acting: FloatArray
) -> None:
    """A line for each kind: how often its position and itself lead, and what it is taken for."""
    for kind in network.kinds:
        chosen = [n for n in np.flatnonzero(acting).tolist() if rest[n].faults[0][0] == kind]
        if not chosen:
            continue
        leading = [network.kinds[int(np.argmax(told[n][1:].sum(axis=0)))] for n in chosen]
        right = np.mean(
            [int(np.argmax(told[n][1:].sum(axis=1))) + 1 == rest[n].faults[0][1][0] for n in chosen]
        )
        names, counts = np.unique(leading, return_counts=True)
        order = np.argsort(-counts)[:4]
        taken = ", ".join(f"{names[i]} {counts[i] / len(chosen):.2f}" for i in order)
        print(f"  {kind:22s} {len(chosen):4d} position {right:.2f}; {taken}")


def by_running(network: PulseNetwork, rest: Sequence[Example]) -> None:
    """Where the right position is missed: idle or held, by kind, and by how many positions."""
    from ringland.reference.plan import load_settings

    acted_on = {c.kind: c.acted_on for c in load_settings().components}
    chosen = [
        e
        for e in rest
        if e.numbered
        and len(e.faults) == 1
        and len(e.faults[0][1]) == 1
        and e.faults[0][2] >= acted_on[e.faults[0][0]]
    ]
    off: dict[tuple[str, bool], list[int]] = {}
    for example, told in zip(chosen, posterior(network, chosen, None), strict=True):
        kind, (position,), _ = example.faults[0]
        count = len(example.values)
        away = (int(np.argmax(told[1:].sum(axis=1))) + 1 - position + count // 2) % count
        for name in (kind, "valve leaks" if "valve_leak" in kind else "other", "all"):
            off.setdefault((name, example.idling), []).append(away - count // 2)
    for (name, idling), found in sorted(off.items()):
        right, beside = (float(np.mean(np.abs(found) == n)) for n in (0, 1))
        print(f"  {name:22s} {'idle' if idling else 'held'} {len(found):5d} "
              f"position right {right:.2f}, the next one {beside:.2f}")  # fmt: skip


def count(folder: Path, first: int) -> None:
    """What the network of the package does on cases it was not learnt from."""
    from ringland.reference.learn import load_examples
    from ringland.reference.network import load_network

    paths = sorted(folder.glob("cases-*.npz"))
    rest = [e for path in paths for e in load_examples(path) if e.seed >= first]
    network = load_network()
    report(network, rest)
    by_running(network, rest)


def tell(line: str) -> None:
    """Progress; a function of the module, so that it can be sent to other processes."""
    print(line, flush=True)


def learn(folder: Path, out: Path, settings: LearnSettings, *, on: bool) -> None:
    """Learn from all files but every tenth seed, and report on that tenth. `on`: on from the
    network of the package."""
    from ringland.reference.learn import learn as learn_network
    from ringland.reference.learn import load_examples
    from ringland.reference.network import load_network, save_network
    from ringland.reference.plan import load_settings

    start = load_network() if on else None
    examples = [e for path in sorted(folder.glob("cases-*.npz")) for e in load_examples(path)]
    kept = [e for e in examples if e.seed % 10]
    rest = [e for e in examples if e.seed % 10 == 0]
    print(f"{len(kept)} recordings to learn from, {len(rest)} left out", flush=True)
    network = learn_network(
        kept, rest, load_settings(), settings,
        tell, start=start,
    )  # fmt: skip
    save_network(network, str(out))
    print(f"temperature {network.temperature:.3f}, far {network.far:.2f}, written to {out}")
    report(network, rest)


def main(words: list[str]) -> int:
    """Parse and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    ways = parser.add_subparsers(dest="way", required=True)
    making = ways.add_parser("make")
    making.add_argument("--first", type=int, default=0)
    making.add_argument("--count", type=int, default=8000)
    making.add_argument("--folder", type=Path, required=True)
    making.add_argument("--workers", type=int, default=2)
    making.add_argument("--hook-ups", type=int, default=2, help="recordings of every run")
    learning = ways.add_parser("learn")
    learning.add_argument("--folder", type=Path, required=True)
    learning.add_argument("--out", type=Path, default=Path(str(NETWORK)))
    learning.add_argument("--passes", type=int, default=40)
    learning.add_argument("--members", type=int, default=4)
    learning.add_argument("--workers", type=int, default=2)
    learning.add_argument("--noise", type=float, default=0.2)
    learning.add_argument("--drop", type=float, default=0.25)
    learning.add_argument("--hidden", type=int, default=256)
    learning.add_argument("--rate", type=float, default=LearnSettings().rate)
    learning.add_argument(
        "--on", action="store_true", help="learn on from the network of the package"
    )
    counting = ways.add_parser("count")
    counting.add_argument("--folder", type=Path, required=True)
    counting.add_argument("--first", type=int, default=10_700, help="the first seed that counts")
    given = parser.parse_args(words)
    if given.way == "make":
        make(given.first, given.count, given.folder, given.workers, given.hook_ups)
    elif given.way == "count":
        count(given.folder, given.first)
    else:
        settings = LearnSettings(
            hidden=(given.hidden, given.hidden // 2),
            members=given.members,
            workers=given.workers,
            passes=given.passes,
            noise=given.noise,
            drop_hidden=given.drop,
            rate=given.rate,
        )
        learn(given.folder, given.out, settings, on=given.on)
    return 0


if __name__ == "__main__":
    np.seterr(all="ignore")
    sys.exit(main(sys.argv[1:]))

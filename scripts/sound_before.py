"""Engines recorded twice, sound and as they are now: what the sound recording brings.

    python scripts/sound_before.py make --first 500000 --count 960 --hook-ups 6 --folder out/pairs
    python scripts/sound_before.py limits --folder out/pairs
    python scripts/sound_before.py count --folder out/other-pairs

`make` is resumable: every file is written once, whole. `limits` puts into the package's network
what sound engines reach when they are held against their own earlier recording. `count` says how
often faults are found and put in the right place, with the sound recording and without it.
"""

import argparse
import sys
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from ringland.cylinders.misfire import wilson_interval
from ringland.model._arrays import BoolArray, FloatArray
from ringland.reference.cases import Example
from ringland.reference.evidence import faulty_bits
from ringland.reference.learn import (
    limits_against_sound,
    load_examples,
    make_files,
    ratios_of_example,
)
from ringland.reference.network import NETWORK, PulseNetwork, load_network, save_network
from ringland.reference.plan import CaseSettings, load_settings
from ringland.reference.said import with_sound_recording

PER_FILE = 20
NAMED = ("misfire", "weak_burn", "ring_leak", "exhaust_valve_leak", "inlet_valve_leak")
"""Kinds that have a least severity of their own in what was asked for."""

Pair = tuple[Example, Example]
"""The later recording by itself, and against the earlier, sound one."""


def make_file(first: int, folder: Path, hook_ups: int) -> int:
    """Pairs of PER_FILE seeds into two files; their number."""
    from ringland.reference.changed import changed_examples
    from ringland.reference.learn import keep_examples

    alone, against = (folder / n / f"cases-{first:07d}.npz" for n in ("alone", "against"))
    if alone.is_file():
        return 0
    pairs = [p for s in range(first, first + PER_FILE) for p in changed_examples(s, hook_ups)]
    keep_examples([p.against_sound for p in pairs], against)
    keep_examples([p.alone for p in pairs], alone)
    return len(pairs)


def make(first: int, count: int, folder: Path, workers: int, hook_ups: int) -> None:
    """All files, in parallel, with a line for each."""
    for name in ("alone", "against"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    each = partial(make_file, folder=folder, hook_ups=hook_ups)
    make_files(each, range(first, first + count, PER_FILE), workers, partial(print, flush=True))


def load_pairs(folder: Path) -> list[Pair]:
    """All pairs of a folder."""
    pairs: list[Pair] = []
    for path in sorted((folder / "alone").glob("cases-*.npz")):
        against = load_examples(folder / "against" / path.name)
        pairs += zip(load_examples(path), against, strict=True)
    return pairs


def limits(folder: Path) -> None:
    """Measure the limits on sound engines and put them into the network of the package."""
    pairs = [p for p in load_pairs(folder) if not p[0].faults]
    network = load_network()
    found = limits_against_sound(network, load_settings(), pairs)
    save_network(replace(network, limits_against_sound=found), str(NETWORK))
    print(f"{len(pairs)} pairs of sound engines\n{np.round(found, 2)}")


def told(
    network: PulseNetwork, settings: CaseSettings, pair: Pair
) -> tuple[FloatArray, FloatArray]:
    """For every position, bits of "some fault here", of the recording alone and with the sound
    one."""
    alone, share = ratios_of_example(network, settings, pair[0], None)
    change, _ = ratios_of_example(network, settings, pair[1], None)
    both = with_sound_recording(alone, change)
    return faulty_bits(alone, share), faulty_bits(both, share)


def count(folder: Path) -> None:
    """Found at 1 % false alarms and in the right place, with the sound recording and without."""
    network, settings = load_network(), load_settings()
    acted_on = {c.kind: c.acted_on for c in settings.components}
    pairs = load_pairs(folder)
    bits = [told(network, settings, p) for p in pairs]
    sound = np.array([not p[0].faults for p in pairs])
    acting = np.array([_acting(p[0], acted_on) for p in pairs])
    kinds = np.array([p[0].faults[0][0] if p[0].faults else "" for p in pairs])
    idling = np.array([p[0].idling for p in pairs])
    print(f"{len(pairs)} pairs, {sound.sum()} sound, {acting.sum()} actionable in one cylinder, "
          f"{len({p[0].seed for p in pairs})} engines")  # fmt: skip
    groups: list[tuple[str, BoolArray]] = [
        ("all", acting),
        ("asked for by name", acting & np.isin(kinds, NAMED)),
        ("the same, idle", acting & np.isin(kinds, NAMED) & idling),
        ("the same, held", acting & np.isin(kinds, NAMED) & ~idling),
        *((k, acting & (kinds == k)) for k in network.kinds),
    ]
    worst = np.array([[each.max() for each in pair] for pair in bits])
    limit = np.quantile(worst[sound], 0.99, axis=0)
    found = worst > limit
    right = np.array([[_right(p[0], each) for each in b] for p, b in zip(pairs, bits, strict=True)])
    for name, chosen in groups:
        if chosen.any():
            cells = (_share(made[chosen, way]) for made in (found, right) for way in (0, 1))
            print(f"| {name.replace('_', ' ')} | {chosen.sum()} | {' | '.join(cells)} |")


def _share(made: BoolArray) -> str:
    """Share, with the interval that holds the true one 95 times in 100."""
    low, high = wilson_interval(int(made.sum()), len(made))
    return f"{made.mean():.2f} ({low:.2f} to {high:.2f})"


def _acting(example: Example, acted_on: dict[str, float]) -> bool:
    if len(example.faults) != 1 or len(example.faults[0][1]) != 1:
        return False
    kind, _, severity = example.faults[0]
    return severity >= acted_on[kind]


def _right(example: Example, bits: FloatArray) -> bool:
    return bool(example.faults) and int(np.argmax(bits)) + 1 in example.faults[0][1]


def main(words: Sequence[str]) -> int:
    """Parse and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    ways = parser.add_subparsers(dest="way", required=True)
    making = ways.add_parser("make")
    making.add_argument("--first", type=int, default=500_000)
    making.add_argument("--count", type=int, default=960)
    making.add_argument("--folder", type=Path, required=True)
    making.add_argument("--workers", type=int, default=2)
    making.add_argument(
        "--hook-ups", type=int, default=6, help="pairs of recordings of every engine"
    )
    for name in ("limits", "count"):
        ways.add_parser(name).add_argument("--folder", type=Path, required=True)
    given = parser.parse_args(words)
    if given.way == "make":
        make(given.first, given.count, given.folder, given.workers, given.hook_ups)
    else:
        (limits if given.way == "limits" else count)(given.folder)
    return 0


if __name__ == "__main__":
    np.seterr(all="ignore")
    sys.exit(main(sys.argv[1:]))

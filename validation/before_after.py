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
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from cases import LAYOUTS
from pairs import draw_engine, make_visit, measure

from ringland.cylinders.misfire import wilson_interval
from ringland.model import Estimate
from ringland.simulator.faults import Fault
from ringland.verify.before_after import compare
from ringland.verify.normal import NormalState, back_to_normal
from ringland.verify.readings import Measured, Reading
from ringland.verify.spread import HookUpSpread

HERE = Path(__file__).parent
SEED = 55_207
LEAK_MM2 = 2.0
Row = dict[str, Any]
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


def judge(line: dict[str, Any], spreads: Mapping[str, HookUpSpread] | None = None) -> Row:
    """What the comparison says of one engine, held against the truth."""
    sound, again, leaking, half = (measured_of(line[name]) for name in VISITS)
    cylinder = line["cylinder"]
    row: Row = {k: line[k] for k in ("index", "layout", "condition", "cylinder")}
    unchanged = compare(sound, again, spreads=spreads)
    row["judged"] = not any(m.not_judged for m in (sound, again, leaking, half))
    row["same_refused"] = unchanged.refused
    row["same_changed"] = bool(unchanged.changed)
    row["same_left_out"] = any(o.id == "pulse_moved" for o in unchanged.objections)
    for name, after in (("cured", again), ("helped", half)):
        found = compare(leaking, after, spreads=spreads)
        named = found.most_improved.cylinder if found.most_improved else None
        row[f"{name}_refused"] = found.refused
        row[f"{name}_changed"] = bool(found.changed)
        row[f"{name}_right"] = named == cylinder
        row[f"{name}_certain"] = found.certain and named == cylinder
        row[f"{name}_wrong_for_certain"] = found.certain and named != cylinder
    for name, after in (("cured", again), ("half", half), ("uncured", leaking)):
        for way, baseline in (("own", None), ("baseline", sound)):
            places = back_to_normal(after, baseline=baseline, spreads=spreads)
            row[f"normal_{name}_{way}"] = any(
                p.cylinder == cylinder and p.state is NormalState.SHOWN for p in places
            )
            row[f"all_normal_{name}_{way}"] = bool(places) and all(
                p.state is NormalState.SHOWN for p in places
            )
    return row


def share(rows: list[Row], key: str) -> str:
    hits = sum(bool(r[key]) for r in rows)
    low, high = wilson_interval(hits, len(rows))
    return (
        f"{100 * hits / len(rows):.1f} % ({hits} of {len(rows)}; "
        f"{100 * low:.1f} to {100 * high:.1f})"
    )


LINES = (
    ("nothing changed: any cell called changed", "same_changed", "at most 5 %"),
    ("nothing changed: not compared at all", "same_refused", "rare"),
    ("nothing changed: exhaust left out, its pulses heard elsewhere", "same_left_out", ""),
    ("2 mm2 ring leak cured: changed", "cured_changed", "at least 95 %"),
    ("the same: the right cylinder improved most", "cured_right", "at least 95 %"),
    ("the same: and counts by itself", "cured_certain", ""),
    ("the same: another cylinder, for certain", "cured_wrong_for_certain", "rare"),
    ("leak of 2 mm2 down to 1: changed", "helped_changed", ""),
    ("the same: the right cylinder improved most", "helped_right", ""),
    (
        "2 mm2 still there: called back to normal, own cylinders",
        "normal_uncured_own",
        "at most 5 %",
    ),
    (
        "2 mm2 still there: called back to normal, baseline",
        "normal_uncured_baseline",
        "at most 5 %",
    ),
    ("1 mm2 still there: called back to normal, own cylinders", "normal_half_own", "at most 5 %"),
    ("1 mm2 still there: called back to normal, baseline", "normal_half_baseline", "at most 5 %"),
    ("cured: called back to normal, own cylinders", "normal_cured_own", "the more the better"),
    ("cured: called back to normal, baseline", "normal_cured_baseline", "the more the better"),
    ("cured: every cylinder called normal, baseline", "all_normal_cured_baseline", ""),
)


OTHERS = (
    "The spread that the comparison expects was fitted on 120 other engines\n"
    "(validation/hook_up_spread.py), with the same assumptions."
)


def page(rows: list[Row], command: str, fitted: str = OTHERS) -> str:
    """The result as a page; `fitted` says on what the expected spread was fitted."""
    lines = [
        "# Before and after",
        "",
        "Is anything called changed when nothing changed, is a cured ring leak seen and in the",
        'right cylinder, and is "back to normal" claimed of an engine that is not?',
        "",
        f"{len(rows)} simulated engines of {len(LAYOUTS)} layouts, idle and about 1500 rpm, each",
        "visited four times: sound, sound again, with a ring leak of 2 mm2, with one of 1 mm2.",
        "Between visits the sensors are taken off and put back and the day is another one; how",
        "much differs is stated in `Day` of validation/pairs.py (own assumptions, no source).",
        fitted,
        "On real engines the spread is what repeats of one's own say it is. No repeats of the",
        "engine itself are used here.",
        "",
        f"Command: `{command}`",
        "",
        "| what | share (95 % interval) | asked for |",
        "|---|---|---|",
    ]
    lines += [f"| {name} | {share(rows, key)} | {asked} |" for name, key, asked in LINES]
    lines += [
        "",
        "| layout | changed when nothing did | cured leak: changed, right cylinder |",
        "|---|---|---|",
    ]
    for layout_id in LAYOUTS:
        own = [r for r in rows if r["layout"] == layout_id]
        if own:
            lines.append(
                f"| {layout_id} | {share(own, 'same_changed')} | {share(own, 'cured_right')} |"
            )
    return "\n".join(lines) + "\n"


def failures(rows: list[Row]) -> Iterator[str]:
    """What went wrong, with what is needed to look at it again."""
    for r in rows:
        if r["same_changed"]:
            yield f"{r['index']} {r['layout']} {r['condition']}: changed, but nothing did"
        if not r["cured_right"]:
            yield f"{r['index']} {r['layout']} {r['condition']}: cured leak not placed"
        if r["normal_uncured_own"] or r["normal_uncured_baseline"]:
            yield f"{r['index']} {r['layout']} {r['condition']}: leak called normal"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--engines", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--results", type=Path, default=HERE.parent / "out" / "before_after.jsonl")
    parser.add_argument(
        "--page", type=Path, default=HERE.parent / "docs" / "validation" / "before_after.md"
    )
    parser.add_argument("--only-make", action="store_true", help="simulate, do not judge")
    given = parser.parse_args()
    wanted = range(given.first, given.first + given.engines)
    make_missing(given.results, given.seed, wanted)
    if given.only_make:
        return
    made = {line["index"]: line for line in lines_of(given.results, given.seed)}
    rows = [judge(made[k]) for k in wanted if k in made]
    command = f"python validation/before_after.py --engines {given.engines} --seed {given.seed}"
    if given.first:
        command += f" --first {given.first}"
    text = page(rows, command)
    given.page.parent.mkdir(parents=True, exist_ok=True)
    given.page.write_text(text, encoding="utf-8", newline="\n")
    print(text)
    print("\n".join(failures(rows)))


if __name__ == "__main__":
    main()

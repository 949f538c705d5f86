"""Validation: is the faulty cylinder named at a visit, from idle, 1500 rpm and cranking together?

    python validation/visit.py --cases 1000 --workers 2

The engines, faults and hook-ups are those of misfire_and_leaks.py (validation/cases.py), each with
a trigger and recorded three times: at idle, at about 1500 rpm, and while the starter turns it with
a clamp on its cable; and at idle and 1500 rpm on another day, when it was sound. Seeded; results go
line by line to a file and a second run continues where the first stopped. The table is
docs/validation/visit.md.
"""

import argparse
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from cases import LAYOUTS, draw_case, engine_of, hook_up, make_case
from causes import cranked, share_of_cylinders, when_sound
from resumed import Row, resumed_rows

from ringland.cylinders.misfire import wilson_interval

HERE = Path(__file__).parent
SEED = 707_171
ASKED = {"misfire": "99 %", "ring_leak": "95 %", "exhaust_valve_leak": "95 %",
         "inlet_valve_leak": "95 %"}  # fmt: skip
WAYS = {
    "idle": "idle",
    "held": "1500 rpm",
    "two": "both together",
    "three": "and cranking",
    "sound": "and held against when it was sound",
}
_HELD_RPM = 1500.0


@dataclass(frozen=True)
class _Faulty:
    """What causes.py's recordings ask of a case."""

    engine: Any
    faults: tuple[Any, ...]
    background: tuple[Any, ...] = ()


def run_case(index: int, seed: int) -> Row:
    """One engine, recorded three times and twice when it was sound."""
    from ringland.pipeline import against_sound, analyse, join_all
    from ringland.simulator.faults import Fault

    case = draw_case(index, seed)
    row: Row = {"index": index, "layout": case.layout_id, "kind": case.kind,
                "cylinder": case.cylinder, "severity": case.severity}  # fmt: skip
    try:
        made = [make_case(replace(case, condition=c)) for c in ("idle", "held")]
        told = made[0].engine
        engine = engine_of(case)
        hooked = hook_up(case, engine.spec)
        fault = () if case.cylinder is None else (
            Fault(case.kind, (case.cylinder,), case.severity),
        )  # fmt: skip
        turned = cranked(_Faulty(engine, fault), hooked, seed=(seed, index))
        then = [
            when_sound(_Faulty(engine, ()), hooked, rpm=rpm, seed=(seed, index, n))
            for n, rpm in enumerate((None, _HELD_RPM))
        ]
        row["snr_db"] = made[0].snr_db
        now = [analyse(m.recording, told) for m in made]
        start = analyse(turned, told)
        before = [analyse(r, told) for r in then]
        changed = [against_sound(one, before) for one in now]
        for way, analysis in {
            "idle": now[0],
            "held": now[1],
            "two": join_all(now),
            "three": join_all([*now, start]),
            "sound": join_all([*changed, start]),
        }.items():
            row[way] = _told_by(analysis)
    except Exception:
        row["error"] = traceback.format_exc()
    return row


def _told_by(analysis: Any) -> Row:
    """The cylinder with most of the probability, and how much that and "sound" have."""
    diagnosis = analysis.diagnosis
    if diagnosis is None:
        return {"not_judged": analysis.not_judged or "no diagnosis"}
    by_cylinder = share_of_cylinders(diagnosis)
    leading = max(by_cylinder, key=by_cylinder.__getitem__) if by_cylinder else None
    return {
        "leading": leading,
        "probability": by_cylinder.get(leading, 0.0) if leading is not None else 0.0,
        "healthy": diagnosis.healthy,
    }


def _leads(row: Row, way: str) -> bool:
    return row[way].get("leading") == row["cylinder"]


def _some_named(row: Row, way: str) -> bool:
    told = row[way]
    return "healthy" in told and told["probability"] > told["healthy"]


def _named(row: Row, way: str) -> bool:
    return _leads(row, way) and _some_named(row, way)


def _share(rows: Sequence[Row], test: Callable[[Row], bool]) -> str:
    if not rows:
        return "no cases"
    hits = sum(map(test, rows))
    low, high = wilson_interval(hits, len(rows))
    share = f"{100 * hits / len(rows):.1f} %; {100 * low:.1f} to {100 * high:.1f}"
    return f"{hits} of {len(rows)} ({share})"


def table(rows: list[Row], command: str) -> str:
    """The result as a page."""
    whole = [r for r in rows if "error" not in r]
    sound = [r for r in whole if r["kind"] == "healthy"]
    lines = [
        "# Naming the cylinder at a visit",
        "",
        f"{len(whole)} simulated engines of {len(LAYOUTS)} layouts with a trigger, 10 to 30 dB,",
        "random exhaust paths, sizes, breathers and healthy spread (validation/cases.py);",
        "misfire in 20 % of cycles or more, leaks of 2 mm2 or more. Each was recorded at idle, at",
        "1500 rpm and while the starter turned it, and ranked from one, two or all of these, and",
        "from all held against recordings of another day on which it was sound. Leads: this",
        "cylinder has more of the probability than any other. Named: and more than a sound engine.",
        "",
        f"Command: `{command}`",
        "",
        "| the faulty cylinder leads | asked | " + " | ".join(WAYS.values()) + " |",
        "|---|---|" + "---|" * len(WAYS),
    ]

    def line(
        name: str, asked: str, chosen: Sequence[Row], test: Callable[[Row, str], bool]
    ) -> None:
        cells = (_share(chosen, lambda r, w=way: test(r, w)) for way in WAYS)  # type: ignore[misc]
        lines.append(f"| {name} | {asked} | " + " | ".join(cells) + " |")

    for kind, asked in ASKED.items():
        line(kind.replace("_", " "), asked, [r for r in whole if r["kind"] == kind], _leads)
    faulty = [r for r in whole if r["kind"] != "healthy"]
    line("all", "", faulty, _leads)
    lines += ["", "| it is named | | " + " | ".join(WAYS.values()) + " |",
              "|---|---|" + "---|" * len(WAYS)]  # fmt: skip
    for kind in ASKED:
        line(kind.replace("_", " "), "", [r for r in whole if r["kind"] == kind], _named)
    line("all", "", faulty, _named)
    line("sound engine: some cylinder named", "", sound, _some_named)
    line("not judged", "", whole, lambda r, way: "not_judged" in r[way])
    lines += ["", "| layout | leads, all three | named, all three | leads, and when sound |",
              "|---|---|---|---|"]  # fmt: skip
    for layout_id in LAYOUTS:
        own = [r for r in faulty if r["layout"] == layout_id]
        lines.append(
            f"| {layout_id} | {_share(own, lambda r: _leads(r, 'three'))} "
            f"| {_share(own, lambda r: _named(r, 'three'))} "
            f"| {_share(own, lambda r: _leads(r, 'sound'))} |"
        )
    lines += ["", f"Runs that failed: {len(rows) - len(whole)}.", ""]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--results", type=Path, default=HERE.parent / "out" / "visit.jsonl")
    parser.add_argument(
        "--page", type=Path, default=HERE.parent / "docs" / "validation" / "visit.md"
    )
    given = parser.parse_args()
    rows = resumed_rows(
        given.results, run_case, range(given.cases), seed=given.seed, workers=given.workers
    )
    command = f"python validation/visit.py --cases {given.cases} --seed {given.seed}"
    page = table(rows, command)
    given.page.write_text(page, encoding="utf-8", newline="\n")
    print(page)


if __name__ == "__main__":
    main()

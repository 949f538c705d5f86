"""Validation: recordings that do not come from the simulator.

    python validation/other_model.py --cases 288 --workers 2 --page
    python validation/other_model.py --model wheel --cases 288 --workers 2 --page
    python validation/other_model.py --model pencil --cases 300 --workers 2 --page

The first from another, much simpler engine model (`quick_model.py`), the second with its crank
swinging with the work of the cylinders and the teeth recorded, the third drawn without any engine
(`drawn_pulses.py`). The reference networks have never seen anything like them. Seeded; rows go to a
file, a second run goes on where the first stopped.
"""

import argparse
import traceback
from collections.abc import Callable
from functools import partial
from pathlib import Path

import drawn_pulses
import quick_model
from other_case import OtherCase
from resumed import Row, resumed_rows

from ringland.cylinders.misfire import wilson_interval
from ringland.engines import layout
from ringland.model import Analysis, EngineSpec, Recording, State

HERE = Path(__file__).parent
PAGES = HERE.parent / "docs" / "validation"
SEED = 507_113
LAYOUTS = (
    "I3-132", "I4-1342", "I4-1342", "I5-12453", "I6-153624", "I6-153624", "V6-60-123456",
    "V6-90-odd-fire", "V8-90-18436572", "V8-90-18436572-dual", "F4-1324", "I2-360",
)  # fmt: skip
MODELS = {
    "quick": (
        "other_model",
        quick_model.FAULTS,
        "# Engines of another make\n\n"
        "Recordings from a second, much simpler engine model that shares nothing with the\n"
        "simulator the reference was learnt from (validation/quick_model.py): no travelling\n"
        "waves, a random linear path to the sensor between flow and pressure, unequal primary\n"
        "pipes, no geometry told. With a trigger; 12 to 30 dB, 2 to 8 s, idle and about 1500 rpm.",
    ),
    "wheel": (
        "other_model_wheel",
        quick_model.FAULTS,
        "# Engines of another make, with the crank's tooth wheel\n\n"
        "The engines of [engines of another make](other_model.md), whose rigid crank now swings\n"
        "with the work of the gas less that of the pistons; inertia, masses and errors of the\n"
        "teeth are drawn. The network of the crank's speed has never seen anything like them.",
    ),
    "pencil": (
        "drawn_pulses",
        drawn_pulses.FAULTS,
        "# Pulses drawn without an engine\n\n"
        "Pulses of three shapes and any width, one per firing, an echo, a crankcase that lets its\n"
        "gas go within 1 to 300 ms (validation/drawn_pulses.py). Faults are changes of the drawn\n"
        "pulses: firings missing, 30 to 60 % of the pulse lost, 2 to 5 times the gas past the\n"
        "rings, a bump of 0.2 to 0.6 pulses some 110 degrees before the pulse. With a trigger; 12\n"
        "to 30 dB, 2 to 6 s, idle and about 1500 rpm.",
    ),
}
"""Of each model: name of its page, faults with their severities, and how the page begins."""
_ORDER = {State.NOT_JUDGED: -1, State.NORMAL: 0, State.ALERT: 1, State.ALARM: 2}


def _read(analysis: Analysis, order: tuple[int, ...]) -> Row:
    """Cylinders in the worst state, furthest beyond a limit, and the causes."""
    if analysis.symptoms is None:
        return {"not_judged": analysis.not_judged or "no symptoms"}
    worst: dict[int, int] = {}
    beyond: dict[int, float] = {}
    for s in analysis.symptoms.symptoms:
        if s.firing_position is None:
            continue
        at = s.firing_position
        worst[at] = max(worst.get(at, -1), _ORDER[s.state])
        value, limit = s.deviation.value, s.alert_limit
        if value is not None and limit and _ORDER[s.state] > 0:
            beyond[at] = max(beyond.get(at, 0.0), abs(value / limit))
    top = max(worst.values(), default=-1)
    causes = analysis.diagnosis.causes if analysis.diagnosis else ()
    lead = max(causes, key=lambda c: c.probability, default=None)
    return {
        "state": top,
        "alarms": [s.metric for s in analysis.symptoms.symptoms if _ORDER[s.state] == 2],
        "named": [order[p - 1] for p, v in worst.items() if v == top and top > 0],
        "leading": order[max(beyond, key=lambda p: beyond[p]) - 1] if beyond else None,
        "cause": lead.failure_mode if lead else None,
        "cause_cylinder": (
            order[lead.firing_position - 1] if lead and lead.firing_position else None
        ),
        "probability": lead.probability if lead else 0.0,
        "none_of_these": analysis.diagnosis.none_of_these if analysis.diagnosis else None,
        "strange": bool(analysis.diagnosis and analysis.diagnosis.resembles_nothing),
    }


def _drawn(
    model: str, index: int, seed: int, engine: EngineSpec, kind: str
) -> tuple[OtherCase, EngineSpec, Recording]:
    """The case, what is told of the engine, and the recording."""
    if model in {"quick", "wheel"}:
        quick = quick_model.draw_quick(index, seed, engine, kind)
        made = quick_model.quick_recording(quick, wheel=model == "wheel")
        return quick, quick_model.described(quick), made
    pencil = drawn_pulses.draw_pencil(index, seed, engine, kind)
    return pencil, drawn_pulses.described(pencil), drawn_pulses.pencil_recording(pencil)


def run_case(index: int, seed: int, model: str = "quick") -> Row:
    """One case with trigger."""
    from ringland.pipeline import analyse

    kinds = ("healthy", *MODELS[model][1])
    layout_id = LAYOUTS[index % len(LAYOUTS)]
    kind = kinds[index // len(LAYOUTS) % len(kinds)]
    case, told, recording = _drawn(model, index, seed, layout(layout_id).engine, kind)
    row: Row = {
        "index": index, "layout": layout_id, "kind": kind, "cylinder": case.cylinder,
        "severity": case.severity, "diesel": case.diesel, "rpm": case.rpm, "snr_db": case.snr_db,
        "seconds": case.seconds,
    }  # fmt: skip
    try:
        row |= _read(analyse(recording, told), told.firing_order)
    except Exception:
        row["error"] = traceback.format_exc()
    return row


def _share(rows: list[Row], test: Callable[[Row], bool]) -> str:
    if not rows:
        return ""
    hits = sum(test(r) for r in rows)
    low, high = wilson_interval(hits, len(rows))
    return f"{hits} of {len(rows)} ({100 * low:.0f} to {100 * high:.0f} %)"


def table(rows: list[Row], command: str, model: str) -> str:
    """The result as a page."""
    _, faults, begins = MODELS[model]
    kinds = ("healthy", *faults)
    lines = [
        begins,
        "",
        f"Command: `{command}`",
        "",
        "| put in | an alarm | cylinder named, alone in the worst state "
        "| cylinder furthest beyond a limit | cylinder of the first cause | not judged |",
        "|---|---|---|---|---|---|",
    ]
    for kind in kinds:
        all_of_kind = [r for r in rows if r["kind"] == kind and "error" not in r]
        some = [r for r in all_of_kind if "not_judged" not in r]
        fault = kind != "healthy"
        lines.append(
            f"| {kind} | {_share(some, lambda r: r['state'] == 2)} | "
            + (_share(some, lambda r: r["named"] == [r["cylinder"]]) if fault else
               _share(some, lambda r: r["state"] > 0) + " in alert")
            + " | "
            + (_share(some, lambda r: r["leading"] == r["cylinder"]) if fault else "")
            + " | "
            + (_share(some, lambda r: r["cause_cylinder"] == r["cylinder"]) if fault else
               _share(some, lambda r: r["probability"] > 0.5) + " above 1/2")
            + f" | {len(all_of_kind) - len(some)} |"
        )  # fmt: skip
    lines += ["", "| put in | taken for (first cause) |", "|---|---|"]
    for kind in kinds:
        some = [r for r in rows if r["kind"] == kind and r.get("cause")]
        if not some:
            continue
        counts: dict[str, int] = {}
        for r in some:
            counts[r["cause"]] = counts.get(r["cause"], 0) + 1
        first = sorted(counts.items(), key=lambda i: -i[1])[:4]
        lines.append(f"| {kind} | " + ", ".join(f"{k} {n}" for k, n in first) + " |")
    failed = [r for r in rows if "error" in r]
    strange = sum(bool(r.get("strange")) for r in rows)
    lines += [
        "",
        f"Said to resemble nothing simulated: {strange} of {len(rows)}. "
        f"Runs that failed: {len(failed)}.",
        "",
    ]
    return "\n".join(lines)


def main() -> None:
    """Run and write the page."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--cases", type=int, default=288)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--model", choices=tuple(MODELS), default="quick")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--page", action="store_true")
    args = parser.parse_args()
    name = MODELS[args.model][0]
    rows = resumed_rows(
        args.out or HERE / "out" / f"{name}.jsonl",
        partial(run_case, model=args.model),
        range(args.cases),
        seed=args.seed,
        workers=args.workers,
    )
    command = f"python validation/other_model.py --model {args.model} --cases {args.cases}"
    page = table(rows, f"{command} --seed {args.seed}", args.model)
    print(page)
    if args.page:
        (PAGES / f"{name}.md").write_text(page, encoding="utf-8")


if __name__ == "__main__":
    main()

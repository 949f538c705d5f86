"""Validation: are the causes right, and are their probabilities to be believed?

    python validation/causes.py --cases 3000 --workers 2
    python validation/causes.py --cases 3000 --workers 2 --joined

Engines, spreads and noise are drawn wider than those the reference was learnt from, with other
seeds; one fault of actionable size in one cylinder, or none. Every recording (exhaust, crankcase,
trigger) goes through the whole analysis, again without its crankcase and without its exhaust, and
once more held against a recording of the same engine on another day, when it was sound.
With --joined every engine is recorded at idle and at about 1500 rpm and the causes are ranked from
both together. Results go line by line to a file and a second run continues where the first stopped.
The table is written to docs/validation/causes.md (causes_joined.md) with the command beside it.
"""

import argparse
import sys
import traceback
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from resumed import Row, resumed_rows

HERE = Path(__file__).parent
SEED = 660_211

FAMILIES = {
    "burn": ("ignition_misfire", "lean_cylinder", "rich_cylinder", "late_burn_cylinder",
             "injector_overfuel"),
    "past the piston": ("ring_leak", "scored_bore"),
    "valves": ("exhaust_valve_leak", "inlet_valve_leak", "exhaust_cam_lobe_worn",
               "inlet_cam_lobe_worn", "valve_spring_weak"),
    "air": ("intake_leak_cylinder",),
    "compression": ("low_compression_ratio", "gasket_to_coolant"),
    "neighbours": ("gasket_between_cylinders",),
}  # fmt: skip
"""What the pulses of one cylinder tell apart: how it burns, gas past the piston, its valves, its
runner's air, its compression, its neighbour. Declared before anything was counted."""

WIDER = 1.25
"""Spreads of the engine over those of the reference cases."""

SOUND = "when sound"
"""Both channels, held against a recording of the same engine while it was sound."""
WAYS = ("both", "exhaust", "crankcase", SOUND)
CRANKED, CRANKED_SOUND = "with cranking", "with cranking, when sound"
JOINED_WAYS = (*WAYS, CRANKED, CRANKED_SOUND, "idle", "held")
"""With --joined the first four are of idle and 1500 rpm together, the next two of these and the
starter's current while it turns the engine; the last two, for comparison, of both channels at one
speed."""

NAMED = {
    "misfire": "20 %",
    "weak_burn": "25 %",
    "ring_leak": "2 mm2",
    "exhaust_valve_leak": "2 mm2",
    "inlet_valve_leak": "2 mm2",
}
"""Kinds that are asked for by name, from this size (`acted_on` of reference_cases.toml)."""


def drawn_case(index: int, seed: int) -> tuple[Any, np.random.Generator]:
    """A case: the reference's own draw with wider spreads, and severities that count."""
    from ringland.reference import cases
    from ringland.reference.plan import load_settings

    rng = np.random.default_rng([seed, index])
    settings = load_settings()
    wide = replace(
        settings,
        healthy_scale_low=0.5,
        healthy_scale_high=2.2,
        sound_share=0.4 if index % 2 == 0 else 0.05,
        components=tuple(replace(c, least=max(c.least, c.acted_on)) for c in settings.components),
    )
    while True:
        case = cases.draw_case(rng, settings=wide, wider=WIDER)
        if len(case.faults) < 2:
            break
    held = None if case.held_rpm is None else float(rng.uniform(1350.0, 1650.0))
    return replace(case, held_rpm=held, load_nm=0.0), rng


def drawn_hook_up(case: Any, rng: np.random.Generator) -> tuple[Any, Any]:
    """Hook-up and recorder of a case."""
    from ringland.simulator.hookup_random import random_hookup, random_recorder

    hookup = random_hookup(rng, case.engine.spec)
    return hookup, replace(random_recorder(rng), snr_db=float(rng.uniform(10.0, 30.0)))


Worn = Callable[[Any, Any, Any], Any]
"""What is done to a recording, given its run and its hook-up (errors of a tooth wheel)."""


def as_it_is(recording: Any, _result: Any, _hookup: Any) -> Any:
    """Nothing."""
    return recording


def when_sound(
    case: Any, made: Any, *, rpm: float | None, seed: Sequence[int], worn: Worn = as_it_is
) -> Any:
    """A recording of the case's engine on another day, with no cylinder at fault: as unlike as two
    ordinary days are. `made`: the hook-up and recorder of today."""
    from ringland.simulator.another_day import DAY, DRAWS, engine_on_day, put_back
    from ringland.simulator.hookup import record
    from ringland.simulator.run import simulate

    rng = np.random.default_rng([*seed, 7])
    z, day = rng.standard_normal(DRAWS), DAY.times(2.0**0.5)
    hookup, recorder = made
    result = simulate(
        engine_on_day(case.engine, z, seed=int(rng.integers(1 << 30)), day=day),
        condition="idle" if rpm is None else "held",
        seconds=10.0,
        held_rpm=None if rpm is None else rpm * (1.0 + day.speed * z[3]),
        faults=case.background,
        seed=int(rng.integers(1 << 30)),
    )
    again = put_back(hookup, z, day)
    made = record(result, again, recorder=recorder, seed=int(rng.integers(1 << 30)))
    return worn(made, result, again)


def cranked(case: Any, made: Any, *, seed: Sequence[int], worn: Worn = as_it_is) -> Any:
    """A recording of the case's engine turned by its starter, with a clamp on the battery cable."""
    from ringland.simulator.hookup import record
    from ringland.simulator.run import simulate

    rng = np.random.default_rng([*seed, 9])
    hookup, recorder = made
    result = simulate(
        case.engine,
        condition="cranking",
        seconds=6.0,
        faults=case.faults + case.background,
        seed=int(rng.integers(1 << 30)),
    )
    clamped = replace(hookup, starter_clamp=True)
    made = record(result, clamped, recorder=recorder, seed=int(rng.integers(1 << 30)))
    return worn(made, result, clamped)


def about(index: int, case: Any) -> Row:
    """What is true of a case."""
    fault = case.faults[0] if case.faults else None
    return {
        "index": index,
        "cylinders": case.engine.spec.cylinders,
        "fuel": case.engine.spec.fuel.value,
        "idle": case.held_rpm is None,
        "kind": None if fault is None else fault.kind,
        "cylinder": None if fault is None else list(fault.cylinders),
        "severity": None if fault is None else fault.severity,
    }


def run_case(index: int, seed: int) -> Row:
    """One case, analysed with both channels, with either alone, and against the sound engine."""
    from ringland.model import ChannelRole
    from ringland.pipeline import against_sound, analyse
    from ringland.reference.cases import described_by_technician
    from ringland.reference.plan import load_settings
    from ringland.simulator.hookup import record
    from ringland.simulator.run import simulate

    case, rng = drawn_case(index, seed)
    row = about(index, case)
    try:
        result = simulate(
            case.engine,
            condition="idle" if case.held_rpm is None else "held",
            seconds=10.0,
            held_rpm=case.held_rpm,
            faults=case.faults + case.background,
            seed=int(rng.integers(1 << 30)),
        )
        hookup, recorder = drawn_hook_up(case, rng)
        recording = record(result, hookup, recorder=recorder, seed=index)
        told = described_by_technician(rng, case.engine.spec, hookup)
    except Exception:
        return row | {"error": traceback.format_exc()}
    row["snr_db"] = recorder.snr_db
    modes = [look.mode for look in load_settings().looks_like if row["kind"] in look.kinds]
    row["modes"] = [m for m in modes if m != "gasket_to_coolant"]
    exhausts = (ChannelRole.EXHAUST, ChannelRole.EXHAUST_2)
    for way, left_out in (("both", ()), ("exhaust", (ChannelRole.CRANKCASE,)),
                          ("crankcase", exhausts)):  # fmt: skip
        kept = tuple(c for c in recording.channels if c.role not in left_out)
        try:
            row[way] = told_by(analyse(replace(recording, channels=kept), told))
        except Exception:
            row[way] = {"error": traceback.format_exc()}
    try:
        then = when_sound(case, (hookup, recorder), rpm=case.held_rpm, seed=(seed, index))
        row[SOUND] = told_by(against_sound(analyse(recording, told), [analyse(then, told)]))
    except Exception:
        row[SOUND] = {"error": traceback.format_exc()}
    return row


def run_joined(index: int, seed: int) -> Row:
    """One engine recorded at idle, at a held speed and while it is cranked, ranked together."""
    from ringland.model import ChannelRole
    from ringland.pipeline import against_sound, analyse, join_all
    from ringland.reference.cases import described_by_technician
    from ringland.reference.plan import load_settings
    from ringland.simulator.hookup import record
    from ringland.simulator.run import simulate

    case, rng = drawn_case(index, seed)
    row = about(index, case)
    row["modes"] = [
        look.mode
        for look in load_settings().looks_like
        if row["kind"] in look.kinds and look.mode != "gasket_to_coolant"
    ]
    held_rpm = float(rng.uniform(1350.0, 1650.0))
    hookup, recorder = drawn_hook_up(case, rng)
    told = described_by_technician(rng, case.engine.spec, hookup)
    recordings = []
    try:
        for rpm in (None, held_rpm):
            result = simulate(
                case.engine,
                condition="idle" if rpm is None else "held",
                seconds=10.0,
                held_rpm=rpm,
                faults=case.faults + case.background,
                seed=int(rng.integers(1 << 30)),
            )
            recordings.append(
                record(result, hookup, recorder=recorder, seed=int(rng.integers(1 << 30)))
            )
    except Exception:
        return row | {"error": traceback.format_exc()}
    row["snr_db"] = recorder.snr_db
    exhausts = (ChannelRole.EXHAUST, ChannelRole.EXHAUST_2)
    for way, left_out in (("both", ()), ("exhaust", (ChannelRole.CRANKCASE,)),
                          ("crankcase", exhausts)):  # fmt: skip
        try:
            single = [
                analyse(
                    replace(r, channels=tuple(c for c in r.channels if c.role not in left_out)),
                    told,
                )
                for r in recordings
            ]
            row[way] = told_by(join_all(single))
            if way == "both":
                row["idle"], row["held"] = (told_by(one) for one in single)
                sound = [
                    analyse(
                        when_sound(case, (hookup, recorder), rpm=rpm, seed=(seed, index, n)), told
                    )
                    for n, rpm in enumerate((None, held_rpm))
                ]
                changed = [against_sound(one, sound) for one in single]
                row[SOUND] = told_by(join_all(changed))
                turned = analyse(cranked(case, (hookup, recorder), seed=(seed, index)), told)
                row[CRANKED] = told_by(join_all([*single, turned]))
                row[CRANKED_SOUND] = told_by(join_all([*changed, turned]))
        except Exception:
            row[way] = {"error": traceback.format_exc()}
    return row


def share_of_cylinders(diagnosis: Any) -> dict[int, float]:
    """Probability of some fault in each cylinder whose number is known."""
    by_cylinder: dict[int, float] = {}
    for cause in diagnosis.causes:
        if cause.cylinder is not None:
            by_cylinder[cause.cylinder] = by_cylinder.get(cause.cylinder, 0.0) + cause.probability
    return by_cylinder


def told_by(analysis: Any) -> Row:
    diagnosis = analysis.diagnosis
    if diagnosis is None:
        return {"not_judged": analysis.not_judged or "no diagnosis"}
    by_cylinder = share_of_cylinders(diagnosis)
    by_mode: dict[str, float] = {}
    for cause in diagnosis.causes:
        by_mode[cause.failure_mode] = by_mode.get(cause.failure_mode, 0.0) + cause.probability
    local = {m: p for m, p in by_mode.items() if any(m in f for f in FAMILIES.values())}
    top = diagnosis.causes[0]
    return {
        "healthy": diagnosis.healthy,
        "none": diagnosis.none_of_these,
        "modes": local,
        "cylinder": max(by_cylinder, key=by_cylinder.__getitem__) if by_cylinder else None,
        "top": [top.failure_mode, top.cylinder, top.probability],
        "strange": diagnosis.resembles_nothing is not None,
    }


def _family(mode: str) -> str:
    return next((name for name, modes in FAMILIES.items() if mode in modes), "other")


def _ranked(told: Row) -> list[str]:
    return sorted(told["modes"], key=lambda m: -told["modes"][m])


def _ranked_families(told: Row) -> list[str]:
    total: dict[str, float] = {}
    for mode, p in told["modes"].items():
        total[_family(mode)] = total.get(_family(mode), 0.0) + p
    return sorted(total, key=lambda f: -total[f])


def _share(rows: Sequence[Row], way: str, right: Callable[[Row, Row], bool]) -> str:
    known = [r for r in rows if "modes" in r[way]]
    hits = sum(right(r, r[way]) for r in known)
    return f"{hits} of {len(known)} ({hits / len(known):.2f})" if known else "-"


def _right_cylinder(row: Row, told: Row) -> bool:
    return told["cylinder"] in row["cylinder"]


def _first(row: Row, told: Row) -> bool:
    return _ranked(told)[0] in row["modes"]


def _first_two(row: Row, told: Row) -> bool:
    return any(m in row["modes"] for m in _ranked(told)[:2])


def _first_family(row: Row, told: Row) -> bool:
    return _ranked_families(told)[0] in {_family(m) for m in row["modes"]}


def limit_of(sound: Sequence[Row], way: str) -> float:
    known = [1.0 - r[way]["healthy"] for r in sound if "modes" in r[way]]
    return float(np.quantile(known, 0.99)) if known else 1.0


def reliability(
    rows: Sequence[Row], way: str = "both"
) -> tuple[list[tuple[float, float, int]], float, float]:
    """Of "this very cause in this very cylinder" for the leading cause: (said, right, count) by
    tenths, expected calibration error, and Brier score."""
    said, right, weight = [], [], []
    sound = sum(r["kind"] is None for r in rows)
    each = {True: 0.7 / max(sound, 1), False: 0.3 / max(len(rows) - sound, 1)}
    for row in rows:
        told = row.get(way, {})
        if "top" not in told:
            continue
        mode, cylinder, p = told["top"]
        said.append(p)
        weight.append(each[row["kind"] is None])
        right.append(
            row["kind"] is not None and mode in row["modes"] and cylinder in row["cylinder"]
        )
    s, r, w = np.array(said), np.array(right, dtype=float), np.array(weight)
    w /= w.sum()
    bins = np.minimum((s * 10).astype(int), 9)
    table = [
        (float(np.average(s[bins == b], weights=w[bins == b])),
         float(np.average(r[bins == b], weights=w[bins == b])), int((bins == b).sum()))
        for b in range(10) if (bins == b).any()
    ]  # fmt: skip
    share = [float(w[bins == b].sum()) for b in range(10) if (bins == b).any()]
    error = sum(abs(a - b) * n for (a, b, _), n in zip(table, share, strict=True))
    return table, float(error), float((w * (s - r) ** 2).sum())


def table(rows: Iterable[Row], command: str, ways: Sequence[str] = WAYS) -> str:
    """The page."""
    joined = tuple(ways) == JOINED_WAYS
    good = [r for r in rows if "error" not in r]
    faulty = [r for r in good if r["kind"] is not None]
    sound = [r for r in good if r["kind"] is None]
    lines = [
        "# Causes, idle and 1500 rpm together" if joined else "# Causes", "",
        "Made by", "", f"    {command}", "",
        (f"{len(good)} simulated engines, {len(sound)} of them sound, each recorded with a trigger "
         "at idle and at about 1500 rpm and ranked from both recordings together (`idle` and "
         "`held`: from one of them, both channels; with cranking: a third one, of the starter's "
         "current while it turns the engine for 6 s), "
         if joined else
         f"{len(good)} simulated recordings with a trigger, {len(sound)} of them sound, idle or "
         "about 1500 rpm, ") +
        "10 to 30 dB; engines and spreads drawn wider than the reference's, other seeds. "
        "Faults of actionable size (`acted_on` in "
        "reference_cases.toml) in one cylinder or a pair of neighbours. "
        "Where probabilities are held against outcomes the recordings are weighted so that 7 in "
        "10 are "
        "sound, which is what the ranking believes beforehand.", "",
    ]  # fmt: skip

    lines += summary(good, ways)
    if joined:
        lines += calibration(good, ways)
    bins, error, brier = reliability(good)
    lines += ["", f"Leading cause in its cylinder (both channels): expected calibration error "
              f"{error:.3f} (asked: at most 0.05), Brier score {brier:.3f}.", "",
              "| said | right | recordings |", "|---|---|---|"]  # fmt: skip
    lines += [f"| {s:.2f} | {r:.2f} | {n} |" for s, r, n in bins]
    each_way = [("both", "both channels"), (SOUND, "both channels, held against when it was sound")]
    if joined:
        each_way += [
            (CRANKED, "both channels and cranking"),
            (CRANKED_SOUND, "the same, held against when it was sound"),
        ]
    for way, said in each_way:
        lines += by_kind(faulty, way, said, limit=limit_of(sound, way))
    failed = len(list(rows)) - len(good) if isinstance(rows, list) else 0
    lines += ["", "Families: " + "; ".join(
        f"{name} ({', '.join(m.replace('_', ' ') for m in modes)})"
        for name, modes in FAMILIES.items()) + "."]  # fmt: skip
    lines += ["", f"Runs that failed: {failed}.", ""]
    return "\n".join(lines)


def summary(good: Sequence[Row], ways: Sequence[str]) -> list[str]:
    """A line for each thing that was asked for."""
    faulty = [r for r in good if r["kind"] is not None]
    sound = [r for r in good if r["kind"] is None]
    lines = ["| | asked | " + " | ".join(ways) + " |", "|---|---|" + "---|" * len(ways)]

    def detected(way: str) -> str:
        limit = limit_of(sound, way)
        return _share(faulty, way, lambda _, told: 1.0 - told["healthy"] > limit)

    named = [r for r in faulty if r["kind"] in NAMED]

    def detected_named(way: str) -> str:
        limit = limit_of(sound, way)
        return _share(named, way, lambda _, told: 1.0 - told["healthy"] > limit)

    for title, asked, found in (
        ("found at 1 % false alarms", "0.98", detected),
        ("the same, kinds asked for by name", "0.98", detected_named),
        ("right cylinder", "0.99", lambda w: _share(faulty, w, _right_cylinder)),
        ("the same, kinds asked for by name", "0.99", lambda w: _share(named, w, _right_cylinder)),
        ("right cause first", "0.90", lambda w: _share(faulty, w, _first)),
        ("the same, kinds asked for by name", "0.90", lambda w: _share(named, w, _first)),
        ("right cause among two", "0.97", lambda w: _share(faulty, w, _first_two)),
        ("the same, kinds asked for by name", "0.97", lambda w: _share(named, w, _first_two)),
        ("right family first", "", lambda w: _share(faulty, w, _first_family)),
        ("not judged", "", lambda w: str(sum("modes" not in r[w] for r in good))),
        ("sound, a cause above 1 in 2", "0.01",
         lambda w: _share(sound, w, lambda _, told: told["top"][2] > 0.5)),
    ):  # fmt: skip
        lines.append(f"| {title} | {asked} | " + " | ".join(found(w) for w in ways) + " |")
    return lines


def calibration(good: Sequence[Row], ways: Sequence[str]) -> list[str]:
    """Calibration error and Brier score of every way."""
    each = [reliability(good, way) for way in ways]
    return [
        "",
        "| leading cause in its cylinder | " + " | ".join(ways) + " |",
        "|---|" + "---|" * len(ways),
        "| expected calibration error | " + " | ".join(f"{e:.3f}" for _, e, _ in each) + " |",
        "| Brier score | " + " | ".join(f"{b:.3f}" for _, _, b in each) + " |",
    ]


def by_kind(faulty: Sequence[Row], way: str, said: str, *, limit: float) -> list[str]:
    """A table with a line for each kind of fault."""
    from ringland.reference.plan import load_settings

    lines = ["", f"By kind of fault, {said}:", "",
             "| fault put in | recordings | found at 1 % false alarms | right cylinder "
             "| cause first | among two | family |",
             "|---|---|---|---|---|---|---|"]  # fmt: skip

    def found_at_all(_: Row, told: Row) -> bool:
        return bool(1.0 - told["healthy"] > limit)

    for kind in load_settings().kinds:
        chosen = [r for r in faulty if r["kind"] == kind]
        if chosen:
            cells = (_share(chosen, way, f)
                     for f in (found_at_all, _right_cylinder, _first, _first_two,
                               _first_family))  # fmt: skip
            size = f" (asked for, from {NAMED[kind]})" if kind in NAMED else ""
            lines.append(
                f"| {kind.replace('_', ' ')}{size} | {len(chosen)} | " + " | ".join(cells) + " |"
            )
    return lines


def main(words: list[str]) -> int:
    """Run what is missing and write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--joined", action="store_true", help="idle and 1500 rpm together")
    parser.add_argument("--results", type=Path)
    parser.add_argument("--page", type=Path)
    given = parser.parse_args(words)
    name = "causes_joined" if given.joined else "causes"
    results = given.results or HERE / "out" / f"{name}.jsonl"
    page = given.page or HERE.parent / "docs" / "validation" / f"{name}.md"
    rows = resumed_rows(
        results,
        run_joined if given.joined else run_case,
        range(given.cases),
        seed=given.seed,
        workers=given.workers,
    )
    command = f"python validation/causes.py --cases {given.cases} --seed {given.seed}"
    if given.joined:
        command += " --joined"
    page.write_text(table(rows, command, JOINED_WAYS if given.joined else WAYS), "utf-8")
    print(page.read_text("utf-8"))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

"""Validation: are two recordings of one engine together believed too much?

    python validation/joined.py --cases 300 --workers 2

Every simulated engine (drawn as in causes.py, wider than the reference) is recorded twice at idle
and once at about 1500 rpm. Three pairs are ranked together: idle and 1500 rpm; idle twice; exhaust
alone of the one idle recording with the crankcase alone of the other. For each pair the causes are
ranked with several correlations in place of the ones in use, so that the page shows which is right:
too small a correlation is overconfident, too large a one wastes a recording. Results go line by
line to a file and a second run continues where the first stopped; the table is written to
docs/validation/joined.md with the command beside it.
"""

import argparse
import sys
import traceback
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from causes import about, drawn_case
from resumed import Row, resumed_rows

HERE = Path(__file__).parent
SEED = 77
PAIRS = {
    "idle and 1500 rpm": ("idle", "held"),
    "idle twice": ("idle", "again"),
    "exhaust alone and crankcase alone": ("exhaust", "crankcase"),
}
CORRELATIONS = (0.0, 0.1, 0.2, 0.4, 0.6, 0.8, 0.95)
SOUND_SHARE = 0.7
"""Share of sound engines that the ranking believes beforehand; recordings are weighted to it."""


def run_case(index: int, seed: int) -> Row:
    """One engine: for every pair [probability of the truth, of the leading cause, is it right]."""
    case, rng = drawn_case(index, seed)
    row = about(index, case)
    try:
        for pair, ranked in _pairs(case, rng, row).items():
            row[pair] = ranked
    except Exception:
        return row | {"error": traceback.format_exc()}
    return row


def _recordings(case: Any, rng: np.random.Generator) -> tuple[dict[str, Any], Any]:
    from ringland.model import ChannelRole
    from ringland.reference.cases import described_by_technician
    from ringland.simulator.hookup import record
    from ringland.simulator.hookup_random import random_hookup, random_recorder
    from ringland.simulator.run import simulate

    held_rpm = float(rng.uniform(1350.0, 1650.0))
    hookup = random_hookup(rng, case.engine.spec)
    recorder = replace(random_recorder(rng), snr_db=float(rng.uniform(10.0, 30.0)))
    told = described_by_technician(rng, case.engine.spec, hookup)
    made = {}
    for name, rpm in (("idle", None), ("again", None), ("held", held_rpm)):
        result = simulate(
            case.engine,
            condition="idle" if rpm is None else "held",
            seconds=10.0,
            held_rpm=rpm,
            faults=case.faults + case.background,
            seed=int(rng.integers(1 << 30)),
        )
        made[name] = record(result, hookup, recorder=recorder, seed=int(rng.integers(1 << 30)))
    exhausts = (ChannelRole.EXHAUST, ChannelRole.EXHAUST_2)

    def without(name: str, roles: Sequence[ChannelRole]) -> Any:
        channels = tuple(c for c in made[name].channels if c.role not in roles)
        return replace(made[name], channels=channels)

    made["exhaust"] = without("idle", (ChannelRole.CRANKCASE,))
    made["crankcase"] = without("again", exhausts)
    return made, told


def _pairs(case: Any, rng: np.random.Generator, row: Row) -> dict[str, Any]:
    from ringland.model import RecordedEvidence
    from ringland.pipeline import analyse, recorded_evidence
    from ringland.reference.plan import load_settings

    modes = [
        look.mode
        for look in load_settings().looks_like
        if row["kind"] in look.kinds and look.mode != "gasket_to_coolant"
    ]
    made, told = _recordings(case, rng)
    said = {name: recorded_evidence(analyse(recording, told)) for name, recording in made.items()}
    found = {}
    for pair, names in PAIRS.items():
        first, second = (said[name] for name in names)
        if isinstance(first, RecordedEvidence) and isinstance(second, RecordedEvidence):
            found[pair] = _ranked(told, first, second, row, modes)
    return found


def _ranked(engine: Any, first: Any, second: Any, row: Row, modes: Sequence[str]) -> dict[str, Any]:
    """By correlation, and of either recording alone."""
    from ringland.diagnosis.belief import believe
    from ringland.diagnosis.evidence import recorded_observations
    from ringland.diagnosis.hypotheses import hypotheses_for, neighbours_of
    from ringland.diagnosis.joined import joint_of
    from ringland.diagnosis.knowledge import load_knowledge

    knowledge = load_knowledge()
    h = hypotheses_for(
        knowledge, knowledge.prior, positions=engine.cylinders,
        neighbours=neighbours_of(engine, first.numbers), fuel=engine.fuel,
        aspiration=engine.aspiration,
    )  # fmt: skip
    seen = recorded_observations(knowledge, first.symptoms, None, engine.cylinders)
    joint = joint_of(knowledge, believe(knowledge, h, seen, first.cases), first, (second,))

    def is_true(fault: Any) -> bool:
        mode = None if fault.mode in h.unknown else knowledge.modes[fault.mode - 1].id
        places = {first.numbers[p - 1] for p in fault.positions}
        return mode in modes and bool(places & set(row["cylinder"] or ()))

    true = np.array([is_true(f) for f in h.faults])

    def scored(belief: Any) -> list[float]:
        from ringland.diagnosis.belief import shares

        share, present = shares(belief)
        listed = np.array([f.mode not in h.unknown for f in h.faults])
        best = int(np.argmax(np.where(listed, share, -1.0)))
        truth = belief.probability[0] if row["kind"] is None else min(present[true].sum(), 1.0)
        return [float(truth), float(share[best]), float(true[best])]

    by = {
        f"{rho}": scored(replace(joint, correlation=np.array([[1.0, rho], [rho, 1.0]])).together())
        for rho in CORRELATIONS
    }
    return {"first": scored(joint.together([0])), "second": scored(joint.together([1])), **by}


def _measured(rows: Sequence[Row], pair: str, way: str) -> str:
    """The cells of one line."""
    known = [r for r in rows if pair in r]
    sound = np.array([r["kind"] is None for r in known])
    truth, said, right = np.array([r[pair][way] for r in known]).T
    weight = np.where(
        sound, SOUND_SHARE / max(sound.sum(), 1), (1 - SOUND_SHARE) / max((~sound).sum(), 1)
    )
    weight = weight / weight.sum()
    log = np.log(np.maximum(truth, 1e-12))
    bins = np.minimum((said * 10).astype(int), 9)
    error = sum(abs(weight[bins == b] @ (said - right)[bins == b]) for b in range(10))
    cells = (
        weight @ log,
        log[~sound].mean() if (~sound).any() else np.nan,
        log[sound].mean() if sound.any() else np.nan,
        weight @ said, weight @ right, error, weight @ (said - right) ** 2,
    )  # fmt: skip
    return " | ".join(f"{c:.3f}" for c in cells)


def _in_use(pair: str) -> float:
    from ringland.diagnosis.joined import OTHER_CHANNEL, OTHER_WAY, SAME_WAY

    return dict(zip(PAIRS, (OTHER_WAY, SAME_WAY, OTHER_CHANNEL), strict=True))[pair]


def table(rows: Sequence[Row], command: str) -> str:
    """The page."""
    good = [r for r in rows if "error" not in r]
    sound = sum(r["kind"] is None for r in good)
    lines = [
        "# Two recordings of one engine", "", "Made by", "", f"    {command}", "",
        f"{len(good)} simulated engines, {sound} of them sound, weighted so that 7 in 10 are. "
        "`log` is the mean logarithm of the probability given to the truth (0 is perfect), for "
        "all, for faulty and for sound engines. A ranking is overconfident where it says more of "
        "its leading cause than it is right. The theory is in "
        "[diagnosis](../theory/diagnosis.md), section 9.", "",
    ]  # fmt: skip
    for pair in PAIRS:
        lines += [f"## {pair[:1].upper()}{pair[1:]}", "",
                  "| ranked from | log | log, faulty | log, sound | said | right "
                  "| calibration error | Brier |", "|---|---|---|---|---|---|---|---|"]  # fmt: skip
        for way in ("first", "second", *map(str, CORRELATIONS)):
            name = {"first": "the first alone", "second": "the second alone"}.get(
                way, f"both, correlation {way}" + " (in use)" * (way == str(_in_use(pair)))
            )
            lines.append(f"| {name} | {_measured(good, pair, way)} |")
        lines.append("")
    lines += [f"Runs that failed: {len(rows) - len(good)}.", ""]
    return "\n".join(lines)


def main(words: list[str]) -> int:
    """Run what is missing and write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=300)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--results", type=Path, default=HERE / "out" / "joined.jsonl")
    parser.add_argument(
        "--page", type=Path, default=HERE.parent / "docs" / "validation" / "joined.md"
    )
    given = parser.parse_args(words)
    rows = resumed_rows(
        given.results, run_case, range(given.cases), seed=given.seed, workers=given.workers
    )
    command = f"python validation/joined.py --cases {given.cases} --seed {given.seed}"
    given.page.write_text(table(rows, command), "utf-8")
    print(given.page.read_text("utf-8"))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

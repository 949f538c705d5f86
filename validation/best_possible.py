"""Validation: how often could the cylinder be named by anyone who knew everything else?

    python validation/best_possible.py --draws causes --cases 120 --seed 515151
    python validation/best_possible.py --draws leaks --cases 80 --seed 303041

For each case (of `causes.py`, or the leaks of `misfire_and_leaks.py`) the engine, its exhaust, its
sensors, the recorder, the crank angle, the kind and the size of the fault are taken as known
exactly. What is left is what nobody can know: how the sound cylinders of this one engine differ,
which cycles it ran, and the noise. Sound runs with other differences give mean and covariance of
the averaged cycle, runs with the fault in each cylinder give what it would do there, and the
likelihood ratio of two normal distributions decides: where these are known no other rule finds more
faults at as many false alarms (Neyman & Pearson, Phil. Trans. R. Soc. A 231 (1933) 289). What a
tool reaches that knows less is to be held against this. Misfire is left out: it is in single
cycles, not in the averaged one.
"""

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from cases import draw_case, hook_up, run_engine, usual_engine
from causes import drawn_case, drawn_hook_up
from resumed import Row, resumed_rows
from sklearn.covariance import ledoit_wolf

from ringland.cylinders.misfire import wilson_interval
from ringland.model import ChannelRole
from ringland.model._arrays import FloatArray
from ringland.reference.cases import neighbours_in_bank
from ringland.simulator.faults import Fault
from ringland.simulator.hookup import HookUp, record
from ringland.simulator.parameters import SimulatedEngine, with_healthy_spread
from ringland.simulator.recorder import Recorder
from ringland.simulator.result import SimulationResult
from ringland.simulator.run import simulate

HERE = Path(__file__).parent
SOUND_RUNS = 36
FAULTY_RUNS = 4
BINS = 72
FALSE_ALARMS = 0.08
"""Of sound engines: about what the limits of alert let pass."""

_HEARD = (ChannelRole.EXHAUST, ChannelRole.EXHAUST_2, ChannelRole.CRANKCASE)


@dataclass(frozen=True, eq=False)
class Setting:
    """What is known of a case: engine with all cylinders alike, how much they may differ, a run of
    it with the fault in given cylinders (none: sound), hook-up and recorder, where the fault is."""

    usual: SimulatedEngine
    scale: float
    run: Callable[[SimulatedEngine, tuple[int, ...], int], SimulationResult]
    hookup: HookUp
    recorder: Recorder
    faulty: tuple[int, ...]
    about: Row


def _leak(index: int, seed: int) -> Setting | None:
    case = draw_case(index, seed)
    if "leak" not in case.kind or case.cylinder is None:
        return None
    usual, _ = usual_engine(case)

    def run(engine: SimulatedEngine, where: tuple[int, ...], own: int) -> SimulationResult:
        return run_engine(case, engine, where[0] if where else None, own)

    hookup, recorder = hook_up(case, usual.spec)
    about = {
        "layout": case.layout_id,
        "kind": case.kind,
        "idle": case.condition == "idle",
        "severity": case.severity,
    }
    return Setting(usual, 1.0, run, hookup, recorder, (case.cylinder,), about)


def _cause(index: int, seed: int) -> Setting | None:
    case, rng = drawn_case(index, seed)
    if not case.faults or case.faults[0].kind == "misfire":
        return None
    fault = case.faults[0]
    rng.integers(1 << 30)
    hookup, recorder = drawn_hook_up(case, rng)

    def run(engine: SimulatedEngine, where: tuple[int, ...], own: int) -> SimulationResult:
        put_in = (Fault(fault.kind, where, fault.severity),) if where else ()
        return simulate(
            engine,
            condition="idle" if case.held_rpm is None else "held",
            seconds=10.0,
            held_rpm=case.held_rpm,
            faults=put_in + case.background,
            seed=own,
        )

    about = {
        "layout": f"{case.engine.spec.cylinders} cylinders",
        "kind": fault.kind,
        "idle": case.held_rpm is None,
        "severity": fault.severity,
    }
    return Setting(case.usual, case.difference_scale, run, hookup, recorder, fault.cylinders, about)


def _averaged(setting: Setting, result: SimulationResult, seed: int) -> FloatArray:
    """The averaged cycle of all pressure channels, (channels * BINS,), by the true crank angle."""
    recording = record(result, setting.hookup, recorder=setting.recorder, seed=seed)
    cycle = result.engine.cycle_deg
    rows = []
    for role in _HEARD:
        channel = recording.channel(role)
        if channel is None:
            continue
        at_s = channel.start_s + np.arange(len(channel.samples)) / channel.rate_hz
        angle = np.interp(at_s, result.time_s, result.crank_angle_deg) % cycle
        place = np.minimum((angle / cycle * BINS).astype(int), BINS - 1)
        summed = np.bincount(place, weights=channel.samples, minlength=BINS)
        mean = summed / np.maximum(np.bincount(place, minlength=BINS), 1)
        rows.append(mean - mean.mean())
    return np.concatenate(rows)


def _seen_from(wave: FloatArray, angle_deg: float, cycle_deg: float) -> FloatArray:
    """The cycle of every channel begun at this angle."""
    turned = np.roll(wave.reshape(-1, BINS), -round(angle_deg / cycle_deg * BINS), axis=1)
    return turned.reshape(-1)


def _scores(
    waves: FloatArray,
    sound: FloatArray,
    effects: Sequence[tuple[float, FloatArray]],
    setting: Setting,
) -> FloatArray:
    """(waves, places) log likelihood ratio of the fault in each place to none. `effects`: what the
    fault does to the averaged cycle, with the firing angle of the place."""
    spec = setting.usual.spec
    mean = sound.mean(axis=0)
    pooled = np.stack(
        [_seen_from(w - mean, a, spec.cycle_deg) for w in sound for a in spec.firing_angles_deg]
    )
    size = pooled.std(axis=0) + 1e-12
    covariance = ledoit_wolf(pooled / size, assume_centered=True)[0]
    out = np.empty((len(waves), len(effects)))
    for p, (angle, effect) in enumerate(effects):
        expected = _seen_from(effect, angle, spec.cycle_deg) / size
        weights = np.linalg.solve(covariance, expected)
        for n, wave in enumerate(waves):
            seen = _seen_from(wave - mean, angle, spec.cycle_deg) / size
            out[n, p] = (seen - expected / 2.0) @ weights
    return out


def known_best(setting: Setting, rng: np.random.Generator) -> Row:
    """In how many of FAULTY_RUNS the likelihood ratio leads in the right place, and leads there
    beyond what sound engines reach in FALSE_ALARMS of their runs."""
    spec = setting.usual.spec
    total = SOUND_RUNS + FAULTY_RUNS
    differences, runs = rng.integers(1 << 30, size=(2, total)).tolist()

    def wave(n: int, where: tuple[int, ...]) -> FloatArray:
        engine = with_healthy_spread(setting.usual, seed=differences[n], scale=setting.scale)
        return _averaged(setting, setting.run(engine, where, runs[n]), runs[n] % 100_000)

    sound = np.stack([wave(n, ()) for n in range(SOUND_RUNS)])
    places: Sequence[tuple[int, ...]] = [(c,) for c in spec.firing_order]
    if len(setting.faulty) == 2:
        places = neighbours_in_bank(spec)
    # the same differences, cycles and noise with and without the fault: what is left is the fault
    angle = dict(zip(spec.firing_order, spec.firing_angles_deg, strict=True))
    effects = [(angle[p[0]], wave(0, p) - sound[0]) for p in places]
    half = SOUND_RUNS // 2
    one, other = sound[:half], sound[half:]
    alone = [_scores(other, one, effects, setting), _scores(one, other, effects, setting)]
    limit = float(np.quantile(np.concatenate(alone).max(axis=1), 1.0 - FALSE_ALARMS))
    faulty = np.stack([wave(n, setting.faulty) for n in range(SOUND_RUNS, total)])
    found = _scores(faulty, sound, effects, setting)
    right = np.array([places[p] == setting.faulty for p in found.argmax(axis=1)])
    return {
        "right": int(right.sum()),
        "named": int((right & (found.max(axis=1) > limit)).sum()),
    }


def run_case(settings: Callable[[int, int], Setting | None], index: int, seed: int) -> Row:
    """What could be known of a case."""
    setting = settings(index, seed)
    if setting is None:
        return {"index": index}
    found = known_best(setting, np.random.default_rng([seed, index, 77]))
    return {"index": index, **setting.about, **found}


def _share(rows: Sequence[Row], what: str) -> str:
    runs = FAULTY_RUNS * len(rows)
    hits = sum(r[what] for r in rows)
    low, high = wilson_interval(hits, runs)
    return f"{hits} of {runs} ({hits / runs:.2f}; {low:.2f} to {high:.2f})"


def table(rows: Sequence[Row], command: str) -> str:
    """The result as part of a page."""
    lines = [
        f"`{command}`",
        "",
        "| fault put in | engines | right cylinder leads | and beyond what 8 in 100 sound reach |",
        "|---|---|---|---|",
    ]
    groups: dict[str, list[Any]] = {"all": list(rows)}
    for row in rows:
        groups.setdefault(row["kind"].replace("_", " "), []).append(row)
    lines += [
        f"| {name} | {len(own)} | {_share(own, 'right')} | {_share(own, 'named')} |"
        for name, own in groups.items()
    ]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Run, or go on, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--draws", choices=("causes", "leaks"), default="causes")
    parser.add_argument("--cases", type=int, default=120)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--seed", type=int, default=515_151)
    parser.add_argument("--results", type=Path, default=None)
    given = parser.parse_args()
    results = given.results or HERE.parent / "out" / f"best_possible_{given.draws}.jsonl"
    run = partial(run_case, _cause if given.draws == "causes" else _leak)
    rows = resumed_rows(results, run, range(given.cases), seed=given.seed, workers=given.workers)
    command = (
        f"python validation/best_possible.py --draws {given.draws} --cases {given.cases} "
        f"--seed {given.seed}"
    )
    print(table([r for r in rows if "kind" in r], command))


if __name__ == "__main__":
    np.seterr(all="ignore")
    main()

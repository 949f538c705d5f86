"""Is the hook-up fault named right, and are good hook-ups left alone.

    python validation/hook_up.py --per-kind 100 --good 300 --seed 1

Every session is a simulated engine at idle (3 to 8 cylinders, petrol or diesel, one outlet or two,
random paths, tubes, sensors, recorder, with a trigger) with one hook-up fault, or none. The trigger
is put on the wrong cylinder only where that leaves a trace (docs/theory/hook_up.md). Prints
how often each kind was named among what was found, how often it was the only one, and what good
sessions were told. "Refused" is a good session said not to be fit to judge.
"""

import argparse
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache

import numpy as np

from ringland.cylinders.misfire import wilson_interval
from ringland.engines import layout
from ringland.live.hookup import HookUpKind
from ringland.live.verdict import judge
from ringland.model import ChannelRole, Condition, EngineSpec, Fuel, Recording
from ringland.simulator.hookup import FaultKind, HookUp, HookUpFault, described, record
from ringland.simulator.hookup_random import random_hookup, random_recorder
from ringland.simulator.hookup_wired import TriggerFault
from ringland.simulator.parameters import simulated_engine, with_healthy_spread
from ringland.simulator.recorder import Recorder
from ringland.simulator.result import SimulationResult
from ringland.simulator.run import simulate

K = HookUpKind
LAYOUTS = ("I3-132", "I4-1342", "I5-12453", "I6-153624", "V6-60-123456", "V8-90-18436572")
DUAL = ("F4-1324-dual", "F6-162435-dual", "V8-90-18436572-dual")
Change = Callable[[Recording], Recording]


def fault_of(
    kind: K, rng: np.random.Generator, hookup: HookUp, recorder: Recorder, evenly_split: bool
) -> tuple[HookUp, Recorder, Change | None]:
    """The hook-up, the recorder and the recording with this fault.

    `evenly_split`: two outlets take turns, so that a trigger two positions late leaves no trace.
    """
    pressure = ChannelRole.EXHAUST if rng.random() < 0.6 else ChannelRole.CRANKCASE
    faults: tuple[HookUpFault, ...] = ()
    change: Change | None = None
    trigger = hookup.trigger
    assert trigger is not None
    if kind is K.SWAPPED:
        faults = (HookUpFault(FaultKind.SWAPPED_CHANNELS),)
    elif kind is K.SILENT:
        faults = (HookUpFault(FaultKind.UNPLUGGED, role=pressure),)
    elif kind is K.CLIPPED:
        recorder = replace(recorder, headroom=float(rng.uniform(0.3, 0.7)), offset_fraction=0.0)
        change = None
    elif kind is K.HOSE:  # damp or blocked, by halves: they look alike and ask for the same
        corner = float(rng.uniform(15.0, 30.0) if rng.random() < 0.5 else rng.uniform(2.0, 6.0))
        faults = (HookUpFault(FaultKind.HOSE_BLOCKED, corner, ChannelRole.EXHAUST),)
    elif kind is K.LOOSE_CLAMP:
        which = TriggerFault.MISSING if rng.random() < 0.5 else TriggerFault.BOUNCING
        faults = (HookUpFault(which, float(rng.uniform(0.1, 0.4))),)
    elif kind is K.WRONG_CYLINDER:
        late = 1.0 if evenly_split else float(rng.integers(1, 3))
        faults = (HookUpFault(TriggerFault.WRONG_CYLINDER, late),)
    elif kind is K.WASTED_SPARK:
        trigger = replace(trigger, pulses_per_cycle=2)
    elif kind is K.WRONG_RATE:
        factor = float(rng.choice([0.5, 2.0, 2.5, 0.4]))
        change = lambda r: rated(r, factor)  # noqa: E731
    elif kind is K.WRONG_OUTLET:
        faults = (HookUpFault(FaultKind.WRONG_OUTLET),)
    elif kind is K.HUM:
        recorder = replace(recorder, hum_fraction=float(rng.uniform(0.5, 1.5)))
    elif kind is K.JITTER:
        trigger = replace(trigger, jitter_deg=float(rng.uniform(6.0, 12.0)))
    elif kind is K.DROP_OUTS:
        at = np.sort(rng.uniform(0.5, 8.0, int(rng.integers(3, 8))))
        spans = tuple((float(t), float(rng.uniform(0.02, 0.1))) for t in at)
        recorder = replace(recorder, drop_outs_s=spans)
    hookup = replace(hookup, faults=faults, trigger=trigger)
    return hookup, recorder, change


def rated(recording: Recording, factor: float) -> Recording:
    """The same samples with a rate that was stated wrong."""
    channels = tuple(replace(c, rate_hz=c.rate_hz * factor) for c in recording.channels)
    edges = tuple(
        replace(e, time_s=e.time_s / factor, start_s=e.start_s / factor, stop_s=e.stop_s / factor)
        for e in recording.edges
    )
    return replace(recording, channels=channels, edges=edges)


@lru_cache(maxsize=4)
def engine_run(seed: int, dual: bool, wander: bool) -> tuple[EngineSpec, SimulationResult]:
    """Ten seconds of one engine, shared by all faults of the hook-up."""
    rng = np.random.default_rng([seed, 77])
    spec = replace(
        layout(str(rng.choice(DUAL if dual else LAYOUTS))).engine,
        fuel=Fuel.DIESEL if rng.random() < 0.4 else Fuel.PETROL,
        idle_speed_rpm=float(rng.uniform(600.0, 900.0)),
    )
    result = simulate(
        with_healthy_spread(simulated_engine(spec), seed=seed),
        condition="run_up" if wander else "idle",
        held_rpm=(spec.idle_speed_rpm or 750.0) * float(rng.uniform(1.25, 1.6)),
        seconds=10.0,
        seed=seed,
    )
    return spec, result


def session(kind: K | None, seed: int) -> tuple[Recording, EngineSpec]:
    """One recording, and how the technician describes the engine."""
    dual = kind in (K.WRONG_OUTLET, K.WRONG_CYLINDER) or (
        kind is not K.SPEED_WANDERS and seed % 3 == 0
    )
    spec, result = engine_run(seed, dual, kind is K.SPEED_WANDERS)
    rng = np.random.default_rng([seed, 78, 0 if kind is None else 1 + list(K).index(kind)])
    hookup = random_hookup(rng, spec)
    right = described(spec, hookup)
    recorder = replace(random_recorder(rng), rate_hz=float(rng.choice([5_000.0, 10_000.0])))
    change: Change | None = None
    if kind is not None:
        hookup, recorder, change = fault_of(
            kind, rng, hookup, recorder, spec.cylinders == 6 and dual
        )
    made = record(result, hookup, recorder=recorder, seed=seed).with_condition(Condition.IDLE)
    while kind is K.CLIPPED and not touches(made):  # the range steps may have left it room
        recorder = replace(recorder, headroom=0.7 * recorder.headroom)
        made = record(result, hookup, recorder=recorder, seed=seed).with_condition(Condition.IDLE)
    if kind is K.TOO_SHORT:
        made = cut(made, float(rng.uniform(0.3, 1.0)))
    return (made if change is None else change(made)), right


def touches(recording: Recording) -> bool:
    """One sample in two hundred of a pressure channel stands at the end of the range."""
    return any(
        c.full_scale is not None
        and c.role in (ChannelRole.EXHAUST, ChannelRole.EXHAUST_2, ChannelRole.CRANKCASE)
        and float(np.mean((c.samples <= c.full_scale[0]) | (c.samples >= c.full_scale[1]))) > 0.005
        for c in recording.channels
    )


def cut(recording: Recording, seconds: float) -> Recording:
    """The first part."""
    channels = tuple(
        replace(c, samples=c.samples[: round(seconds * c.rate_hz)]) for c in recording.channels
    )
    edges = tuple(
        replace(
            e,
            time_s=e.time_s[e.time_s < seconds],
            level_after=e.level_after[e.time_s < seconds],
            stop_s=seconds,
        )
        for e in recording.edges
    )
    return replace(recording, channels=channels, edges=edges)


def main() -> None:
    """Count and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--per-kind", type=int, default=100)
    parser.add_argument("--good", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kinds", default="", help="only these, joined by commas")
    options = parser.parse_args()
    wanted = [k for k in K if not options.kinds or k.value in options.kinds.split(",")]
    named: Counter[K] = Counter()
    alone: Counter[K] = Counter()
    other = {kind: Counter[str]() for kind in wanted}
    told: Counter[str] = Counter()
    refused = 0
    for i in range(max(options.per_kind, options.good)):
        seed = 10_000 * options.seed + i
        if i < options.good:
            judged = judge(*session(None, seed))
            refused += not judged.fit
            told.update({f.kind.value for f in judged.findings} or {"nothing"})
        for kind in wanted if i < options.per_kind else ():
            kinds = {f.kind for f in judge(*session(kind, seed)).findings}
            named[kind] += kind in kinds
            alone[kind] += kinds == {kind}
            if kind not in kinds:
                other[kind][" + ".join(sorted(k.value for k in kinds)) or "nothing"] += 1
    print("| kind | sessions | named | named alone | told instead |\n|---|---|---|---|---|")
    for kind in wanted:
        rest = ", ".join(f"{n} x {w}" for w, n in other[kind].most_common(3))
        print(f"| {kind} | {options.per_kind} | {named[kind]} | {alone[kind]} | {rest} |")
    total = options.per_kind * len(wanted)
    if total:
        right = sum(named.values())
        print(f"| all | {total} | {right} ({_share(right, total)}) | | |")
    if options.good:
        share = _share(refused, options.good)
        print(f"\n{options.good} good sessions: {refused} refused ({share}); told: {dict(told)}")


def _share(count: int, total: int) -> str:
    """In per cent, with its 95 % interval."""
    low, high = wilson_interval(count, total)
    return f"{100.0 * count / total:.1f} %; {100.0 * low:.1f} to {100.0 * high:.1f}"


if __name__ == "__main__":
    main()

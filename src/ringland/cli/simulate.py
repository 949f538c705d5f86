"""`ringland simulate`: an engine with known faults, recorded as a technician would."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._given import engine_named
from ringland.cli._results import write_result

if TYPE_CHECKING:
    from ringland.model import EngineSpec
    from ringland.output import Object
    from ringland.simulator.hookup import HookUp, RecordingTruth

__all__ = ["simulate"]

NOTICE = "Simulated: no engine was recorded."
PATH_M = 3.0
"""Exhaust path from collector to sensor when the engine file does not say."""


def simulate(
    engine: Annotated[
        str, typer.Argument(metavar="ENGINE", help="A TOML file, or the id of a layout.")
    ],
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="The recording; the ending is its format.")
    ],
    fault: Annotated[
        list[str] | None,
        typer.Option(
            "--fault",
            metavar="KIND:CYLINDER:SIZE",
            help="Such as ring_leak:3:4mm2 or misfire:1:20%@2-6s; may be repeated.",
        ),
    ] = None,
    condition: Annotated[
        Literal["idle", "held", "cranking", "snap", "run_up", "coast_down"],
        typer.Option("--condition", help="How the engine is run."),
    ] = "idle",
    seconds: Annotated[float, typer.Option("--seconds", min=0.5, max=600.0)] = 10.0,
    rate: Annotated[
        float, typer.Option("--rate", metavar="HZ", help="Sample rate.", min=100.0)
    ] = 20_000.0,
    noise: Annotated[
        float, typer.Option("--noise", metavar="DB", help="Pulse signal above the noise.")
    ] = 25.0,
    seed: Annotated[int, typer.Option("--seed", help="Same seed, same recording.", min=0)] = 0,
    wheel: Annotated[
        Literal["60-2", "36-1", "36-2", "36-2-1", "24", "12"] | None,
        typer.Option("--wheel", help="Record this tooth wheel of the crank too."),
    ] = None,
) -> None:
    """Simulate a recording with known faults."""
    with told_to_the_user():
        from ringland.simulator.faults import parse_fault
        from ringland.simulator.hookup import record, truth
        from ringland.simulator.parameters import simulated_engine, with_healthy_spread
        from ringland.simulator.recorder import Recorder
        from ringland.simulator.run import simulate as run_engine
        from ringland.writers import write_recording

        spec = engine_named(engine)
        result = run_engine(
            with_healthy_spread(simulated_engine(spec), seed=seed),
            condition=condition,
            seconds=seconds,
            faults=tuple(parse_fault(text) for text in fault or []),
            seed=seed,
        )
        hookup = _hookup(spec, cranking=condition == "cranking", wheel=wheel)
        recorder = Recorder(rate_hz=rate, snr_db=noise)
        write_recording(record(result, hookup, recorder=recorder, seed=seed), out)
        truth_path = out.with_name(f"{out.stem}.truth.json")
        write_result(_truth(truth(result, hookup, seed=seed)), truth_path)
        typer.echo(f"{NOTICE} The recording is in {out}, what is true of it in {truth_path}.")


def _hookup(spec: "EngineSpec", *, cranking: bool, wheel: str | None) -> "HookUp":
    """Exhaust and crankcase, the trigger the engine file describes, a clamp when cranking, and the
    pick-up at a tooth wheel when asked for."""
    from ringland.simulator.hookup import HookUp, plain_path
    from ringland.simulator.hookup_wired import WHEELS, Trigger

    trigger = None
    if spec.trigger_cylinder is not None:
        advance_deg = spec.trigger_advance_deg
        trigger = Trigger(
            spec.trigger_cylinder,
            0.0 if advance_deg is None else advance_deg,
            spec.trigger_pulses_per_cycle or 1,
        )
    path = plain_path(spec.exhaust_path_m or PATH_M)
    return HookUp(
        paths=(path,),
        trigger=trigger,
        starter_clamp=cranking,
        wheel=None if wheel is None else WHEELS[wheel],
    )


def _truth(told: "RecordingTruth") -> "Object":
    """What the simulation put in, as JSON."""
    from ringland.output import number

    missed = told.cycles.misfired
    return {
        "notice": NOTICE,
        "engine": told.engine.name,
        "firing_order": list(told.engine.firing_order),
        "faults": [
            {
                "failure_mode": fault.failure_mode,
                "cylinders": list(fault.cylinders),
                "severity": fault.severity,
                "unit": fault.unit,
                "onset_s": number(fault.onset_s),
                "offset_s": number(fault.offset_s),
            }
            for fault in told.faults
        ],
        "cycles": int(missed.shape[0]),
        "missed_per_cylinder": [int(count) for count in missed.sum(axis=0)],
        "path_delay_s": {role.value: float(delay) for role, delay in told.path_delay_s.items()},
        "seed": told.seed,
    }

"""`ringland record` and `ringland recover`: guided recording, and what a broken-off one left."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._given import engine_named, parse_roles
from ringland.cli._store import StoreOption
from ringland.errors import UnusableRecording

__all__ = ["record", "recover"]

Conditions = Literal["idle", "held", "cranking", "snap"]


def record(
    instrument: Annotated[
        str, typer.Argument(metavar="INSTRUMENT", help="Its address, see: ringland instruments.")
    ],
    engine: Annotated[
        str,
        typer.Option(
            "--engine", metavar="ENGINE", help="The engine: a TOML file, or the id of a layout."
        ),
    ],
    condition: Annotated[
        Conditions, typer.Option("--condition", help="How the engine is run.")
    ] = "idle",
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="The recording; the ending is its format."),
    ] = None,
    channel: Annotated[
        list[str] | None,
        typer.Option(
            "--channel", metavar="ROLE=INPUT", help="What is on which input; may be repeated."
        ),
    ] = None,
    rate: Annotated[
        float | None,
        typer.Option(
            "--rate", metavar="HZ", help="Sample rate, if not the planned one.", min=100.0
        ),
    ] = None,
    precision: Annotated[
        float,
        typer.Option(
            "--precision",
            metavar="PERCENT",
            help="Enough when every cylinder is known to this.",
            min=0.5,
            max=50.0,
        ),
    ] = 5.0,
    shortest: Annotated[
        float, typer.Option("--shortest", metavar="S", help="Record at least so long.", min=0.5)
    ] = 10.0,
    longest: Annotated[
        float, typer.Option("--longest", metavar="S", help="Stop after so long.", min=1.0)
    ] = 60.0,
    speed: Annotated[
        float | None,
        typer.Option("--speed", metavar="RPM", help="Speed by tachometer; held speed to coach to."),
    ] = None,
    store: StoreOption = None,
    obd: Annotated[
        str | None,
        typer.Option(
            "--obd",
            metavar="ADDRESS",
            help="Read the speed from the vehicle too; see ringland obd.",
        ),
    ] = None,
) -> None:
    """Record, guided, until it is enough; then say whether it is fit to judge."""
    with told_to_the_user():
        from ringland.cli._record import RecordOptions, run_record, watch_folder
        from ringland.history.calibrations import calibrations_at
        from ringland.live.guided import Asked
        from ringland.live.kinds import watched_folder
        from ringland.model import Condition

        asked = Asked(
            address=instrument,
            engine=engine_named(engine),
            condition=Condition(condition),
            inputs=parse_roles(channel or []),
            rate_hz=rate,
            wanted=precision / 100.0,
            shortest_s=min(shortest, longest),
            longest_s=longest,
            speed_rpm=speed,
            obd=obd,
        )
        folder = watched_folder(instrument)
        if folder is not None:
            fit = watch_folder(asked, folder)
        else:
            fit = run_record(
                RecordOptions(asked, engine, out, lambda set_up: calibrations_at(store, set_up))
            )
    if not fit:
        raise typer.Exit(UnusableRecording.exit_status)


def recover(
    kept: Annotated[
        Path, typer.Argument(metavar="FILE", help="The .blocks file that a recording left.")
    ],
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Where to write it; the ending is its format."),
    ] = None,
) -> None:
    """Make a recording of what was saved before a recording broke off."""
    with told_to_the_user():
        from ringland.cli._record import new_file
        from ringland.live.finish import finish

        done = finish(kept, new_file(out or kept.with_suffix(".h5")))
        for text in done.said:
            typer.echo(text)
        typer.echo(f"{done.recording.duration_s:.2f} s are in {done.path}.")

"""`ringland obd`: what the vehicle's own controllers say. Reading only; nothing is cleared."""

from pathlib import Path
from typing import Annotated

import typer

from ringland.cli._errors import told_to_the_user

__all__ = ["obd"]


def obd(
    address: Annotated[
        str,
        typer.Argument(
            metavar="ADDRESS",
            help="The adapter: tcp:HOST:PORT, serial:/dev/ttyUSB0 or serial:COM5?baud=38400.",
        ),
    ],
    seconds: Annotated[
        float, typer.Option("--seconds", help="How long live values are read.", min=0.0, max=300.0)
    ] = 5.0,
    json_path: Annotated[
        Path | None,
        typer.Option("--json", metavar="PATH", help="Write what was read; - for the screen."),
    ] = None,
) -> None:
    """Read speed, load, temperature, fuel trims, misfire counters and codes from the vehicle."""
    with told_to_the_user(json_path):
        from ringland.cli._results import STANDARD_OUTPUT, write_result
        from ringland.cli._text import plain
        from ringland.instruments.obd.read import read_vehicle
        from ringland.instruments.obd.readings import as_json
        from ringland.instruments.obd.said import CAUTIONS, lines_of

        quiet = json_path == STANDARD_OUTPUT
        for text in CAUTIONS:
            typer.echo(text, err=quiet)
        read = read_vehicle(
            address, seconds=seconds, progress=lambda text: typer.echo(plain(text), err=True)
        )
        if json_path is not None:
            write_result(as_json(read), json_path)
        if quiet:
            return
        for line in lines_of(read):
            typer.echo(plain(line))
        if json_path is not None:
            typer.echo(plain(f"Kept in {json_path}. Next, for example:"))
            typer.echo(plain(f"  ringland answer trouble_codes --obd {json_path} --cylinder 1"))

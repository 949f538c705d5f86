"""`ringland reference`: simulate one engine, fit the reference to it, and say what can be told."""

from pathlib import Path
from typing import Annotated

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._given import engine_named

__all__ = ["reference_command"]


def reference_command(
    engine: Annotated[str, typer.Argument(help="The engine: a TOML file, or the id of a layout.")],
    rpm: Annotated[
        float | None,
        typer.Option("--rpm", metavar="RPM", help="Held at this speed (default: idling).", min=1.0),
    ] = None,
    cases: Annotated[
        int | None, typer.Option("--cases", help="Runs to simulate.", min=40, max=20_000)
    ] = None,
    workers: Annotated[
        int | None, typer.Option("--workers", help="Processes (default: one per core).", min=1)
    ] = None,
    folder: Annotated[
        Path | None,
        typer.Option("--folder", help="Where references are kept (default: the user's cache)."),
    ] = None,
) -> None:
    """Fit the reference to one engine by simulating it, and show what can be told apart on it."""
    with told_to_the_user(None):
        import os

        from rich.console import Console
        from rich.progress import Progress
        from rich.table import Table

        from ringland.reference.build import build_reference, reference_folder

        spec = engine_named(engine)
        console = Console(stderr=True)
        with Progress(console=console, transient=True) as bar:
            task = bar.add_task("Simulating", total=None)
            reference = build_reference(
                spec,
                folder or reference_folder(),
                held_rpm=rpm,
                cases=cases,
                workers=workers or os.cpu_count() or 1,
                progress=lambda done, total: bar.update(task, completed=done, total=total),
            )
        shown = Table(title=f"{spec.name}: what the pulses tell, on simulated recordings of it")
        for heading in ("fault put in", "recordings", "cylinder right", "fault right"):
            shown.add_column(heading)
        shown.add_column("else taken for")
        for row in reference.found:
            shown.add_row(
                row.kind.replace("_", " "),
                str(row.recordings),
                f"{row.position_right} of {row.recordings}",
                f"{row.kind_right} of {row.recordings}",
                "-" if row.taken_for is None else row.taken_for.replace("_", " "),
            )
        Console().print(shown)
        typer.echo(
            f"{reference.recordings} recordings. Fitting to this engine lowers the log loss from "
            f"{reference.loss_before_bits:.2f} to {reference.loss_after_bits:.2f} bits per "
            "recording on recordings left out. Kept; `ringland analyse` uses it for this engine."
        )

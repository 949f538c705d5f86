"""`ringland import` and `ringland reanalyse`: many recordings at once."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._store import StoreOption, counting, named_vehicle, opened
from ringland.cli._text import plain
from ringland.errors import BadInput, SettingError

if TYPE_CHECKING:
    from ringland.history.intake import Intake

__all__ = ["import_command", "reanalyse"]

WorkersOption = Annotated[
    int | None,
    typer.Option("--workers", min=1, max=512, help="Processes to use (default: one per core)."),
]
SchedulerOption = Annotated[
    str | None,
    typer.Option(
        "--scheduler", metavar="ADDRESS", help="A Dask scheduler to use instead of this machine."
    ),
]


def import_command(
    folder: Annotated[Path, typer.Argument(help="The folder, with all folders below it.")],
    engine: Annotated[
        str | None,
        typer.Option(
            "--engine",
            metavar="ENGINE",
            help="For recordings without an engine.toml above them: a TOML file or a layout's id.",
        ),
    ] = None,
    owner: Annotated[
        str | None, typer.Option("--owner", help="Owner of vehicles that are new.")
    ] = None,
    workers: WorkersOption = None,
    scheduler: SchedulerOption = None,
    store: StoreOption = None,
) -> None:
    """Keep and analyse every recording in a folder; may be stopped and started again."""
    with told_to_the_user():
        from ringland.history.intake import import_folder

        text = None if engine is None else _engine_text(engine)
        with opened(store) as kept, counting() as report:
            result = import_folder(
                kept, folder, engine=text, owner=owner, workers=workers, scheduler=scheduler,
                progress=report,
            )  # fmt: skip
        typer.echo(
            f"{result.found} recordings found: {result.new} new, {result.known} kept already."
        )
        _tell(result)


def reanalyse(
    everything: Annotated[
        bool, typer.Option("--all", help="Every recording of the store.")
    ] = False,
    vehicle: Annotated[
        str | None, typer.Option("--vehicle", help="Those of one vehicle, by name or id.")
    ] = None,
    again: Annotated[
        bool, typer.Option("--again", help="Also what this version has analysed already.")
    ] = False,
    workers: WorkersOption = None,
    scheduler: SchedulerOption = None,
    store: StoreOption = None,
) -> None:
    """Analyse kept recordings anew with this version of Ringland."""
    with told_to_the_user():
        from ringland.history import list_recordings, list_visits
        from ringland.history.intake import reanalyse as run

        if everything == (vehicle is not None):
            raise SettingError(
                "Say which recordings to analyse.",
                allowed="--all, or --vehicle NAME",
                remedy="For example: ringland reanalyse --all",
            )
        with opened(store) as kept, counting() as report:
            chosen = None
            if vehicle is not None:
                row = named_vehicle(kept, vehicle)
                visits = tuple(v.id for v in list_visits(kept, vehicle_id=row.id))
                chosen = tuple(r.id for r in list_recordings(kept, visit_id=visits))
            result = run(
                kept, recordings=chosen, again=again, workers=workers, scheduler=scheduler,
                progress=report,
            )  # fmt: skip
        typer.echo(f"{result.found} recordings.")
        _tell(result)


def _engine_text(engine: str) -> str:
    """The text of an engine file, or the id of a layout; checked either way."""
    from ringland.cli._given import engine_named

    engine_named(engine)
    path = Path(engine)
    return path.read_text(encoding="utf-8-sig") if path.exists() else engine


def _tell(result: "Intake") -> None:
    """What was done; a failure ends with the exit status of bad input."""
    typer.echo(f"{result.analysed} analysed, {result.unchanged} were analysed already.")
    if result.without_engine:
        typer.echo(
            f"{result.without_engine} kept without analysis: their engine is not described. Put an "
            "engine.toml beside them, or use --engine."
        )
    for name, wrong in result.failed[:20]:
        typer.echo(plain(f"  {name}: {wrong}"), err=True)
    if len(result.failed) > 20:
        typer.echo(f"  ... and {len(result.failed) - 20} more", err=True)
    if result.failed:
        typer.echo(f"{len(result.failed)} could not be used.", err=True)
        raise typer.Exit(BadInput.exit_status)

"""`ringland store`: looking after the workshop's memory."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._store import StoreOption, counting, opened, shown
from ringland.cli._text import plain
from ringland.errors import BadInput

__all__ = ["app"]

app = typer.Typer(help="Look after the store: backup, restore, verify, merge, export.",
                  no_args_is_help=True)  # fmt: skip


@app.command("info")
def info(store: StoreOption = None) -> None:
    """Where the store is and what is in it."""
    with told_to_the_user(), opened(store) as kept:
        from sqlalchemy import func, select

        from ringland.history.schema import TABLES

        shown(("place", kept.url), ("originals", kept.files.url))
        with kept.reading() as connection:
            for name, table in TABLES.items():
                count = connection.scalar(
                    select(func.count()).select_from(table).where(table.c.deleted_utc.is_(None))
                )
                shown((name.replace("_", " "), count))


@app.command("backup")
def backup(
    folder: Annotated[
        Path, typer.Argument(help="Where to; the same folder is brought up to date.")
    ],
    store: StoreOption = None,
) -> None:
    """Write a backup, or bring an older one up to date. It is itself a store."""
    with told_to_the_user(), opened(store) as kept, counting() as report:
        from ringland.history.safety import back_up
        from ringland.history.safety import log as write_down

        done = back_up(kept, folder, progress=report)
        write_down(kept, "backup", folder=str(folder), rows=done.rows)
        typer.echo(f"{done.rows} rows and {done.new_files} new files are in {done.folder}.")


@app.command("restore")
def restore(
    backup: Annotated[Path, typer.Argument(help="The folder of the backup.")],
    replace: Annotated[
        bool,
        typer.Option("--replace", help="Move the database that is there aside, and take this."),
    ] = False,
    store: StoreOption = None,
) -> None:
    """Make the store from a backup. A store that is there is never deleted."""
    with told_to_the_user():
        from ringland.history import default_folder
        from ringland.history.safety import restore_backup

        place = store or default_folder()
        done = restore_backup(backup, place, replace=replace)
        typer.echo(f"{done.added} rows and {done.files} files restored to {place}.")


@app.command("verify")
def verify(
    quick: Annotated[
        bool, typer.Option("--quick", help="Only whether each file is there, not its content.")
    ] = False,
    store: StoreOption = None,
) -> None:
    """Check every row and every file."""
    with told_to_the_user(), opened(store) as kept, counting() as report:
        from ringland.history.safety import verify as look

        found = look(kept, contents=not quick, progress=report)
        typer.echo(
            f"{found.rows} rows and {found.files} files looked at; "
            f"{found.unused_files} files belong to no row."
        )
        if found.problems:
            for problem in found.problems[:50]:
                typer.echo(plain(f"  {problem}"), err=True)
            raise BadInput(
                f"The store is not whole: {len(found.problems)} problems.",
                remedy="Restore from a backup, or merge one in (ringland store merge): it brings "
                "missing files back.",
            )
        typer.echo("Everything is as it was kept.")


@app.command("merge")
def merge(
    other: Annotated[str, typer.Argument(help="The other store: its folder or address.")],
    store: StoreOption = None,
) -> None:
    """Bring everything of another store into this one, without loss or duplicates."""
    with told_to_the_user(), opened(store) as kept, counting() as report:
        from ringland.history import open_store
        from ringland.history.join import alike
        from ringland.history.merge import merge as unite

        if "://" not in other and not Path(other).is_dir():
            raise BadInput("There is no such store.", got=other)
        with open_store(other) as source:
            done = unite(kept, source, progress=report)
        typer.echo(f"{done.added} rows added, {done.changed} changed, {done.files} files copied.")
        for one in done.conflicts[:50]:
            typer.echo(
                plain(
                    f"  Both sides changed {one.field} of {one.kind} {one.row_id}: kept "
                    f"{one.kept!r}, the other was {one.dropped!r} (both are in the log)."
                )
            )
        for sha256 in done.missing:
            typer.echo(f"  The other store does not have the file {sha256} whole.", err=True)
        for one_id, two_id, why in alike(kept)[:20]:
            typer.echo(
                plain(f"  May be one vehicle ({why}): ringland vehicle join {one_id} {two_id}")
            )


@app.command("export")
def export(
    folder: Annotated[Path, typer.Argument(help="Where the tables go.")],
    form: Annotated[
        Literal["csv", "parquet"], typer.Option("--form", help="Kind of file.")
    ] = "csv",
    store: StoreOption = None,
) -> None:
    """Write every table as a file for other programs."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history.tables import export_tables

        for path in export_tables(kept, folder, form=form):
            typer.echo(str(path))


@app.command("log")
def log(
    row: Annotated[str | None, typer.Option("--row", help="Only of the row with this id.")] = None,
    limit: Annotated[int, typer.Option("--limit", min=1, max=10_000, help="Most lines.")] = 50,
    store: StoreOption = None,
) -> None:
    """Who changed what, newest first."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history import changes_of

        for line in changes_of(kept, row, limit=limit):
            text = f"{line.utc} {line.who} {line.action} {line.kind} {line.row_id} {line.fields}"
            typer.echo(plain(f"{line.id}  {text[:400]}"))


@app.command("undo")
def undo(
    line: Annotated[str, typer.Argument(help="Id of the line in the log.")],
    store: StoreOption = None,
) -> None:
    """Take back one change or deletion, if nothing was changed there since."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history.join import undo as take_back

        row = take_back(kept, line)
        typer.echo(f"Taken back: {row.id} is now at version {row.version}.")

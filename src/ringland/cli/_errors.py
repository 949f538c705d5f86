"""From an error raised on purpose to words on standard error and an exit status."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import typer

from ringland.cli._text import plain
from ringland.errors import RinglandError

__all__ = ["FAULT", "INTERRUPTED", "SHOW_TRACEBACK", "told_to_the_user"]

FAULT = 1
INTERRUPTED = 130
SHOW_TRACEBACK = "RINGLAND_TRACEBACK"


@contextmanager
def told_to_the_user(json_path: Path | None = None) -> Iterator[None]:
    """Run a command's body: its errors become text on standard error, never a traceback.

    With `json_path` the error also goes there in the one JSON error shape, so that a program
    that asked for JSON never finds an older result in its place.
    """
    try:
        yield
    except RinglandError as error:
        typer.echo(plain(error.text(), keep_lines=True), err=True)
        if json_path is not None:
            _leave_error(error, json_path)
        raise typer.Exit(error.exit_status) from error
    except KeyboardInterrupt as error:
        typer.echo("Stopped. Nothing more was written.", err=True)
        raise typer.Exit(INTERRUPTED) from error
    except (BrokenPipeError, typer.Exit):
        raise
    except Exception as error:
        if os.environ.get(SHOW_TRACEBACK):
            raise
        typer.echo(plain(_fault_text(error), keep_lines=True), err=True)
        raise typer.Exit(FAULT) from error


def _fault_text(error: Exception) -> str:
    return (
        f"Ringland has a fault here, which is not your doing: {type(error).__name__}: {error}\n"
        f"  What to do: report it. Set {SHOW_TRACEBACK}=1 and run it again for the details."
    )


def _leave_error(error: RinglandError, json_path: Path) -> None:
    from ringland.cli._results import write_result
    from ringland.output import error_as_json

    try:
        write_result(error_as_json(error), json_path)
    except RinglandError as second:
        typer.echo(plain(second.text(), keep_lines=True), err=True)

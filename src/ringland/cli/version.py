"""`ringland version`."""

import typer

from ringland import __version__

__all__ = ["version"]


def version() -> None:
    """Print the version."""
    typer.echo(f"ringland {__version__}")

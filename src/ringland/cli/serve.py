"""`ringland serve`: the local web app, on this computer only unless sharing is asked for."""

from pathlib import Path
from typing import Annotated

import typer

from ringland.cli._errors import told_to_the_user

__all__ = ["serve_command"]


def serve_command(
    port: Annotated[
        int | None,
        typer.Option(
            "--port", help="Which port; the first free one from 8765 on if left out.",
            min=1024, max=65535,
        ),
    ] = None,
    data: Annotated[
        Path | None,
        typer.Option("--data", help="Folder of the store; RINGLAND_DATA or your own if left out."),
    ] = None,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open the browser.")
    ] = True,
    lan: Annotated[
        bool,
        typer.Option(
            "--lan", help="Share with other devices in the workshop network, by pairing code.",
        ),
    ] = False,
    address: Annotated[
        str | None,
        typer.Option(
            "--address", help="With --lan: which of this computer's addresses; found if left out.",
        ),
    ] = None,
) -> None:  # fmt: skip
    """Open the app in the browser; only this computer reaches it, unless --lan is given."""
    with told_to_the_user():
        from ringland.web.serve import serve

        serve(port=port, data=data, browser=browser, lan=lan, address=address, say=typer.echo)

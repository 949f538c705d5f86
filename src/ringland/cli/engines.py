"""`ringland engines`: the layouts that need no description of their own."""

from typing import Annotated

import typer

from ringland.cli._errors import told_to_the_user

__all__ = ["app"]

app = typer.Typer(
    help="List the known engine layouts, or show one.",
    invoke_without_command=True,
    rich_markup_mode=None,
)


@app.callback()
def _default(context: typer.Context) -> None:
    """List the known engine layouts, or show one."""
    if context.invoked_subcommand is None:
        list_layouts()


@app.command("list")
def list_layouts() -> None:
    """List the layouts: id, cylinders, firing order."""
    with told_to_the_user():
        from ringland.cli._layouts import layout_lines
        from ringland.engines import layouts

        typer.echo("\n".join(layout_lines(layouts())))


@app.command("show")
def show(name: Annotated[str, typer.Argument(metavar="ID", help="The id of a layout.")]) -> None:
    """Print one layout as an engine file."""
    with told_to_the_user():
        from ringland.cli._layouts import layout_as_toml
        from ringland.engines import layout

        typer.echo(layout_as_toml(layout(name)), nl=False)

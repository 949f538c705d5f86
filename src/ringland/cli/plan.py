"""`ringland plan`: which sensors where, how fast and how long, and the checklists."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._given import engine_named

__all__ = ["plan"]


def plan(
    engine: Annotated[
        str, typer.Argument(metavar="ENGINE", help="A TOML file, or the id of a layout.")
    ],
    condition: Annotated[
        Literal["idle", "held", "cranking", "snap"],
        typer.Option("--condition", help="How the engine will be run."),
    ] = "idle",
    precision: Annotated[
        float,
        typer.Option(
            "--precision", metavar="PERCENT", help="Half of the interval wanted for one cylinder."
        ),
    ] = 5.0,
    speed: Annotated[
        float | None, typer.Option("--speed", metavar="RPM", help="The speed, if not the usual.")
    ] = None,
    json_path: Annotated[
        Path | None,
        typer.Option("--json", metavar="PATH", help="Write the plan as JSON; - for the screen."),
    ] = None,
    card: Annotated[
        Path | None, typer.Option("--card", metavar="PATH", help="Write a card to print, as HTML.")
    ] = None,
) -> None:
    """Plan the hook-up: sensors, rate, duration, checklists with cautions."""
    with told_to_the_user(json_path):
        from ringland.cli._plan import print_plan, write_card
        from ringland.cli._results import STANDARD_OUTPUT, write_result
        from ringland.instruments.plan import make_plan
        from ringland.instruments.plan.as_json import plan_as_json
        from ringland.model import Condition

        made = make_plan(
            engine_named(engine),
            Condition(condition),
            speed_rpm=speed,
            half_width=precision / 100.0,
        )
        if json_path is not None:
            write_result(plan_as_json(made), json_path)
        if card is not None:
            write_card(made, card)
        if json_path != STANDARD_OUTPUT:
            print_plan(made)
            if card is not None:
                typer.echo(f"\nThe card is in {card}.")

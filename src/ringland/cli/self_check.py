"""`ringland self-check`: an instrument's noise, skew, polarity, answer to a step; kept by date."""

from typing import Annotated, Literal

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._given import parse_roles
from ringland.cli._store import StoreOption, opened

__all__ = ["self_check"]


def self_check(
    instrument: Annotated[
        str, typer.Argument(metavar="INSTRUMENT", help="Its address, see: ringland instruments.")
    ],
    what: Annotated[
        Literal["noise", "skew", "polarity", "step"], typer.Argument(help="What is measured.")
    ],
    channel: Annotated[
        list[str] | None,
        typer.Option(
            "--channel", metavar="ROLE=INPUT", help="What is on which input; may be repeated."
        ),
    ] = None,
    rate: Annotated[
        float,
        typer.Option(
            "--rate", metavar="HZ", help="Sample rate; skew counts only at its own.", min=100.0
        ),
    ] = 20_000.0,
    seconds: Annotated[float, typer.Option("--seconds", help="How long.", min=0.5, max=60.0)] = 8.0,
    pressure: Annotated[
        str | None,
        typer.Option(
            "--pressure", metavar="PRESSURE", help="Height of the step, for example '2 kPa'."
        ),
    ] = None,
    store: StoreOption = None,
) -> None:
    """Measure an instrument's own faults and keep them, with the date."""
    with told_to_the_user():
        from ringland.cli._text import plain
        from ringland.errors import SettingError
        from ringland.history.calibrations import keep_calibrations
        from ringland.instruments.calibration import CalibrationKind, said_value
        from ringland.instruments.labelled import named
        from ringland.instruments.protocol import Wanted
        from ringland.live.bench import open_on_bench
        from ringland.live.guided import wanted_inputs
        from ringland.live.plainly import record_plainly
        from ringland.live.selfcheck import CAUTIONS, HOW, measure
        from ringland.units import parse_quantity

        kind = CalibrationKind(what)
        known_pa = None
        if pressure is not None:
            if kind is not CalibrationKind.STEP:
                raise SettingError(
                    "A pressure is given only with a step.",
                    got=f"--pressure with {what}",
                    remedy="Leave it out, or measure: step",
                )
            known_pa = parse_quantity(pressure, "pressure")[0]
            if not known_pa:
                raise SettingError("The step has no height.", got=pressure, allowed="not zero")
        for text in CAUTIONS[kind]:
            typer.echo(f"Caution: {text}")
        typer.echo(HOW[kind])
        with opened(store) as kept_in:
            on_bench = open_on_bench(instrument, kind, seconds)
            inputs = wanted_inputs(parse_roles(channel or []), on_bench, instrument)
            recording, set_up = record_plainly(on_bench, Wanted(rate, inputs), seconds)
            found = measure(kind, recording, set_up, known_pa=known_pa)
            keep_calibrations(kept_in, found)
            place = kept_in.url
        for one in found:
            typer.echo(plain(f"  {one.input}: {said_value(one)}"))
        typer.echo(plain(f"Kept for {named(set_up.title, set_up.which)} in {place}."))

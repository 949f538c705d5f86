"""`ringland instruments`: what can be recorded from, and why something cannot."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._store import StoreOption

if TYPE_CHECKING:
    from ringland.instruments.calibration import Calibration

__all__ = ["instruments"]


def instruments(
    show: Annotated[
        str | None,
        typer.Argument(
            metavar="[ADDRESS]",
            help="Show the inputs and rates of one instrument.",
            show_default=False,
        ),
    ] = None,
    json_path: Annotated[
        Path | None,
        typer.Option("--json", metavar="PATH", help="Write the list as JSON; - for the screen."),
    ] = None,
    store: StoreOption = None,
) -> None:
    """List the instruments that are there, why something is not, and what was measured of them."""
    with told_to_the_user(json_path):
        from ringland.cli._results import STANDARD_OUTPUT, write_result
        from ringland.cli._text import plain
        from ringland.history.calibrations import newest_at
        from ringland.instruments.calibration import age_days, as_plain
        from ringland.instruments.registry import find_instruments
        from ringland.live.kinds import all_kinds

        if show is not None:
            _show(show, store)
            return
        measured = newest_at(store)
        found = find_instruments(all_kinds())
        if json_path is not None:
            write_result(
                {
                    "schema": "ringland.instruments/1",
                    "kinds": [
                        {
                            "kind": kind.name,
                            "title": kind.title,
                            "example": kind.example,
                            "found": [
                                {"address": f.address, "says": f.says, "usable": f.usable}
                                for f in rows
                            ],
                        }
                        for kind, rows in found
                    ],
                    "calibrations": [
                        {**as_plain(one), "age_days": round(age_days(one), 2)} for one in measured
                    ],
                },
                json_path,
            )
        if json_path == STANDARD_OUTPUT:
            return
        for kind, rows in found:
            typer.echo(f"{kind.title} (for example {kind.example})")
            for row in rows:
                mark = " " if row.usable else "not usable: "
                typer.echo(
                    plain(f"  {row.address}  {mark.strip()} {row.says}".replace("   ", "  "))
                )
        _say_measured(measured)


def _say_measured(measured: "tuple[Calibration, ...]") -> None:
    """What is known of instruments, each under its name."""
    from ringland.cli._text import plain
    from ringland.instruments.calibration import said_age, said_value
    from ringland.instruments.labelled import named

    if not measured:
        typer.echo("Nothing was measured of an instrument yet: ringland self-check ADDRESS noise")
        return
    for name, which in dict.fromkeys((one.instrument, one.which) for one in measured):
        typer.echo(plain(f"Measured of {named(name, which)}"))
        for one in (m for m in measured if (m.instrument, m.which) == (name, which)):
            typer.echo(plain(f"  {one.input}: {said_value(one)} ({said_age(one)})"))


def _show(address: str, store: str | None) -> None:
    """Inputs and rates of one instrument, and what was measured of it."""
    from ringland.cli._text import plain
    from ringland.history.calibrations import newest_at
    from ringland.instruments.labelled import named
    from ringland.instruments.registry import open_instrument
    from ringland.live.kinds import all_kinds

    instrument = open_instrument(address, all_kinds())
    try:
        info = instrument.describe()
    finally:
        instrument.stop()
    typer.echo(plain(f"{info.id}: {named(info.title, info.which)}"))
    if info.rates_hz:
        typer.echo(f"  {info.rates_hz[0]:g} to {info.rates_hz[1]:g} samples per second")
    for number, entry in enumerate(info.inputs, start=1):
        note = f", {entry.note}" if entry.note else ""
        typer.echo(plain(f"  {number}  {entry.name} ({entry.unit}{note})"))
    for note in info.notes:
        typer.echo(plain(f"  {note}"))
    _say_measured(tuple(one for one in newest_at(store) if one.instrument == info.title))

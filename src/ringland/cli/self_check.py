"""`ringland self-check`: an instrument's noise, skew between inputs, and polarity, kept by date."""

from typing import Annotated, Literal

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._given import parse_roles

__all__ = ["self_check"]

HOW = {
    "noise": "Inputs short-circuited, or sensors on with caps on their hoses; engine off.",
    "skew": "One lively signal on all inputs at once.",
    "polarity": "Engine off. Two seconds of quiet, then one puff into each hose.",
}


def self_check(
    instrument: Annotated[
        str, typer.Argument(metavar="INSTRUMENT", help="Its address, see: ringland instruments.")
    ],
    what: Annotated[Literal["noise", "skew", "polarity"], typer.Argument(help="What is measured.")],
    channel: Annotated[
        list[str] | None,
        typer.Option(
            "--channel", metavar="ROLE=INPUT", help="What is on which input; may be repeated."
        ),
    ] = None,
    rate: Annotated[
        float, typer.Option("--rate", metavar="HZ", help="Sample rate.", min=100.0)
    ] = 20_000.0,
    seconds: Annotated[float, typer.Option("--seconds", help="How long.", min=0.5, max=60.0)] = 8.0,
) -> None:
    """Measure an instrument's own faults and keep them, with the date."""
    with told_to_the_user():
        from ringland.cli._record import record_plainly
        from ringland.live import selfcheck

        typer.echo(HOW[what])
        recording, name = record_plainly(instrument, parse_roles(channel or []), rate, seconds)
        measure = {
            "noise": selfcheck.measure_noise,
            "skew": selfcheck.measure_skew,
            "polarity": selfcheck.measure_polarity,
        }[what]
        found = measure(recording)
        path = selfcheck.store_path()
        check = selfcheck.write_check(path, name, what, found)
        for c in found:
            parts = []
            if c.noise_rms is not None and c.mains_share is not None:
                parts.append(f"noise {c.noise_rms:.3g}, {100 * c.mains_share:.0f} % of it mains")
            if c.skew_s is not None and c.skew_se_s is not None:
                parts.append(f"{1e6 * c.skew_s:.2f} +- {1.645e6 * c.skew_se_s:.2f} us late")
            if c.polarity is not None:
                parts.append("polarity " + ("as it should be" if c.polarity > 0 else "turned over"))
            typer.echo(f"  {c.name}: {', '.join(parts)}")
        typer.echo(f"Kept for {check.instrument} in {path}.")

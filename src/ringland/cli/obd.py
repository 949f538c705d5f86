"""`ringland obd`: what the vehicle's own controllers say. Reading only; nothing is cleared."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ringland.cli._errors import told_to_the_user

if TYPE_CHECKING:
    from ringland.instruments.obd.readings import VehicleReadings, VehicleValue

__all__ = ["obd"]

CAUTIONS = (
    "Reading only: no code is cleared and nothing is written to the vehicle.",
    "Brake on, wheels chocked, gearbox in neutral or park; run the engine outdoors or with extraction.",  # noqa: E501
    "Lay the cable where no pedal, belt or fan can catch it. Never read while driving alone.",
)


def obd(
    address: Annotated[
        str,
        typer.Argument(
            metavar="ADDRESS",
            help="The adapter: tcp:HOST:PORT, serial:/dev/ttyUSB0 or serial:COM5?baud=38400.",
        ),
    ],
    seconds: Annotated[
        float, typer.Option("--seconds", help="How long live values are read.", min=0.0, max=300.0)
    ] = 5.0,
    json_path: Annotated[
        Path | None,
        typer.Option("--json", metavar="PATH", help="Write what was read; - for the screen."),
    ] = None,
) -> None:
    """Read speed, load, temperature, fuel trims, misfire counters and codes from the vehicle."""
    with told_to_the_user(json_path):
        from ringland.cli._results import STANDARD_OUTPUT, write_result
        from ringland.cli._text import plain
        from ringland.instruments.obd.read import read_vehicle
        from ringland.instruments.obd.readings import as_json

        quiet = json_path == STANDARD_OUTPUT
        for text in CAUTIONS:
            typer.echo(text, err=quiet)
        read = read_vehicle(
            address, seconds=seconds, progress=lambda text: typer.echo(plain(text), err=True)
        )
        if json_path is not None:
            write_result(as_json(read), json_path)
        if quiet:
            return
        for line in lines_of(read):
            typer.echo(plain(line))
        if json_path is not None:
            typer.echo(plain(f"Kept in {json_path}. Next, for example:"))
            typer.echo(plain(f"  ringland answer trouble_codes --obd {json_path} --cylinder 1"))


def lines_of(read: "VehicleReadings") -> list[str]:
    """Everything that was read, and what was not with the reason."""
    out = ["", *(_value_line(v) for v in read.values)]
    if read.closed_loop is not None:
        out.append(f"Mixture: {read.fuel_system}")
    else:
        out.append(f"Mixture: not available: {read.fuel_system}")
    out.append("")
    if not read.misfires:
        out.append(f"Misfire counters: not available: {read.misfires_why}")
    for m in read.misfires:
        this = "not known" if m.this_cycle is None else str(m.this_cycle)
        ten = "not known" if m.ten_cycles is None else str(m.ten_cycles)
        why = f"; {m.why}" if m.why else ""
        out.append(
            f"Cylinder {m.cylinder}: {this} misfires in this or the last driving cycle, "
            f"{ten} on average of ten{why}"
        )
    if read.misfires:
        out.append("The numbers of the cylinders are the engine maker's.")
    out.append("")
    lamp = {True: "on", False: "off", None: "not available"}[read.lamp_on]
    out.append(f"Malfunction lamp asked for: {lamp}")
    for c in read.codes:
        meaning = f", {c.meaning}" if c.meaning else ""
        out.append(f"{c.code} {c.kind}{meaning} (controller {c.controller})")
    unread = dict(read.codes_not_read)
    if not read.codes and not unread:
        out.append("No codes: stored, pending or permanent.")
    out += [f"Codes {kind}: not available: {why}" for kind, why in unread.items()]
    return out


def _value_line(v: "VehicleValue") -> str:
    if v.value is None:
        return f"{v.title}: not available: {v.why}"
    digits = 1 if v.step < 1.0 else 0
    unit = "" if v.unit == "1" else f" {v.unit}"
    spread = ""
    if v.count > 1 and v.lowest is not None and v.highest is not None:
        spread = f" ({v.lowest:.{digits}f} to {v.highest:.{digits}f} in {v.count} readings)"
    return f"{v.title}: {v.value:.{digits}f}{unit}{spread}, in steps of {v.step:.2g}"

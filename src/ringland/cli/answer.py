"""`ringland answer`: what a check said; the ranking is updated and the answer kept."""

from pathlib import Path
from typing import Annotated, TypeAlias

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._text import plain

__all__ = ["answer_command"]

_Text: TypeAlias = str | None


def answer_command(
    test: Annotated[str, typer.Argument(help="Which check, such as leakdown.")],
    outcome: Annotated[
        _Text, typer.Argument(help="Its answer, such as crankcase; or give the readings.")
    ] = None,
    analysis: Annotated[
        Path | None,
        typer.Option("--analysis", help="The saved analysis; the newest here if left out."),
    ] = None,
    cylinder: Annotated[
        int | None, typer.Option("--cylinder", help="On which cylinder.", min=1)
    ] = None,
    position: Annotated[
        int | None,
        typer.Option(
            "--position", help="On which firing position, if numbers are not known.", min=1
        ),
    ] = None,
    percent: Annotated[_Text, typer.Option("--percent", help="Leak-down: loss, per cent.")] = None,
    orifice: Annotated[
        _Text, typer.Option("--orifice", help="Leak-down: the tester's orifice, such as 1.0mm.")
    ] = None,
    supply: Annotated[
        _Text, typer.Option("--supply", help="Leak-down: supply pressure, such as 7bar.")
    ] = None,
    heard: Annotated[
        _Text,
        typer.Option(
            "--heard", help="Leak-down: exhaust, intake, crankcase, coolant, neighbour or unclear."
        ),
    ] = None,
    dry: Annotated[_Text, typer.Option("--dry", help="Compression: dry, such as 8.5bar.")] = None,
    wet: Annotated[_Text, typer.Option("--wet", help="Compression: after oil.")] = None,
    highest: Annotated[
        _Text, typer.Option("--highest", help="Compression: of the best cylinder.")
    ] = None,
    altitude: Annotated[
        _Text, typer.Option("--altitude", help="Compression: altitude, such as 1500m.")
    ] = None,
    least_ratio: Annotated[
        _Text, typer.Option("--least-ratio", help="Compression: the maker's lowest to highest.")
    ] = None,
    drop: Annotated[_Text, typer.Option("--drop", help="Power balance: drop, rpm.")] = None,
    others: Annotated[_Text, typer.Option("--others", help="Power balance: of the others.")] = None,
    pressure: Annotated[
        _Text, typer.Option("--pressure", help="Back-pressure or crankcase pressure, with unit.")
    ] = None,
    idle_trim: Annotated[_Text, typer.Option("--idle-trim", help="Fuel trim at idle, %.")] = None,
    held_trim: Annotated[_Text, typer.Option("--held-trim", help="Fuel trim held, %.")] = None,
    codes: Annotated[_Text, typer.Option("--codes", help="Trouble codes, with commas.")] = None,
    misfires: Annotated[
        _Text,
        typer.Option("--misfires", help="Misfire counts of cylinder 1, 2, ..., with commas."),
    ] = None,
    obd: Annotated[
        list[Path] | None,
        typer.Option(
            "--obd", metavar="FILE", help="What `ringland obd` kept; two files for fuel trims."
        ),
    ] = None,
    try_only: Annotated[
        bool, typer.Option("--try", help="Show what it would do; keep nothing.")
    ] = False,
) -> None:
    """Tell what a check said; the causes are ranked anew."""
    readings: dict[str, _Text] = {
        "percent": percent,
        "orifice": orifice,
        "supply": supply,
        "heard": heard,
        "dry": dry,
        "wet": wet,
        "highest": highest,
        "altitude": altitude,
        "least_ratio": least_ratio,
        "drop": drop,
        "others": others,
        "pressure": pressure,
        "idle_trim": idle_trim,
        "held_trim": held_trim,
        "codes": codes,
        "misfires": misfires,
    }
    with told_to_the_user():
        from ringland.cli._saved import add_answer, find_analysis, read_saved, rediagnose
        from ringland.cli.ask import print_diagnosis
        from ringland.diagnosis import load_knowledge, outcome_words, parse_answer

        if obd:
            readings |= _from_vehicle(test, obd)
        given = parse_answer(
            test,
            cylinder=cylinder,
            firing_position=position,
            outcome=outcome,
            readings={k: v for k, v in readings.items() if v is not None},
        )
        path = find_analysis(analysis)
        diagnosis = rediagnose(read_saved(path), (given,))
        typer.echo(plain(outcome_words((given,), load_knowledge())[0]))
        for name, value in given.readings:
            if name == "leak_area_m2":
                typer.echo(f"  Leak area {value * 1e6:.2f} mm2, whatever the tester.")
        if try_only:
            typer.echo("Not kept.")
        else:
            typer.echo(plain(f"Kept in {add_answer(path, given).name}."))
        print_diagnosis(diagnosis)


def _from_vehicle(test: str, paths: list[Path]) -> dict[str, str]:
    """Readings that the vehicle gave, and what is to be known of them."""
    from ringland.diagnosis.from_vehicle import readings_of
    from ringland.instruments.obd.readings import read_readings

    found = readings_of(test, [read_readings(path) for path in paths])
    for remark in found.remarks:
        typer.echo(plain(f"From the vehicle: {remark}."))
    return found.readings

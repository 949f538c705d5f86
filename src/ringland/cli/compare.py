"""`ringland compare` and `ringland repeatability`: did the repair do anything?"""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, TypeAlias

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._results import STANDARD_OUTPUT, write_result, written_or_told
from ringland.cli._text import plain
from ringland.errors import UnusableRecording

if TYPE_CHECKING:
    from ringland.verify.before_after import Comparison
    from ringland.verify.normal import PlaceNormal
    from ringland.verify.repeatability import Repeatability

__all__ = ["compare_command", "repeatability_command"]

_Run: TypeAlias = Literal["idle", "held", "cranking", "snap"] | None
_Engine = Annotated[
    str | None,
    typer.Option(
        "--engine",
        metavar="ENGINE",
        help="The engine: a TOML file, or the id of a layout. Not needed for saved analyses.",
    ),
]
_Channels = Annotated[
    list[str] | None,
    typer.Option("--channel", metavar="ROLE=NAME", help="Which channel is what; may be repeated."),
]
_How = Annotated[_Run, typer.Option("--condition", help="How the engine was run, every time.")]
_Json = Annotated[
    Path | None,
    typer.Option("--json", metavar="PATH", help="Write the result as JSON; - for the screen."),
]


def compare_command(
    before: Annotated[Path, typer.Argument(help="From before the work: recording, or JSON.")],
    after: Annotated[Path, typer.Argument(help="From after the work: recording, or JSON.")],
    engine: _Engine = None,
    channel: _Channels = None,
    condition: _How = None,
    baseline: Annotated[
        Path | None,
        typer.Option("--baseline", help="From when the engine was sound: recording, or JSON."),
    ] = None,
    repeats: Annotated[
        Path | None,
        typer.Option("--repeats", metavar="PATH", help="What ringland repeatability saved."),
    ] = None,
    before_temperature: Annotated[
        str | None,
        typer.Option("--before-temperature", help="Coolant or oil before, such as 85degC."),
    ] = None,
    after_temperature: Annotated[
        str | None, typer.Option("--after-temperature", help="The same after.")
    ] = None,
    json_path: _Json = None,
    report_path: Annotated[
        Path | None, typer.Option("--report", metavar="PATH", help="Write the page as HTML.")
    ] = None,
) -> None:
    """Before and after a repair: did it change by more than a new hook-up changes it?"""
    with told_to_the_user(json_path):
        from ringland.cli._given import engine_named, parse_roles
        from ringland.cli._two import json_object, measured_of
        from ringland.model import Condition
        from ringland.verify.before_after import compare
        from ringland.verify.normal import back_to_normal
        from ringland.verify.repeatability import repeatability_from_json

        spec = engine_named(engine) if engine is not None else None
        roles, said = parse_roles(channel or []), Condition(condition) if condition else None
        one = measured_of(before, spec, condition=said, temperature=before_temperature, roles=roles)
        two = measured_of(after, spec, condition=said, temperature=after_temperature, roles=roles)
        sound = None
        if baseline is not None:
            sound = measured_of(baseline, spec, condition=said, roles=roles)
        own = repeatability_from_json(json_object(repeats)) if repeats is not None else None
        comparison = compare(one, two, repeatability=own)
        normal = (
            () if comparison.refused else back_to_normal(two, baseline=sound, repeatability=own)
        )
        _write(comparison, normal, json_path, report_path)
    if comparison.refused:
        if json_path == STANDARD_OUTPUT:
            typer.echo("Not compared: the reasons are in the JSON.", err=True)
        raise typer.Exit(UnusableRecording.exit_status)


def _write(
    comparison: "Comparison",
    normal: "tuple[PlaceNormal, ...]",
    json_path: Path | None,
    report_path: Path | None,
) -> None:
    from typing import cast

    from ringland.output import Object
    from ringland.verify.document import comparison_as_json
    from ringland.verify.words import summary

    if json_path is not None:
        said = summary(comparison, normal)
        write_result(cast(Object, comparison_as_json(comparison, normal, summary=said)), json_path)
    if report_path is not None:
        from ringland.report.before_after import write_before_after

        with written_or_told(report_path, "page"):
            write_before_after(comparison, report_path, normal)
    if json_path != STANDARD_OUTPUT:
        _print(comparison, normal, report_path)


def _print(
    comparison: "Comparison", normal: "tuple[PlaceNormal, ...]", report_path: Path | None
) -> None:
    from ringland.verify.words import summary

    typer.echo(plain(f"Before: {comparison.before}"))
    typer.echo(plain(f"After:  {comparison.after}"))
    typer.echo("")
    for sentence in summary(comparison, normal):
        typer.echo(plain(sentence))
    if comparison.objections:
        typer.echo("")
        typer.echo("Unlike between the two:")
        for objection in comparison.objections:
            typer.echo(plain(f"- {objection.sentence}"))
            typer.echo(plain(f"  What to do: {objection.remedy}"))
    if not comparison.refused:
        typer.echo("")
        for line in _lines(comparison):
            typer.echo(plain(line))
        typer.echo("")
        for note in comparison.notes:
            typer.echo(plain(note))
    if report_path is not None:
        typer.echo(plain(f"Page: {report_path}"))


def _lines(comparison: "Comparison") -> list[str]:
    """The table: one line per cell that was compared."""
    from ringland.report.numbers import write_estimate
    from ringland.verify.before_after import ChangeState
    from ringland.verify.words import place_of

    lines = ["Change against the other cylinders, its 90 % interval, and what it had to exceed:"]
    for cell in comparison.changes:
        if cell.state is ChangeState.NOT_COMPARED or cell.smallest_change is None:
            continue
        least = (
            f"{100.0 * cell.smallest_change:.1f} %"
            if cell.change.unit == "1"
            else f"{cell.smallest_change:.3g} {cell.change.unit}"
        )
        mark = "  CHANGED" if cell.state is ChangeState.CHANGED else ""
        lines.append(
            f"  {place_of(cell):13} {cell.metric:24} {write_estimate(cell.change).text:34} "
            f"{least:>8}{mark}"
        )
    return lines


def repeatability_command(
    recordings: Annotated[
        list[Path],
        typer.Argument(help="At least two, with the sensors taken off and put back between."),
    ],
    engine: _Engine = None,
    channel: _Channels = None,
    condition: _How = None,
    json_path: _Json = None,
) -> None:
    """How far each metric moves when nothing but the hook-up changed (ISO 5725-2)."""
    with told_to_the_user(json_path):
        from typing import cast

        from ringland.cli._given import engine_named, parse_roles
        from ringland.cli._two import measured_of
        from ringland.model import Condition
        from ringland.output import Object
        from ringland.verify.repeatability import repeatability, repeatability_as_json

        spec = engine_named(engine) if engine is not None else None
        roles, said = parse_roles(channel or []), Condition(condition) if condition else None
        found = repeatability(
            [measured_of(p, spec, condition=said, roles=roles) for p in recordings]
        )
        if json_path is not None:
            write_result(cast(Object, repeatability_as_json(found)), json_path)
        if json_path != STANDARD_OUTPUT:
            _print_repeatability(found, json_path)


def _print_repeatability(found: "Repeatability", json_path: Path | None) -> None:
    typer.echo(plain(f"{len(found.recordings)} recordings of {found.engine or 'one engine'}"))
    typer.echo(
        "Two recordings differ by more than the limit r only once in twenty when nothing changed:"
    )
    for one in found.metrics:
        scale, unit = (100.0, "%") if one.unit == "1" else (1.0, one.unit)
        typer.echo(
            plain(
                f"  {one.metric:28} r = {scale * one.limit:.2g} {unit} "
                f"(s_r = {scale * one.sd:.2g} {unit}, {one.degrees} degrees of freedom)"
            )
        )
        for remark in one.remarks:
            typer.echo(plain(f"    {remark}"))
    for note in found.notes:
        typer.echo(plain(note))
    if json_path is not None:
        typer.echo(plain(f"Saved: {json_path}. Use it: ringland compare ... --repeats {json_path}"))

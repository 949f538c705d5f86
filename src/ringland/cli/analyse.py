"""`ringland analyse`: a recording in, the judgement of each cylinder out."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from ringland.cli._errors import STANDARD_OUTPUT, told_to_the_user, write_result
from ringland.errors import SettingError, UnusableRecording

if TYPE_CHECKING:
    from ringland.model import Analysis, RecordingSource

__all__ = ["analyse", "parse_roles"]

LONG_S = 120.0
"""Above this a recording is read window by window instead of all at once."""


def analyse(
    recording: Annotated[Path, typer.Argument(help="The recording: a file in a known format.")],
    engine: Annotated[
        Path, typer.Option("--engine", help="The engine: a TOML file, or the id of a layout.")
    ],
    channel: Annotated[
        list[str] | None,
        typer.Option(
            "--channel", metavar="ROLE=NAME", help="Which channel is what; may be repeated."
        ),
    ] = None,
    map_file: Annotated[
        Path | None, typer.Option("--map", help="A file that names roles, units and rates.")
    ] = None,
    condition: Annotated[
        Literal["idle", "held", "cranking", "snap"] | None,
        typer.Option("--condition", help="How the engine was run."),
    ] = None,
    speed_hint: Annotated[
        float | None,
        typer.Option(
            "--speed-hint", metavar="RPM", help="Speed from a tachometer or scan tool.", min=1.0
        ),
    ] = None,
    rate: Annotated[
        float | None,
        typer.Option("--rate", metavar="HZ", help="Sample rate, if the file does not say."),
    ] = None,
    json_path: Annotated[
        Path | None,
        typer.Option("--json", metavar="PATH", help="Write the result as JSON; - for the screen."),
    ] = None,
    report_path: Annotated[
        Path | None, typer.Option("--report", metavar="PATH", help="Write the report as HTML.")
    ] = None,
) -> None:
    """Judge each cylinder from a recording."""
    with told_to_the_user(json_path):
        from ringland.output import as_json

        source = _opened(recording, channel or [], map_file, rate)
        analysis = _analysed(source, engine, condition, speed_hint)
        if json_path is not None:
            write_result(as_json(analysis), json_path)
        if report_path is not None:
            from ringland.report import write_html

            write_html(analysis, report_path)
        if json_path != STANDARD_OUTPUT:
            from ringland.cli._summary import print_summary

            print_summary(analysis, report_path)
    if analysis.not_judged is not None:
        if json_path == STANDARD_OUTPUT:
            typer.echo(f"Not judged: {analysis.not_judged}", err=True)
        raise typer.Exit(UnusableRecording.exit_status)


def parse_roles(pairs: list[str]) -> dict[str, str]:
    """ "exhaust=Ch A" and so on, as role -> channel name. Raises SettingError."""
    from ringland.model import ChannelRole

    allowed = ", ".join(role.value for role in ChannelRole)
    roles: dict[str, str] = {}
    for pair in pairs:
        role, equals, name = pair.partition("=")
        role = role.strip()
        if not equals or not name.strip() or role not in [r.value for r in ChannelRole]:
            raise SettingError(
                "A --channel setting cannot be read.",
                got=repr(pair),
                allowed=f"ROLE=NAME, where ROLE is one of {allowed}",
                remedy="For example: --channel exhaust='Channel A'",
            )
        if role in roles:
            raise SettingError(
                f"Two channels were named for the role {role}.",
                got=f"{roles[role]!r} and {name.strip()!r}",
                remedy="Name one. A second tailpipe has the role exhaust_2.",
            )
        roles[role] = name.strip()
    return roles


def _opened(
    recording: Path, pairs: list[str], map_file: Path | None, rate: float | None
) -> "RecordingSource":
    from ringland.readers import open_recording

    return open_recording(recording, roles=parse_roles(pairs), map_file=map_file, rate_hz=rate)


def _analysed(
    source: "RecordingSource", engine: Path, condition: str | None, speed_hint: float | None
) -> "Analysis":
    from ringland.engines import load_engine
    from ringland.model import Condition
    from ringland.pipeline import analyse as analyse_recording
    from ringland.pipeline import analyse_source

    spec = load_engine(engine)
    if source.duration_s > LONG_S:
        return analyse_source(source, spec)
    recording = source.read(source.start_s, source.start_s + source.duration_s)
    said = Condition(condition) if condition else recording.condition
    hint = speed_hint if speed_hint is not None else recording.speed_hint_rpm
    return analyse_recording(recording.with_condition(said, hint), spec)

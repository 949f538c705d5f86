"""`ringland check`: is this recording fit to judge, asked while the sensors are still on."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._given import LONG_S, engine_named, parse_roles, said_of
from ringland.errors import UnusableRecording

if TYPE_CHECKING:
    from ringland.model import QualityReport, Recording

__all__ = ["check"]


def check(
    recording: Annotated[Path, typer.Argument(help="The recording: a file in a known format.")],
    engine: Annotated[
        str | None,
        typer.Option(
            "--engine", metavar="ENGINE", help="The engine: a TOML file, or the id of a layout."
        ),
    ] = None,
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
    rate: Annotated[
        float | None,
        typer.Option("--rate", metavar="HZ", help="Sample rate, if the file does not say."),
    ] = None,
    every_check: Annotated[
        bool, typer.Option("--all", help="List the checks that found nothing, too.")
    ] = False,
) -> None:
    """Say whether a recording is fit to judge, and if not, why."""
    with told_to_the_user():
        from ringland.cli._summary import print_quality
        from ringland.model import Condition
        from ringland.quality import check_recording
        from ringland.readers import open_recording

        spec = None if engine is None else engine_named(engine)
        roles = parse_roles(channel or [])
        source = open_recording(recording, roles=roles, map_file=map_file, rate_hz=rate)
        start_s = source.start_s
        if source.duration_s > LONG_S:
            typer.echo(f"This is a long recording; its first {LONG_S:.0f} s are checked.")
            read = source.read(start_s, start_s + LONG_S)
        else:
            read = source.read_all()
        read = said_of(read, Condition(condition) if condition else None, None)
        report = check_recording(read, spec)
        print_quality(report, read, every_check=every_check)
        fit = _fit_to_judge(report, read)
    if not fit:
        raise typer.Exit(UnusableRecording.exit_status)


def _fit_to_judge(report: "QualityReport", recording: "Recording") -> bool:
    """True when a channel that can say something of a cylinder is better than unusable."""
    from ringland.model import ChannelRole, Verdict

    only_phase = (ChannelRole.IGNITION, ChannelRole.CAM)
    telling = [c.name for c in recording.channels if c.role not in only_phase]
    telling += [e.name for e in recording.edges if e.role not in only_phase]
    verdicts = [report.verdict(name) for name in telling]
    return report.verdict("") is not Verdict.UNUSABLE and any(
        verdict is not Verdict.UNUSABLE for verdict in verdicts
    )

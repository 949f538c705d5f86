"""`ringland analyse`: a recording in, the judgement of each cylinder out."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, NamedTuple

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._given import LONG_S, engine_named, parse_roles, said_of
from ringland.cli._results import STANDARD_OUTPUT, write_report, write_result
from ringland.cli._store import StoreOption, priors_in
from ringland.errors import UnusableRecording

if TYPE_CHECKING:
    from ringland.model import Analysis, Condition, EngineSpec, LearnedPriors
    from ringland.readers._source import FileSource
    from ringland.reference.network import PulseNetwork

__all__ = ["analyse"]


def analyse(
    recording: Annotated[Path, typer.Argument(help="The recording: a file in a known format.")],
    engine: Annotated[
        str,
        typer.Option(
            "--engine", metavar="ENGINE", help="The engine: a TOML file, or the id of a layout."
        ),
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
    also: Annotated[
        list[str] | None,
        typer.Option(
            "--also",
            metavar="FILE[,SETTING=VALUE]",
            help="A further recording of the same engine today, with its own condition, map, "
            "rate, speed-hint and ROLE=NAME: fast.csv,condition=held. One ranking from all; may be "
            "repeated.",
        ),
    ] = None,
    earlier: Annotated[
        list[str] | None,
        typer.Option(
            "--earlier",
            metavar="FILE[,SETTING=VALUE]",
            help="The same, of an earlier visit, when the fault need not have been there yet.",
        ),
    ] = None,
    when_sound: Annotated[
        list[str] | None,
        typer.Option(
            "--when-sound",
            metavar="FILE[,SETTING=VALUE]",
            help="A recording of the same engine, run the same way, when it was sound: what its "
            "cylinders differed by then is taken off. May be repeated; each recording is held "
            "against the first that was made like it.",
        ),
    ] = None,
    severity: Annotated[
        bool,
        typer.Option(
            "--severity", help="Also fit how large the leading cause is, by simulation (seconds)."
        ),
    ] = False,
    json_path: Annotated[
        Path | None,
        typer.Option("--json", metavar="PATH", help="Write the result as JSON; - for the screen."),
    ] = None,
    report_path: Annotated[
        Path | None, typer.Option("--report", metavar="PATH", help="Write the report as HTML.")
    ] = None,
    store: StoreOption = None,
) -> None:
    """Judge each cylinder from a recording."""
    with told_to_the_user(json_path):
        from ringland.output import as_json
        from ringland.readers import open_recording

        roles = parse_roles(channel or [])
        source = open_recording(recording, roles=roles, map_file=map_file, rate_hz=rate)
        said = (condition, speed_hint)
        analysis = _analysed(source, engine_named(engine), *said, priors=priors_in(store))
        if also or earlier or when_sound:
            further = _Further(also or [], earlier or [], when_sound or [])
            analysis = _joined(analysis, further, priors=priors_in(store))
        if severity:
            analysis = _with_severity(analysis)
        if json_path is not None:
            write_result(as_json(analysis), json_path)
        if report_path is not None:
            write_report(analysis, report_path)
        if json_path != STANDARD_OUTPUT:
            from ringland.cli._summary import print_summary

            print_summary(analysis, report_path)
    if analysis.not_judged is not None:
        if json_path == STANDARD_OUTPUT:
            typer.echo(f"Not judged: {analysis.not_judged}", err=True)
        raise typer.Exit(UnusableRecording.exit_status)


def _analysed(
    source: "FileSource",
    spec: "EngineSpec",
    condition: str | None,
    speed_hint: float | None,
    *,
    priors: "LearnedPriors | None",
    calmest: bool = False,
) -> "Analysis":
    from ringland.cli._long import SaidSource, progress_bar
    from ringland.model import Condition
    from ringland.pipeline import analyse as analyse_recording
    from ringland.pipeline import analyse_source

    said = Condition(condition) if condition else None
    if source.duration_s > LONG_S:
        with progress_bar() as progress:
            return analyse_source(
                SaidSource(source, said, speed_hint),
                spec,
                priors=priors,
                progress=progress,
                calmest=calmest,
            )
    return analyse_recording(
        said_of(source.read_all(), said, speed_hint),
        spec,
        network=_kept_reference(spec, said, speed_hint),
        priors=priors,
    )


class _Further(NamedTuple):
    """What was named beside the recording itself."""

    also: list[str]
    earlier: list[str]
    when_sound: list[str]


def _joined(first: "Analysis", further: _Further, *, priors: "LearnedPriors | None") -> "Analysis":
    """One ranking from the first recording and all further ones, each held against the sound one
    that was made like it."""
    from ringland.cli._also import further_source, parse_further
    from ringland.pipeline import against_sound, join_all

    def each(texts: list[str], *, calmest: bool = False) -> "list[Analysis]":
        files = [parse_further(text) for text in texts]
        return [
            _analysed(
                further_source(f),
                first.engine,
                f.condition,
                f.speed_hint_rpm,
                priors=priors,
                calmest=calmest,
            )
            for f in files
        ]

    sound = each(further.when_sound, calmest=True)
    now = [
        against_sound(one, sound, network=_kept_reference_of(one))
        for one in (first, *each(further.also))
    ]
    if not (further.also or further.earlier):
        return now[0]
    return join_all(now, earlier=each(further.earlier))


def _kept_reference_of(analysis: "Analysis") -> "PulseNetwork | None":
    """The same for a recording that was analysed."""
    said = analysis.recording
    return _kept_reference(analysis.engine, said.condition, said.speed_hint_rpm)


def _kept_reference(
    spec: "EngineSpec", said: "Condition | None", speed_hint: float | None
) -> "PulseNetwork | None":
    """The reference fitted to this engine, where `ringland reference` has made one."""
    from ringland.model import Condition
    from ringland.reference.build import find_reference, reference_folder

    folder = reference_folder()
    if not folder.is_dir():
        return None
    return find_reference(spec, folder, speed_rpm=None if said is Condition.IDLE else speed_hint)


def _with_severity(analysis: "Analysis") -> "Analysis":
    from ringland.cli._long import progress_bar
    from ringland.severity import with_severity

    with progress_bar() as progress:
        return with_severity(analysis, progress=progress)

"""`ringland report`: the report for owner and workshop, as PDF and HTML; checked by its hash."""

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._results import written_or_told
from ringland.cli._store import StoreOption, priors_in
from ringland.cli._text import plain
from ringland.errors import BadInput, SettingError

if TYPE_CHECKING:
    from ringland.model import Analysis
    from ringland.report import Document

__all__ = ["data_folder", "report_check_command", "report_command", "report_key_command"]

_Folder = Annotated[
    Path | None,
    typer.Option("--folder", help="Where reports are kept, if not in your data folder."),
]
_Key = Annotated[
    Path | None, typer.Option("--key", metavar="KEY.pem", help="Seal it with this key.")
]


def report_command(
    source: Annotated[Path, typer.Argument(help="A recording, or a saved analysis (JSON).")],
    engine: Annotated[
        str | None,
        typer.Option("--engine", metavar="ENGINE", help="For a recording: TOML file or layout id."),
    ] = None,
    channel: Annotated[
        list[str] | None,
        typer.Option("--channel", metavar="ROLE=NAME", help="Which channel is what."),
    ] = None,
    condition: Annotated[
        Literal["idle", "held", "cranking", "snap"] | None,
        typer.Option("--condition", help="How the engine was run."),
    ] = None,
    pdf: Annotated[
        Path | None, typer.Option("--pdf", metavar="PATH", help="Write it as PDF.")
    ] = None,
    html: Annotated[
        Path | None, typer.Option("--html", metavar="PATH", help="Write it as one HTML file.")
    ] = None,
    reader: Annotated[
        Literal["owner", "workshop", "both"], typer.Option("--for", help="Whose part.")
    ] = "both",
    paper: Annotated[Literal["a4", "letter"], typer.Option("--paper", help="Paper.")] = "a4",
    language: Annotated[
        str, typer.Option("--language", metavar="CODE", help="Language: en, de.")
    ] = "en",
    firm: Annotated[
        Path | None,
        typer.Option("--firm", metavar="FIRM.toml", help="Your name, address, logo, labour rate."),
    ] = None,
    vehicle: Annotated[str, typer.Option("--vehicle", help="The vehicle's name.")] = "",
    owner: Annotated[str, typer.Option("--owner", help="Who owns it.")] = "",
    odometer: Annotated[str, typer.Option("--odometer", help="Odometer or hours.")] = "",
    technician: Annotated[str, typer.Option("--technician", help="Who measured.")] = "",
    date: Annotated[str, typer.Option("--date", help="Date of the visit.")] = "",
    keep: Annotated[
        bool, typer.Option("--keep/--no-keep", help="Keep it, to be checked by its hash later.")
    ] = True,
    folder: _Folder = None,
    key: _Key = None,
    store: StoreOption = None,
) -> None:
    """Write the report as PDF, HTML or both, and keep what was written."""
    with told_to_the_user():
        from ringland.report import VisitFacts, build_document, load_firm

        if pdf is None and html is None:
            raise SettingError(
                "Say how the report is to be written.", allowed="--pdf PATH, --html PATH, or both"
            )
        visit = VisitFacts(vehicle, owner, odometer, technician, date)
        document = build_document(
            _analysis(source, engine, channel or [], condition, store=store),
            visit=visit,
            firm=None if firm is None else load_firm(firm),
            readers=("owner", "workshop") if reader == "both" else (reader,),
            language=language,
        )
        write_document(document, pdf=pdf, html=html, paper=paper)
        if keep:
            from ringland.report.document import printed_hash
            from ringland.report.kept import keep_report

            digest = keep_report(document, folder or data_folder(), key=key)
            typer.echo(f"Kept. Content {printed_hash(digest[:16])} ...")


def write_document(
    document: "Document", *, pdf: Path | None, html: Path | None, paper: str
) -> None:
    """The document to the files named. Raises SettingError when one cannot be written."""
    from ringland.report import render_document, write_pdf

    for path in filter(None, (pdf, html)):
        with written_or_told(path, "report"):
            if path is pdf:
                write_pdf(document, path, paper=paper)
            else:
                text = render_document(document, paper=paper)
                path.write_text(text, encoding="utf-8", newline="\n")
        typer.echo(plain(f"Report: {path}"))


def data_folder() -> Path:
    """Your data folder: RINGLAND_DATA when that is a folder, else the usual place for data."""
    named = os.environ.get("RINGLAND_DATA", "")
    if named and "://" not in named:
        return Path(named)
    from platformdirs import user_data_path

    return user_data_path("ringland", appauthor=False)


def _analysis(
    source: Path,
    engine: str | None,
    channel: list[str],
    condition: str | None,
    *,
    store: str | None,
) -> "Analysis":
    content = _saved(source)
    if content is not None:
        from ringland.report.saved import analysis_from_json

        return analysis_from_json(content)
    if engine is None:
        raise BadInput(
            "For a recording the engine must be named.",
            allowed="--engine ENGINE.toml, or the id of a layout",
            remedy="See the layouts: ringland engines list",
        )
    from ringland.cli._given import engine_named, parse_roles, said_of
    from ringland.model import Condition
    from ringland.pipeline import analyse
    from ringland.readers import open_recording

    recording = open_recording(source, roles=parse_roles(channel)).read_all()
    said = Condition(condition) if condition else None
    spec = engine_named(engine)
    return analyse(said_of(recording, said, None), spec, priors=priors_in(store))


def _saved(source: Path) -> dict[str, Any] | None:
    """The JSON of a saved analysis, or None for any other file."""
    import json

    if source.suffix.casefold() != ".json":
        return None
    try:
        content = json.loads(source.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise BadInput(
            "The saved analysis cannot be read.", got=f"{source.name}: {error}"
        ) from error
    if not isinstance(content, dict):
        raise BadInput("This is not a saved analysis.", got=source.name)
    return content


def report_check_command(
    printed: Annotated[
        str, typer.Argument(metavar="HASH", help="The hash on the report; 8 digits are enough.")
    ],
    folder: _Folder = None,
    key: Annotated[
        Path | None,
        typer.Option("--key", metavar="KEY.pem", help="Also check the seal with this key."),
    ] = None,
    pdf: Annotated[
        Path | None, typer.Option("--pdf", metavar="PATH", help="Draw it again, to compare.")
    ] = None,
    html: Annotated[
        Path | None, typer.Option("--html", metavar="PATH", help="Draw it again as HTML.")
    ] = None,
    paper: Annotated[Literal["a4", "letter"], typer.Option("--paper", help="Paper.")] = "a4",
) -> None:
    """Check a printed report against what was kept when it was made."""
    with told_to_the_user():
        from ringland.report.document import printed_hash
        from ringland.report.kept import find_report

        found = find_report(printed, folder or data_folder(), key=key)
        document = found.document
        typer.echo("Kept and unchanged since it was made:")
        typer.echo(plain(f"  {document.title}, {document.subtitle}"))
        typer.echo(plain(f"  made on {document.made_on}, language {document.language}"))
        typer.echo(f"  content {printed_hash(found.digest)}")
        if key is not None:
            typer.echo(f"  seal: {'fits this key' if found.seal else 'does not fit this key'}")
        write_document(document, pdf=pdf, html=html, paper=paper)
        if key is not None and not found.seal:
            raise BadInput(
                "The report is not sealed with this key.",
                remedy="Ask whoever made it for the public key, KEY.public.pem.",
            )


def report_key_command(
    path: Annotated[Path, typer.Argument(metavar="KEY.pem", help="Where the new key goes.")],
) -> None:
    """Make a key to seal reports with, and its public half to check them with."""
    with told_to_the_user():
        from ringland.report.kept import make_key

        public = make_key(path)
        typer.echo(plain(f"Keep to yourself: {path}"))
        typer.echo(plain(f"Give to whoever is to check your reports: {public}"))

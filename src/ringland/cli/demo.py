"""`ringland demo`: the whole job on invented data, nothing needed but a folder to write to."""

from pathlib import Path
from typing import Annotated

import typer

from ringland.cli._errors import told_to_the_user
from ringland.errors import SettingError

__all__ = ["demo"]


def demo(
    folder: Annotated[
        Path, typer.Option("--folder", help="Where the recording and the results go.")
    ] = Path("ringland-demo"),
) -> None:
    """Judge an invented recording and write its report."""
    with told_to_the_user():
        from ringland.cli._invented import SCENARIO, write_invented
        from ringland.cli._summary import print_summary
        from ringland.engines import load_engine
        from ringland.output import as_json, write_json
        from ringland.pipeline import analyse
        from ringland.readers import read_recording
        from ringland.report import write_html

        typer.echo(SCENARIO + "\n")
        try:
            folder.mkdir(parents=True, exist_ok=True)
            recording_path, engine_path = write_invented(folder)
        except OSError as error:
            raise SettingError(
                "The demonstration cannot write its files.",
                got=f"{folder}: {error.strerror or error}",
                remedy="Name a folder that can be written to with --folder.",
            ) from error
        analysis = analyse(read_recording(recording_path), load_engine(engine_path))
        report_path = folder / "report.html"
        write_html(analysis, report_path)
        write_json(as_json(analysis), folder / "analysis.json")
        print_summary(analysis, report_path)
        typer.echo(
            f"\nThe same by hand:\n  ringland analyse {recording_path} --engine {engine_path} "
            f"--condition idle --report {report_path}"
        )

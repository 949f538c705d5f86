"""Where results go: JSON to a file or standard output, the report to a file."""

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from ringland.errors import SettingError

if TYPE_CHECKING:
    from ringland.model import Analysis
    from ringland.output import Object

__all__ = ["STANDARD_OUTPUT", "write_report", "write_result"]

STANDARD_OUTPUT = Path("-")


def write_result(content: "Object", json_path: Path) -> None:
    """JSON to a file, or to standard output for "-"."""
    from ringland.output import json_text, write_json

    if json_path == STANDARD_OUTPUT:
        typer.echo(json_text(content), nl=False)
    else:
        write_json(content, json_path)


def write_report(analysis: "Analysis", path: Path) -> None:
    """The HTML report. Raises SettingError when the file cannot be written."""
    from ringland.report import write_html

    try:
        write_html(analysis, path)
    except OSError as error:
        raise SettingError(
            "The report could not be written.",
            got=f"{path}: {error.strerror or error}",
            remedy="Name a file in a folder that exists and can be written to.",
        ) from error

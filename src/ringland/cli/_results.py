"""Where results go: JSON to a file or standard output, the report to a file."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from ringland.errors import SettingError

if TYPE_CHECKING:
    from ringland.model import Analysis
    from ringland.output import Object

__all__ = ["STANDARD_OUTPUT", "write_report", "write_result", "written_or_told"]

STANDARD_OUTPUT = Path("-")


def write_result(content: "Object", json_path: Path) -> None:
    """JSON to a file, or to standard output for "-"."""
    from ringland.output import json_text, write_json

    if json_path == STANDARD_OUTPUT:
        typer.echo(json_text(content), nl=False)
    else:
        write_json(content, json_path)


@contextmanager
def written_or_told(path: Path, what: str) -> Iterator[None]:
    """Around the writing of a file ("report"): SettingError when it cannot be written."""
    try:
        yield
    except OSError as error:
        raise SettingError(
            f"The {what} could not be written.",
            got=f"{path}: {error.strerror or error}",
            remedy="Name a file in a folder that exists and can be written to.",
        ) from error


def write_report(analysis: "Analysis", path: Path) -> None:
    """The HTML report. Raises SettingError when the file cannot be written."""
    from ringland.report import write_html

    with written_or_told(path, "report"):
        write_html(analysis, path)

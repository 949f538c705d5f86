"""Sections to one self-contained HTML file: no script, no request to anywhere."""

from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from ringland.figures.svg import inline_svg
from ringland.model import Analysis
from ringland.report.blocks import Picture
from ringland.report.content import build_sections

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["render_html", "write_html"]

# Nothing may be fetched, framed, run or sent; pictures and styles come from the file itself.
POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; "
    "base-uri 'none'; form-action 'none'"
)


@cache
def _environment() -> "Environment":
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("ringland.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _draw(picture: Picture) -> str:
    """The figure as SVG markup. Its text was escaped by the SVG writer, its title by us."""
    from markupsafe import Markup

    svg = inline_svg(picture.name, picture.size_in, picture.build, title=picture.title)
    return Markup(svg)  # noqa: S704


def render_html(analysis: Analysis, *, about: Sequence[tuple[str, str]] = ()) -> str:
    """The report as one HTML document.

    `about` are facts of the visit as (name, value): "Vehicle", "Owner", "Odometer or hours",
    "Technician", "Date of the visit" fill the lines that else are left to write on.
    """
    template = _environment().get_template("report.html.j2")
    return template.render(
        title=f"{analysis.engine.name or 'Engine'}: {analysis.recording.source.name}",
        engine=analysis.engine.name or "Engine",
        recording=analysis.recording.source.name,
        sections=build_sections(analysis, about),
        draw=_draw,
        policy=POLICY,
    )


def write_html(
    analysis: Analysis, path: Path | str, *, about: Sequence[tuple[str, str]] = ()
) -> None:
    """Write the report to `path`, UTF-8. Raises OSError when the place cannot be written."""
    Path(path).write_text(render_html(analysis, about=about), encoding="utf-8", newline="\n")

"""Sections to one self-contained HTML file: no script, no request to anywhere."""

from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from ringland.figures.svg import themed
from ringland.model import Analysis
from ringland.report.blocks import Drawing
from ringland.report.content import build_document
from ringland.report.document import Document, content_hash, printed_hash
from ringland.report.visit import visit_from_pairs

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["render_document", "render_html", "write_html"]

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


def _drawn(drawing: Drawing) -> str:
    """The drawing in the page's colours. The SVG writer escaped its text, we its title."""
    from markupsafe import Markup

    return Markup(themed(drawing.svg))  # noqa: S704


def render_document(document: Document, *, paper: str = "a4") -> str:
    """A finished document as one self-contained HTML page; `paper` is for printing it."""
    digest = content_hash(document)
    return (
        _environment()
        .get_template("report.html.j2")
        .render(
            document=document,
            words=document.words,
            sections=document.sections,
            digest=printed_hash(digest),
            draw=_drawn,
            policy=POLICY,
            page_size={"letter": "letter"}.get(paper, "A4"),
        )
    )


def render_html(analysis: Analysis, *, about: Sequence[tuple[str, str]] = ()) -> str:
    """The report as one HTML document.

    `about` are facts of the visit as (name, value): "Vehicle", "Owner", "Odometer or hours",
    "Technician", "Date of the visit" fill the lines that else are left to write on.
    """
    return render_document(build_document(analysis, visit=visit_from_pairs(about)))


def write_html(
    analysis: Analysis, path: Path | str, *, about: Sequence[tuple[str, str]] = ()
) -> None:
    """Write the report to `path`, UTF-8. Raises OSError when the place cannot be written."""
    Path(path).write_text(render_html(analysis, about=about), encoding="utf-8", newline="\n")

"""A finished document as PDF: tagged, fonts embedded, figures as vectors, text selectable.

The file meets PDF/UA-1 (accessible) and PDF/A-2a (to be kept for years); the typesetter checks
both while it writes. All text reaches the template as data, so none of it is read as markup.
"""

import json
from datetime import UTC, date, datetime
from functools import cache
from importlib.resources import as_file, files
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from ringland.errors import RinglandError, SettingError
from ringland.report.document import Document, canonical_json, content_hash
from ringland.report.firm import Firm

if TYPE_CHECKING:
    from typst import Fonts

__all__ = ["PAPERS", "Paper", "render_pdf", "write_pdf"]

Paper = Literal["a4", "letter"]
PAPERS: dict[str, str] = {"a4": "a4", "letter": "us-letter"}
"""Paper as we name it -> as the typesetter does."""

_LATIN_END = "\u0250"
_NO_GLYPH = "\N{REPLACEMENT CHARACTER}"


def render_pdf(document: Document, *, paper: str = "a4") -> bytes:
    """The document as PDF. The same document gives the same bytes.

    Raises SettingError for an unknown paper.
    """
    if paper not in PAPERS:
        raise SettingError("There is no such paper.", got=repr(paper), allowed=", ".join(PAPERS))
    return _compiled(document, paper)


def write_pdf(document: Document, path: Path | str, *, paper: str = "a4") -> None:
    """Write the document to `path`. Raises OSError when the place cannot be written."""
    Path(path).write_bytes(render_pdf(document, paper=paper))


def _compiled(document: Document, paper: str) -> bytes:
    import typst

    text = json.dumps(json.loads(canonical_json(document)), ensure_ascii=False)
    strange = _strange_letters(text)
    inputs = {
        "content": text,
        "paper": PAPERS[paper],
        "digest": content_hash(document),
        "logo": _logo(document.firm),
    }
    try:
        return _typeset(inputs, document.made_on, _fonts(with_system=bool(strange)))
    except typst.TypstError as error:
        if not strange:
            raise RinglandError(
                "The PDF could not be typeset; this is a fault in Ringland.",
                got=error.message,
                remedy="Write the report as HTML and report the fault.",
            ) from error
    # no font of this machine has these letters either
    inputs["content"] = text.translate(dict.fromkeys(map(ord, strange), _NO_GLYPH))
    return _typeset(inputs, document.made_on, _fonts(with_system=False))


def _typeset(inputs: dict[str, str], made_on: str, fonts: "Fonts") -> bytes:
    import typst

    template = files("ringland.report").joinpath("templates/report.typ").read_bytes()
    made = datetime.combine(date.fromisoformat(made_on), datetime.min.time(), tzinfo=UTC)
    pdf = typst.Compiler(template, font_paths=fonts, sys_inputs=inputs).compile(
        format="pdf", pdf_standards=["a-2a", "ua-1"], timestamp=made
    )
    assert isinstance(pdf, bytes)
    return pdf


def _logo(firm: Firm) -> str:
    """The logo as an SVG that holds it: the one way in for a picture as text."""
    if not firm.logo:
        return ""
    width, height = firm.logo_size
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}">'
        f'<image width="{width}" height="{height}" '
        f'href="data:{firm.logo_type};base64,{firm.logo}"/></svg>'
    )


@cache
def _fonts(*, with_system: bool) -> "Fonts":
    """Our fonts and the typesetter's; those of the machine only for letters these do not have."""
    from typst import Fonts

    with as_file(files("ringland.report").joinpath("fonts")) as folder:
        return Fonts(include_system_fonts=with_system, font_paths=[str(folder)])


def _strange_letters(text: str) -> frozenset[str]:
    """Letters of the text that our fonts do not have. Looked up only beyond plain Latin."""
    beyond = {letter for letter in text if letter >= _LATIN_END}
    return frozenset(beyond - _our_letters()) if beyond else frozenset()


@cache
def _our_letters() -> frozenset[str]:
    from matplotlib.ft2font import FT2Font

    with as_file(files("ringland.report").joinpath("fonts/Inter-Regular.otf")) as path:
        return frozenset(map(chr, FT2Font(str(path)).get_charmap()))

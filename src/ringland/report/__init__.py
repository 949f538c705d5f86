"""The report: frozen content made from an analysis, drawn as self-contained HTML or as PDF.

`build_document` makes the content, `render_document` and `render_pdf` draw it. Loaded on first
use: the command line needs the way numbers are written more often than a report.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ringland.report.content import build_document
    from ringland.report.document import Document, canonical_json, content_hash, from_json
    from ringland.report.firm import Firm, load_firm
    from ringland.report.html import render_document, render_html, write_html
    from ringland.report.pdf import render_pdf, write_pdf
    from ringland.report.visit import VisitFacts

__all__ = [
    "Document",
    "Firm",
    "VisitFacts",
    "build_document",
    "canonical_json",
    "content_hash",
    "from_json",
    "load_firm",
    "render_document",
    "render_html",
    "render_pdf",
    "write_html",
    "write_pdf",
]

_WHERE = {
    "Document": "document",
    "Firm": "firm",
    "VisitFacts": "visit",
    "build_document": "content",
    "canonical_json": "document",
    "content_hash": "document",
    "from_json": "document",
    "load_firm": "firm",
    "render_document": "html",
    "render_html": "html",
    "render_pdf": "pdf",
    "write_html": "html",
    "write_pdf": "pdf",
}


def __getattr__(name: str) -> object:
    """The named function or type, from the module that has it."""
    if name in _WHERE:
        return getattr(import_module(f"ringland.report.{_WHERE[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")

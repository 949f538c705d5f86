"""The report: a list of sections made from an analysis, rendered to one printable HTML file.

Loaded on first use: the command line needs the way numbers are written more often than a report.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ringland.report.html import render_html, write_html

__all__ = ["render_html", "write_html"]


def __getattr__(name: str) -> object:
    """The named function, from the module that has it."""
    if name in __all__:
        return getattr(import_module("ringland.report.html"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")

"""The report: a list of sections made from an analysis, rendered to one printable HTML file."""

from ringland.report.html import render_html, write_html

__all__ = ["render_html", "write_html"]

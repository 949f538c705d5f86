"""Report sections as plain data that a page can show, with figures a strict browser accepts.

matplotlib writes `style="..."` on every element, which a content policy without 'unsafe-inline'
ignores. All the properties it uses exist as attributes of SVG too, so they are written as such.
"""

import re
import threading
from dataclasses import asdict
from typing import Any

from ringland.figures import style
from ringland.figures.svg import inline_svg
from ringland.report.blocks import Picture, Section
from ringland.units import percent_kept_together

__all__ = ["DRAWING", "plain_picture", "plain_section", "strict_svg"]

DRAWING = threading.Lock()
"""matplotlib's settings belong to the whole process."""
_STYLE = re.compile(r'\sstyle="([^"]*)"')
_SHEET = re.compile(r"<defs>\s*<style[^>]*>.*?</style>\s*</defs>", re.DOTALL)
_ATTRIBUTES = frozenset({
    "fill", "fill-opacity", "fill-rule", "font-family", "font-size", "font-style", "font-weight",
    "image-rendering", "opacity", "stroke", "stroke-dasharray", "stroke-dashoffset",
    "stroke-linecap", "stroke-linejoin", "stroke-miterlimit", "stroke-opacity", "stroke-width",
    "text-anchor", "visibility",
})  # fmt: skip


def _as_attributes(match: re.Match[str]) -> str:
    found = []
    for declaration in match.group(1).split(";"):
        name, colon, value = declaration.partition(":")
        name, value = name.strip(), value.strip()
        if colon and name in _ATTRIBUTES:
            found.append(f'{name}="{value}"')
    return " " + " ".join(found) if found else ""


def strict_svg(svg: str) -> str:
    """The same figure without inline style."""
    text = _STYLE.sub(_as_attributes, _SHEET.sub("", svg))
    return text.replace("<svg ", '<svg stroke-linejoin="round" stroke-linecap="butt" ', 1)


def plain_picture(picture: Picture) -> dict[str, Any]:
    """A picture, drawn for a wide screen and for a phone."""
    with DRAWING:
        svg = inline_svg(picture.name, picture.size_in, picture.build, title=picture.title)
        size_in = picture.narrow_in or (style.NARROW_IN, picture.size_in[1])
        name = f"{picture.name}-narrow"
        narrow = inline_svg(name, size_in, picture.build, title=picture.title, tight=True)
    return {
        "kind": picture.kind,
        "name": picture.name,
        "heading": picture.heading,
        "caption": picture.caption,
        "svg": strict_svg(svg),
        "narrow": strict_svg(narrow),
    }


def _together(value: Any) -> Any:
    """The same with every percentage kept on one line."""
    if isinstance(value, str):
        return percent_kept_together(value)
    if isinstance(value, dict):
        return {name: _together(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [_together(one) for one in value]
    return value


def plain_section(section: Section) -> dict[str, Any]:
    """A section as dicts and lists; pictures are drawn and carry their SVG text."""
    blocks = [
        plain_picture(b) if isinstance(b, Picture) else _together(asdict(b)) for b in section.blocks
    ]
    return {
        "id": section.id,
        "title": section.title,
        "reader": section.reader,
        "blocks": blocks,
    }

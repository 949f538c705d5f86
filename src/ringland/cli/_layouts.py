"""The layout library as a list, and one layout as an engine file."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from ringland.errors import EngineError

if TYPE_CHECKING:
    from ringland.engines import Layout

__all__ = ["layout_as_toml", "layout_lines"]


def layout_lines(layouts: "Sequence[Layout]") -> list[str]:
    """One line per layout: id, cylinders, firing order."""
    width = max((len(layout.id) for layout in layouts), default=0)
    return [
        f"{layout.id:<{width}}  {layout.spec.cylinders:>2} cylinders  "
        f"{'-'.join(map(str, layout.spec.firing_order))}  {layout.title}"
        for layout in layouts
    ]


def layout_as_toml(name: str, layouts: "Sequence[Layout]") -> str:
    """One layout as an engine file to start from. Raises EngineError for an unknown id."""
    layout = next((layout for layout in layouts if layout.id == name), None)
    if layout is None:
        raise EngineError(
            "There is no layout with this id.",
            got=repr(name),
            allowed=", ".join(layout.id for layout in layouts),
            remedy="List them with: ringland engines list",
        )
    spec = layout.spec
    lines = [
        f"# {layout.title}. Source: {layout.source}",
        f'name = "{spec.name}"',
        f"cylinders = {spec.cylinders}",
        f"firing_order = {list(spec.firing_order)}",
        f"firing_angles_deg = {list(spec.firing_angles_deg)}",
    ]
    if spec.strokes != 4:
        lines.append(f"strokes = {spec.strokes}")
    if spec.outlet_count > 1:
        lines.append(f"outlets = {list(spec.outlets)}")
    if spec.banks is not None:
        lines.append(f"banks = {list(spec.banks)}")
    return "\n".join(lines) + "\n"

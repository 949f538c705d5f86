"""The layout library as a list, and one layout as an engine file."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ringland.engines import Layout

__all__ = ["layout_as_toml", "layout_lines"]


def layout_lines(layouts: "Sequence[Layout]") -> list[str]:
    """A head and one line per layout: id, cylinders, firing order, title."""
    rows = [("id", "cylinders", "firing order", "layout")]
    for layout in layouts:
        engine = layout.engine
        order = "-".join(map(str, engine.firing_order))
        rows.append((layout.id, str(engine.cylinders), order, layout.title))
    widths = [max(len(row[column]) for row in rows) for column in range(3)]
    return [
        "  ".join([*(text.ljust(w) for text, w in zip(row, widths, strict=False)), row[3]])
        for row in rows
    ]


def layout_as_toml(layout: "Layout") -> str:
    """One layout as an engine file to start from."""
    spec = layout.engine
    lines = [
        f"# {layout.id}: {layout.title}",
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

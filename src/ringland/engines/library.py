"""The layouts and firing orders that occur in practice, from data/layouts.toml."""

import difflib
import tomllib
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Any

from ringland.errors import EngineError
from ringland.model import EngineSpec

__all__ = ["Layout", "layout", "layouts"]


@dataclass(frozen=True)
class Layout:
    """One layout: its id as written in an engine file, a title, and the engine it describes."""

    id: str
    title: str
    engine: EngineSpec


@cache
def layouts() -> tuple[Layout, ...]:
    """All layouts: four-stroke from few cylinders to many, then two-stroke."""
    text = files("ringland").joinpath("data", "layouts.toml").read_text(encoding="utf-8")
    found: list[Layout] = []
    for row in tomllib.loads(text)["layout"]:
        one = _layout(row)
        found.append(one)
        if row.get("dual", False) and one.engine.banks is not None:
            title = f"{one.title}; one outlet per bank"
            engine = replace(one.engine, name=title, outlets=one.engine.banks)
            found.append(Layout(f"{one.id}-dual", title, engine))
    return tuple(found)


def layout(layout_id: str) -> Layout:
    """The layout with this id (case does not matter); EngineError with the nearest ones if none."""
    by_id = {one.id.casefold(): one for one in layouts()}
    found = by_id.get(layout_id.strip().casefold())
    if found is not None:
        return found
    near = difflib.get_close_matches(layout_id.casefold(), by_id, n=5, cutoff=0.4)
    shown = [by_id[n].id for n in near] or [one.id for one in layouts()]
    raise EngineError(
        f"There is no layout called '{layout_id}'.",
        got=layout_id,
        allowed=("nearest: " if near else "") + ", ".join(shown),
        remedy="Use one of these ids (ringland engines lists all), or give cylinders and "
        "firing_order instead.",
    )


def _layout(row: dict[str, Any]) -> Layout:
    order = tuple(int(c) for c in row["firing_order"].split("-"))
    strokes = row.get("strokes", 4)
    cycle_deg = 720.0 if strokes == 4 else 360.0
    steps = row.get("intervals_deg", [cycle_deg / len(order)])
    angles = [0.0]
    while len(angles) < len(order):
        angles.append(angles[-1] + float(steps[(len(angles) - 1) % len(steps)]))
    banks = row.get("banks")
    engine = EngineSpec(
        name=row["title"],
        cylinders=len(order),
        firing_order=order,
        firing_angles_deg=tuple(angles),
        strokes=strokes,
        banks=None if banks is None else tuple(banks),
    )
    return Layout(row["id"], row["title"], engine)

"""What a comparison says, in sentences for the owner and the workshop."""

from ringland.verify.alike import Weight
from ringland.verify.before_after import Change, Comparison, Direction
from ringland.verify.normal import NormalState, PlaceNormal

__all__ = ["place_of", "summary"]

_MOST_SENTENCES = 6


def place_of(cell: Change) -> str:
    """The cylinder, or the firing position when its number is not known, or all cylinders."""
    if cell.firing_position is None:
        return "all cylinders"
    if cell.cylinder is not None:
        return f"cylinder {cell.cylinder}"
    return f"position {cell.firing_position}"


def summary(comparison: Comparison, normal: tuple[PlaceNormal, ...] = ()) -> tuple[str, ...]:
    """The result in a few sentences, most important first."""
    if comparison.refused:
        refusals = [o for o in comparison.objections if o.weight is Weight.REFUSED]
        return ("These two recordings are not compared.", *(o.sentence for o in refusals))
    if not comparison.compared:
        return ("Nothing was measured in both recordings, so nothing can be said.",)
    said = [*_changed(comparison), *_normal(comparison, normal)]
    return tuple(said)


def _changed(comparison: Comparison) -> list[str]:
    changed = comparison.changed
    if not changed:
        return [
            f"No change is shown in any of {comparison.compared} comparisons. That does not mean "
            "that nothing changed: each line says how large a change had to be to count."
        ]
    said = []
    first = comparison.most_improved
    if first is not None:
        if comparison.certain:
            said.append(
                f"Something changed, and {place_of(first)} improved most (for certain): "
                f"{first.title.lower()}."
            )
        else:
            said.append(
                f"Something changed. Perhaps {place_of(first)} improved most "
                f"({first.title.lower()}), but that line does not count by itself."
            )
    else:
        said.append("Something changed, but no cylinder improved.")
    mirrored = [c for c in changed if _mirrors(c, first, changed)]
    leading = [c for c in changed if (c.leads or c.firing_position is None) and c not in mirrored]
    worse = [c for c in leading if c.direction is Direction.WORSE]
    shown = [*leading[:_MOST_SENTENCES], *(c for c in worse if c not in leading[:_MOST_SENTENCES])]
    said.extend(c.sentence for c in shown)
    if mirrored and first is not None:
        places = list(dict.fromkeys(place_of(c) for c in mirrored))
        said.append(
            f"{', '.join(places).capitalize()} went the other way by less than half as much: "
            f"cylinders are held against one another, and that is what a change in "
            f"{place_of(first)} does to the others."
        )
    rest = len(changed) - len(shown) - len(mirrored)
    if rest:
        said.append(
            f"{rest} more {'line' if rest == 1 else 'lines'} of the table changed, in metrics that "
            "follow these."
        )
    return said


def _mirrors(cell: Change, first: Change | None, changed: tuple[Change, ...]) -> bool:
    """True for a worsening less than half as large as the improvement of the same metric where it
    improved most (own heuristic: shares of a sum move against one another)."""
    if first is None or cell.direction is not Direction.WORSE or not cell.leads:
        return False
    same = [
        c
        for c in changed
        if c.direction is Direction.BETTER
        and (c.metric, c.role) == (cell.metric, cell.role)
        and c.firing_position == first.firing_position
    ]
    return any(abs(cell.change.value or 0.0) < 0.5 * abs(c.change.value or 0.0) for c in same)


def _normal(comparison: Comparison, normal: tuple[PlaceNormal, ...]) -> list[str]:
    if not normal:
        return []
    shown = [p for p in normal if p.state is NormalState.SHOWN]
    reference = (
        "the engine's own sound recording"
        if normal[0].compared_with == "own history"
        else "the other cylinders"
    )
    if len(shown) == len(normal):
        return [f"All {len(normal)} cylinders are normal, held against {reference}."]
    first = comparison.most_improved
    told = [p for p in normal if first is not None and p.firing_position == first.firing_position]
    rest = [p for p in normal if p.state is NormalState.NOT_NORMAL and p not in told]
    sentences = [p.sentence for p in (*told, *rest)]
    sentences.append(
        f"{len(shown)} of {len(normal)} cylinders are shown to be normal, held against {reference}."
    )
    return sentences

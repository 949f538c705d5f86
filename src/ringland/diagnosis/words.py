"""Names of faults and places as a mechanic says them."""

from collections.abc import Sequence

from ringland.diagnosis.knowledge import FailureMode

__all__ = ["fault_name", "place_name"]


def place_name(positions: Sequence[int], numbers: Sequence[int | None] | None) -> str:
    """ "cylinder 3", "firing position 4", "cylinders 2 and 3"; "" for the whole engine."""
    if not positions:
        return ""
    cylinders = [None if numbers is None else numbers[p - 1] for p in positions]
    known = [c for c in cylinders if c is not None]
    word, places = ("cylinder", known) if len(known) == len(cylinders) else ("firing position", [])
    shown = [str(p) for p in sorted(places or positions)]
    return f"{word}{'s' if len(shown) > 1 else ''} {' and '.join(shown)}"


def fault_name(
    mode: FailureMode, positions: Sequence[int], numbers: Sequence[int | None] | None
) -> str:
    """The mode's name with where it is."""
    place = place_name(positions, numbers)
    if not place:
        return mode.name
    if len(positions) > 1:
        return f"{mode.name} ({place})"
    return f"{mode.name} in {place}" if "cylinder" not in mode.name else f"{mode.name} ({place})"

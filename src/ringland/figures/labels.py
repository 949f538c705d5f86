"""What a firing position is called, the same words in every figure, table and sentence."""

import re
from collections.abc import Sequence

from ringland.model import Assignment, Cause, ChannelRole, MetricDefinition

__all__ = [
    "as_percent",
    "cause_name",
    "channel_title",
    "find_assignment",
    "position_name",
    "position_tag",
]

_SURE = 0.95
_LARGEST_RATIO = 10.0

_ROLE_WORDS = {
    ChannelRole.EXHAUST: "Exhaust",
    ChannelRole.EXHAUST_2: "Exhaust, second outlet",
    ChannelRole.CRANKCASE: "Crankcase",
    ChannelRole.IGNITION: "Ignition trigger",
    ChannelRole.INTAKE: "Intake",
    ChannelRole.STARTER_CURRENT: "Starter current",
    ChannelRole.CRANK_TOOTH: "Crank teeth",
    ChannelRole.CAM: "Cam",
    ChannelRole.SOUND: "Sound",
    ChannelRole.UNASSIGNED: "No role given",
}


def channel_title(role: ChannelRole) -> str:
    """The name of a channel role in a sentence or heading."""
    return _ROLE_WORDS[role]


def find_assignment(assignments: Sequence[Assignment], firing_position: int) -> Assignment | None:
    """The assignment of a firing position, or None."""
    return next((a for a in assignments if a.firing_position == firing_position), None)


def position_tag(assignments: Sequence[Assignment], firing_position: int) -> str:
    """Short name for an axis: "cyl 3" when the number is known, else "pos 2"."""
    assignment = find_assignment(assignments, firing_position)
    if assignment is None or assignment.cylinder is None:
        return f"pos {firing_position}"
    doubt = "" if assignment.probability >= _SURE else " ?"
    return f"cyl {assignment.cylinder}{doubt}"


def position_name(
    assignments: Sequence[Assignment], firing_position: int | None, *, count: int
) -> str:
    """Full name for a sentence; says what is not known about the numbering, and why."""
    if firing_position is None:
        return "the engine as a whole"
    assignment = find_assignment(assignments, firing_position)
    place = f"position {firing_position} of {count}"
    if assignment is None:
        return f"{place} (number not known)"
    if assignment.cylinder is None:
        why = f": {assignment.reason}" if assignment.reason else ""
        return f"{place} (number not known{why})"
    if assignment.probability < _SURE:
        chance = max(min(round(10 * assignment.probability), 9), 1)
        return f"cylinder {assignment.cylinder} (number {chance} in 10 sure; firing {place})"
    return f"cylinder {assignment.cylinder} (firing {place})"


def cause_name(cause: Cause, assignments: Sequence[Assignment]) -> str:
    """The cause with its place, unless its name says the place already."""
    if cause.firing_position is None or re.search(r"(cylinder|position)s? \d", cause.name):
        return cause.name
    assignment = find_assignment(assignments, cause.firing_position)
    if assignment is None or assignment.cylinder is None:
        return f"{cause.name}, firing position {cause.firing_position}"
    doubt = "" if assignment.probability >= _SURE else " (number not certain)"
    return f"{cause.name}, cylinder {assignment.cylinder}{doubt}"


def as_percent(definition: MetricDefinition) -> bool:
    """True when values are shown in per cent: bare ratios, but not counts or shape numbers."""
    largest = max(abs(definition.valid_low), abs(definition.valid_high))
    return definition.unit == "1" and largest <= _LARGEST_RATIO


def with_place_names(text: str, assignments: Sequence[Assignment]) -> str:
    """The text with "Position 4:" at the beginning of a sentence turned into the cylinder it is,
    where that is known."""

    def named(match: re.Match[str]) -> str:
        assignment = find_assignment(assignments, int(match.group(1)))
        if assignment is None or assignment.cylinder is None or assignment.probability < _SURE:
            return match.group()
        return f"Cylinder {assignment.cylinder}:"

    return re.sub(r"(?:^|(?<=[.!?] ))Position (\d+):", named, text)

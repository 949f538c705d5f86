"""Small pieces of wording that several sections share."""

from ringland.figures.labels import cause_name, position_name
from ringland.model import Analysis, Cause, Condition, PhaseSource, Reference, State, Verdict

__all__ = [
    "COMPARISON_WORDS",
    "CONDITION_WORDS",
    "PHASE_WORDS",
    "STATE_WORDS",
    "VERDICT_WORDS",
    "because",
    "capital",
    "cause_of",
    "listed",
    "name_of",
    "numbering",
    "plural",
    "sentence",
]

STATE_WORDS = {
    State.NORMAL: "normal",
    State.ALERT: "alert",
    State.ALARM: "ALARM",
    State.NOT_JUDGED: "not judged",
}
VERDICT_WORDS = {
    Verdict.OK: "OK",
    Verdict.SUSPECT: "SUSPECT",
    Verdict.UNUSABLE: "UNUSABLE",
    Verdict.NOT_CHECKED: "not checked",
}
CONDITION_WORDS = {
    Condition.IDLE: "idle",
    Condition.HELD: "speed held",
    Condition.CRANKING: "cranking",
    Condition.SNAP: "snap of the throttle",
    Condition.UNKNOWN: "not said",
}
PHASE_WORDS = {
    PhaseSource.TOOTH_WHEEL: "teeth of the crank wheel",
    PhaseSource.TRIGGER: "trigger",
    PhaseSource.PULSES: "the pulses themselves, no trigger",
}


COMPARISON_WORDS = {
    "own cylinders": "the other cylinders of this engine",
    "own history": "earlier recordings of this engine",
    "limit": "a fixed limit",
}


def numbering(analysis: Analysis) -> str:
    """A sentence on what the positions count from; empty when every cylinder number is known."""
    if analysis.cycles is None or analysis.cycles.reference is Reference.CYLINDER:
        return ""
    reason = analysis.cycles.reference_reason.strip().rstrip(".") or "no reason was recorded"
    arbitrary = analysis.cycles.reference is Reference.ARBITRARY
    start = " from an arbitrary start" if arbitrary else ""
    return (
        f" Positions 1 to {analysis.engine.cylinders} are in firing order{start}; cylinder numbers "
        f"are not known: {reason}."
    )


def capital(text: str) -> str:
    """The text with its first letter large."""
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """The text as a sentence: first letter large, a full stop at the end."""
    text = text.strip()
    return capital(text) if not text or text[-1] in ".!?" else f"{capital(text)}."


def because(reason: str | None) -> str:
    """ "not judged because ..." with the reason, or saying that none was kept."""
    given = (reason or "").strip().rstrip(".")
    return f"Not judged because {given or 'no reason was recorded'}."


def plural(count: int, one: str, many: str | None = None) -> str:
    """A count with its noun: "1 cycle", "3 cycles"."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def listed(items: list[str]) -> str:
    """Items joined as in a sentence: "a, b and c"."""
    if len(items) <= 1:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


def name_of(analysis: Analysis, firing_position: int | None) -> str:
    """What a firing position of this analysis is called in a sentence."""
    assignments = () if analysis.cylinders is None else analysis.cylinders.assignments
    return position_name(assignments, firing_position, count=analysis.engine.cylinders)


def cause_of(analysis: Analysis, cause: Cause) -> str:
    """What a cause of this analysis is called in a sentence, with its place."""
    assignments = () if analysis.cylinders is None else analysis.cylinders.assignments
    return cause_name(cause, assignments)

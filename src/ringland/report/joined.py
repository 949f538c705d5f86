"""Several recordings in one ranking: a line for each, with what it said and what it moved."""

from ringland.figures.labels import cause_name
from ringland.model import Analysis, Cause, JoinedRecording
from ringland.report.blocks import Block, Cell, Group, Paragraph, Table
from ringland.report.numbers import write_odds
from ringland.report.words import CONDITION_WORDS, plural, sentence

__all__ = ["joined_blocks"]

_MOST_CAUSES = 2
_LEAST = 0.02


def joined_blocks(analysis: Analysis) -> list[Block]:
    """Which recordings the causes rest on; nothing where it is this one alone."""
    diagnosis = analysis.diagnosis
    if diagnosis is None or not diagnosis.recordings:
        return []
    counted = [r for r in diagnosis.recordings if r.left_out is None]
    leading = [c for c in diagnosis.causes[:_MOST_CAUSES] if c.probability >= _LEAST]
    head = ("Recording", "By itself it says", "Counts for", *(_name(analysis, c) for c in leading))
    rows = tuple(_row(r, len(leading)) for r in diagnosis.recordings)
    return [
        Paragraph(
            f"These causes rest on {plural(len(counted), 'recording')} together. Recordings of "
            "one engine share its peculiarities, so each counts for less than it would alone."
            if len(counted) > 1
            else "These causes rest on this recording alone; the others could not be counted."
        ),
        Table("What each recording said, and by how many bits it moved the causes", head,
              (Group("", rows),)),
        *_turned(counted),
    ]  # fmt: skip


def _name(analysis: Analysis, cause: Cause) -> str:
    assignments = () if analysis.cylinders is None else analysis.cylinders.assignments
    return cause_name(cause, assignments)


def _row(one: JoinedRecording, causes: int) -> tuple[Cell, ...]:
    speed = "" if one.speed_rpm is None else f"{one.speed_rpm:.0f} rpm"
    how = CONDITION_WORDS[one.condition]
    then = f"{how}, {speed}" if speed else how
    if one.earlier:
        then = f"{then}; an earlier visit"
    name = Cell(one.name, then=then)
    if one.left_out is not None:
        nothing = (Cell("–", number=True),) * causes
        return (name, Cell(f"Left out: {sentence(one.left_out)}"), Cell("–", number=True), *nothing)
    moved = tuple(Cell(f"{bits:+.1f} bits", number=True) for bits in one.bits[:causes])
    return (name, Cell(_said(one)), Cell(f"{100 * one.weight:.0f} %", number=True), *moved)


def _said(one: JoinedRecording) -> str:
    if one.healthy is None or one.leading_probability is None:
        return "–"
    if one.healthy >= one.leading_probability:
        return f"Nothing wrong: {write_odds(one.healthy)}"
    return f"{one.leading}: {write_odds(one.leading_probability)}"


def _turned(counted: list[JoinedRecording]) -> list[Block]:
    names = [r.name for r in counted if r.turned]
    if not names:
        return []
    return [
        Paragraph(
            f"Which position is which could not be matched for {', '.join(names)}: every turn of "
            "the firing order was weighed alike, so it says what is wrong but hardly where."
        )
    ]

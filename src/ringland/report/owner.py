"""The owner's part: what it means, what to do by when, and what it may cost."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from ringland.model import Analysis, Cause, Diagnosis, State, Verdict
from ringland.report.blocks import Block, Cell, Facts, Group, Paragraph, Points, Section, Table
from ringland.report.firm import Firm
from ringland.report.numbers import write_odds, write_plain
from ringland.report.reasons import why_not
from ringland.report.visit import VisitFacts
from ringland.report.words import capital, cause_of, name_of, sentence

if TYPE_CHECKING:
    from ringland.diagnosis.knowledge import FailureMode

__all__ = ["cost_section", "meaning_section", "owner_actions_section", "visit_section"]

_LEAST_SAID = 0.1
_MOST_SAID = 3
# Hours in a workshop's list are common practice without a source; the true work is taken to lie
# between half and twice of it 9 times in 10 (own estimate).
_HOURS_SPREAD = 2.0


def visit_section(visit: VisitFacts) -> Section:
    """Vehicle, owner, odometer, technician, date: given, or lines to write on."""
    return Section(
        "visit", "Vehicle and visit", (Facts(visit.rows, own_words=True),), reader="owner"
    )


def _leading(diagnosis: Diagnosis) -> Sequence[Cause]:
    ranked = sorted(diagnosis.causes, key=lambda c: -c.probability)
    return [c for c in ranked[:_MOST_SAID] if c.probability >= _LEAST_SAID]


def meaning_section(analysis: Analysis) -> Section:
    """What the leading explanations are, and what happens if the engine is run on."""
    title = "What it means"
    diagnosis = analysis.diagnosis
    if diagnosis is None:
        return Section("meaning", title, (Paragraph(why_not(analysis)),), reader="owner")
    sound = f"{write_odds(diagnosis.healthy)}: nothing wrong."
    leading = _leading(diagnosis)
    ranked = [(c.probability, _explained(analysis, c, c is leading[0])) for c in leading]
    if diagnosis.healthy >= _LEAST_SAID:
        ranked.append((diagnosis.healthy, sound))
    ranked.sort(key=lambda e: -e[0])
    leads = ("Best explanation", *("Then" for _ in ranked))
    lines = tuple(f"{lead}, {said}" for lead, (_, said) in zip(leads, ranked, strict=False))
    if not lines:
        lines = ("No single cause stands out. One more check tells more than a guess.",)
    return Section("meaning", title, (Points(lines),), reader="owner")


def _explained(analysis: Analysis, cause: Cause, fully: bool) -> str:
    said = f"{write_odds(cause.probability)}: {cause_of(analysis, cause)}."
    mode = _modes().get(cause.failure_mode)
    if mode is None:
        return said
    if fully:
        said += f" {sentence(mode.mechanism)}"
    return f"{said} If run on: {sentence(mode.consequences)}"


def _modes() -> "dict[str, FailureMode]":
    from ringland.diagnosis.knowledge import load_knowledge

    return {mode.id: mode for mode in load_knowledge().modes}


def owner_actions_section(analysis: Analysis) -> Section:
    """What to do and by when, in the owner's words, and what to check first."""
    blocks: list[Block] = []
    diagnosis = analysis.diagnosis
    if diagnosis is None:
        blocks.append(Paragraph(why_not(analysis)))
    elif not diagnosis.actions:
        blocks.append(Paragraph("No action follows from this evidence."))
    else:
        # cleaning and repair often say the same to an owner
        said = dict.fromkeys((a.urgency, a.owner_words) for a in diagnosis.actions)
        rows = [(Cell(capital(when), strong=True), Cell(what)) for when, what in said]
        rows += [(Cell("To check"), Cell(what)) for what in _to_check(analysis)]
        blocks.append(Table("", ("By when", "What"), (Group("", tuple(rows)),)))
        return Section("to-do", "What to do, and by when", tuple(blocks), reader="owner")
    blocks.append(Points(tuple(_to_check(analysis)), "What to check"))
    return Section("to-do", "What to do, and by when", tuple(blocks), reader="owner")


def _to_check(analysis: Analysis) -> list[str]:
    said = []
    if analysis.diagnosis is not None and analysis.diagnosis.next_tests:
        test = analysis.diagnosis.next_tests[0]
        where = (
            "" if test.firing_position is None else f" on {name_of(analysis, test.firing_position)}"
        )
        said.append(f"{capital(test.title)}{where} (about {test.minutes:.0f} minutes).")
    said += list(
        dict.fromkeys(
            sentence(f.action)
            for f in analysis.quality.findings
            if f.action and f.verdict in (Verdict.SUSPECT, Verdict.UNUSABLE)
        )
    )
    if not said:
        said.append(_nothing_named(analysis))
    return said


def _nothing_named(analysis: Analysis) -> str:
    if analysis.symptoms is None:
        return "Put right what the quality table names, then record again."
    states = {s.state for s in analysis.symptoms.symptoms}
    if states & {State.ALARM, State.ALERT}:
        return (
            "Record once more to see whether it repeats, then test the cylinder named above by the "
            "engine maker's procedure before anything is taken apart."
        )
    return "Nothing on this evidence. Keep the recording as a baseline for the next visit."


def cost_section(analysis: Analysis, firm: Firm) -> Section:
    """Work that the leading causes would need, in hours, and in money where a rate is known."""
    title = "What it may cost"
    diagnosis = analysis.diagnosis
    if diagnosis is None:
        return Section("cost", title, (Paragraph(why_not(analysis)),), reader="owner")
    modes = _modes()
    rows = [
        (
            Cell(capital(cause_of(analysis, cause))),
            Cell(write_odds(cause.probability)),
            Cell(_hours(modes[cause.failure_mode].repair_hours)),
            Cell(_price(modes[cause.failure_mode].repair_hours, firm)),
        )
        for cause in _leading(diagnosis)
        if cause.failure_mode in modes
    ]
    if not rows:
        text = "No repair is likely enough to put a price on it."
        return Section("cost", title, (Paragraph(text),), reader="owner")
    head = ("If it is", "How likely", "Work, parts not counted", "Labour")
    blocks: list[Block] = [Table("", head, (Group("", tuple(rows)),))]
    note = (
        "Hours are common practice and wide on purpose: half to twice the usual time. Parts, and "
        "damage that only shows when the engine is open, come on top."
    )
    if firm.labour_per_hour is None:
        note += " No labour rate was given, so no price stands here."
    blocks.append(Paragraph(note))
    return Section("cost", title, tuple(blocks), reader="owner")


def _hours(hours: float) -> str:
    low, high = write_plain(hours / _HOURS_SPREAD), write_plain(hours * _HOURS_SPREAD)
    return f"about {write_plain(hours)} hours ({low} to {high})"


def _price(hours: float, firm: Firm) -> str:
    if firm.labour_per_hour is None:
        return "–"
    price = hours * firm.labour_per_hour
    low, high = (_round(price / _HOURS_SPREAD), _round(price * _HOURS_SPREAD))
    return f"{low} to {high} {firm.currency}"


def _round(price: float) -> str:
    """A price to two figures: more would claim more than is known."""
    return write_plain(float(f"{price:.2g}"))

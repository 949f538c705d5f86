"""Why, what to check next, and what to do: the part of the report that rests on ranked causes."""

from functools import partial

from ringland.figures import causes, next_test
from ringland.model import Analysis, Cause, Diagnosis, NextTest
from ringland.report.blocks import Block, Paragraph, Picture, Points, Section, Warn
from ringland.report.joined import joined_blocks
from ringland.report.numbers import write_estimate, write_odds
from ringland.report.words import because, capital, cause_of, name_of, sentence

__all__ = [
    "actions_section",
    "causes_section",
    "cautions_block",
    "next_tests_section",
    "why_not",
]

_LEAST_EXPLAINED = 0.05
_MOST_EXPLAINED = 4
_MOST_TESTS = 3


def why_not(analysis: Analysis) -> str:
    """Why there are no causes, as a sentence."""
    if analysis.symptoms is None:
        return because(analysis.not_judged or "nothing was measured per cylinder")
    return because("this analysis ends at what was measured; no causes were ranked")


def causes_section(analysis: Analysis) -> Section:
    """Ranked causes and the evidence for and against the leading ones."""
    title = "What could explain it"
    diagnosis = analysis.diagnosis
    if diagnosis is None:
        return Section("causes", title, (Paragraph(why_not(analysis)),))
    assignments = () if analysis.cylinders is None else analysis.cylinders.assignments
    bars = causes.prepare(diagnosis, assignments)
    blocks: list[Block] = []
    if diagnosis.resembles_nothing is not None:
        blocks.append(Paragraph(sentence(diagnosis.resembles_nothing)))
    blocks.append(
        Picture(
            "causes",
            "Probability of each cause, with none of these",
            "The bars add up to the whole. The hatched one stands for whatever is not listed.",
            causes.size_in(bars),
            partial(causes.compose, bars=bars),
            narrow_in=causes.size_in(bars, narrow=True),
        )
    )
    blocks += joined_blocks(analysis)
    ranked = sorted(diagnosis.causes, key=lambda c: -c.probability)[:_MOST_EXPLAINED]
    for index, cause in enumerate(c for c in ranked if c.probability >= _LEAST_EXPLAINED):
        blocks += _cause_blocks(analysis, cause, index)
    if diagnosis.notes:
        blocks.append(Points(tuple(sentence(n) for n in diagnosis.notes), "Notes"))
    return Section("causes", title, tuple(blocks))


def _cause_blocks(analysis: Analysis, cause: Cause, index: int) -> list[Block]:
    severity = write_estimate(cause.severity)
    size = (
        f"How bad, if so: {severity.text}."
        if severity.reason is None
        else f"How bad: not known ({severity.reason})."
    )
    blocks: list[Block] = []
    assignments = () if analysis.cylinders is None else analysis.cylinders.assignments
    bars = causes.prepare_evidence(cause, assignments)
    heading = f"{cause_of(analysis, cause)}: {write_odds(cause.probability)}"
    if cause.present is not None and cause.present > cause.probability + 0.05:
        size += f" There at all, alone or beside another fault: {write_odds(cause.present)}."
    if bars:
        blocks.append(
            Picture(
                f"evidence-{index}",
                f"Evidence for and against {cause.name}",
                f"One bit doubles or halves the odds. {size}",
                causes.size_in_evidence(bars),
                partial(causes.compose_evidence, bars=bars),
                heading,
                narrow_in=causes.size_in_evidence(bars, narrow=True),
            )
        )
    else:
        blocks.append(Points((size, "No single piece of evidence was weighed."), heading))
    if cause.would_also_show:
        blocks.append(
            Points(
                tuple(sentence(s) for s in cause.would_also_show),
                "Would also show, if this were the cause",
            )
        )
    return blocks


def next_tests_section(analysis: Analysis) -> Section:
    """What to check next, and what each answer would change."""
    title = "What to check next"
    diagnosis = analysis.diagnosis
    if diagnosis is None:
        return Section("next-tests", title, (Paragraph(why_not(analysis)),))
    if not diagnosis.next_tests:
        text = "No test on the list would change the ranking enough to be worth its minutes."
        return Section("next-tests", title, (Paragraph(text),))
    blocks: list[Block] = []
    for index, test in enumerate(diagnosis.next_tests[:_MOST_TESTS]):
        blocks += _test_blocks(analysis, test, index)
    blocks += _answers(diagnosis)
    return Section("next-tests", title, tuple(blocks))


def _test_blocks(analysis: Analysis, test: NextTest, index: int) -> list[Block]:
    tree = next_test.prepare(test)
    where = "" if test.firing_position is None else f" on {name_of(analysis, test.firing_position)}"
    needs = ", ".join(test.equipment) or "nothing beyond hand tools"
    blocks: list[Block] = [
        Picture(
            f"next-{index}",
            f"What each answer of {test.title} would do to the ranking",
            f"Needs: {needs}. Expected gain {test.information_bits:.2g} bits in about "
            f"{test.minutes:.0f} minutes.",
            next_test.size_in(tree),
            partial(next_test.compose, tree=tree),
            f"{index + 1}. {capital(test.title)}{where} ({test.minutes:.0f} minutes)",
            narrow_in=next_test.size_in(tree, narrow=True),
        )
    ]
    if test.cautions:
        blocks.append(cautions_block(test.cautions))
    return blocks


def cautions_block(cautions: tuple[str, ...]) -> Warn:
    """Cautions that belong to the step above them."""
    return Warn((("Caution", " ".join(sentence(c) for c in cautions)),))


def _answers(diagnosis: Diagnosis) -> list[Block]:
    if not diagnosis.answers:
        return []
    lines = tuple(f"{capital(a.test)}: {a.outcome}" for a in diagnosis.answers)
    return [Points(lines, "Answers already counted in")]


def actions_section(analysis: Analysis) -> Section:
    """What to do and by when, in the workshop's words."""
    title = "What to do in the workshop"
    diagnosis = analysis.diagnosis
    if diagnosis is None:
        return Section("actions", title, (Paragraph(why_not(analysis)),))
    if not diagnosis.actions:
        return Section("actions", title, (Paragraph("No action follows from this evidence."),))
    blocks: list[Block] = []
    for action in diagnosis.actions:
        lines = (
            action.workshop_words,
            *(f"Why: {reason}" for reason in action.reasons),
        )
        blocks.append(
            Points(lines, f"{capital(action.action.replace('_', ' '))}: {action.urgency}")
        )
        if action.cautions:
            blocks.append(cautions_block(action.cautions))
    return Section("actions", title, tuple(blocks))

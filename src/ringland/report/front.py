"""The first page: what was found, how sure that is, what is not known, what to check."""

import re

from ringland.model import Analysis, Reference, State, Symptom, SymptomTable, Verdict
from ringland.report.blocks import Block, Facts, Finding, Findings, Points, Section
from ringland.report.numbers import write_estimate, write_odds
from ringland.report.words import (
    CONDITION_WORDS,
    PHASE_WORDS,
    STATE_WORDS,
    because,
    capital,
    listed,
    name_of,
    plural,
    sentence,
)

__all__ = ["facts_section", "headline_section"]

_MOST_SENTENCES = 4


def headline_section(analysis: Analysis) -> Section:
    """The whole result in sentences."""
    blocks: list[Block] = [Findings(_found(analysis))]
    for heading, items in (
        ("How sure", _how_sure(analysis)),
        ("Not known", _not_known(analysis)),
    ):
        if items:
            blocks.append(Points(tuple(items), heading))
    return Section("found", "What was found", tuple(blocks), reader="owner")


def _found(analysis: Analysis) -> tuple[Finding, ...]:
    if analysis.symptoms is None:
        text = because(analysis.not_judged)
        return (Finding("This recording", State.NOT_JUDGED, "not judged", (text,)),)
    findings = [
        _finding(analysis, position, state)
        for state in (State.ALARM, State.ALERT)
        for position in _positions_in(analysis.symptoms, state)
    ]
    judged = [s for s in analysis.symptoms.symptoms if s.state is not State.NOT_JUDGED]
    if not judged:
        text = because(analysis.not_judged or "no value could be compared")
        return (Finding("No cylinder", State.NOT_JUDGED, "not judged", (text,)),)
    if not findings:
        positions = {s.firing_position for s in judged if s.firing_position is not None}
        who = (
            "All cylinders"
            if len(positions) == analysis.engine.cylinders
            else f"{plural(len(positions), 'cylinder')} of {analysis.engine.cylinders}"
        )
        text = "Nothing measured here differs from the comparison by more than its limit."
        findings.append(Finding(who, State.NORMAL, "normal", (text,)))
    if analysis.diagnosis is not None and analysis.diagnosis.resembles_nothing is not None:
        unlike = sentence(analysis.diagnosis.resembles_nothing)
        findings.insert(0, Finding("Unlike anything simulated", "", "", (unlike,)))
    return tuple(findings)


def _positions_in(table: SymptomTable, state: State) -> list[int | None]:
    """Positions whose worst state is this one, in firing order, the engine as a whole last."""
    positions = dict.fromkeys(s.firing_position for s in table.symptoms)
    found = [p for p in positions if table.state_of(p) is state]
    return sorted(found, key=lambda p: (p is None, p or 0))


def _finding(analysis: Analysis, position: int | None, state: State) -> Finding:
    assert analysis.symptoms is not None  # narrowed by the caller
    own = [s for s in analysis.symptoms.symptoms if s.firing_position == position]
    told = [s for s in own if s.state is State.ALARM] + [s for s in own if s.state is State.ALERT]
    said = tuple(
        dict.fromkeys(
            sentence(text) for s in told for text in (_said(analysis, s), s.reason) if text
        )
    )
    more = len(said) - _MOST_SENTENCES
    if more > 0:
        kept = said[:_MOST_SENTENCES]
        said = (*kept, f"{plural(more, 'more difference')}: see the table of this cylinder.")
    return Finding(capital(name_of(analysis, position)), state, STATE_WORDS[state], said)


def _said(analysis: Analysis, symptom: Symptom) -> str:
    """The sentence of a symptom, or its numbers when nobody worded it."""
    if symptom.sentence:
        return re.sub(r"^Position \d+:\s*", "", symptom.sentence)  # the heading says where
    title = symptom.metric
    if analysis.metrics is not None:
        title = analysis.metrics.definition(symptom.metric).title
    return (
        f"{title}: differs from {symptom.compared_with} by {write_estimate(symptom.deviation).text}"
    )


def _how_sure(analysis: Analysis) -> list[str]:
    said = []
    if analysis.diagnosis is not None:
        none = write_odds(analysis.diagnosis.none_of_these)
        said.append(f"None of the causes listed: {none}.")
    if analysis.symptoms is not None:
        said.append(
            "The limits allow for "
            f"{1000 * analysis.symptoms.alarm_rate:.0f} false alarms and "
            f"{1000 * analysis.symptoms.alert_rate:.0f} false alerts in 1000 recordings of sound "
            "engines whose cylinders differ as much as assumed; engines that differ more give more."
        )
    if analysis.cycles is not None:
        speed = write_estimate(analysis.cycles.mean_speed_rpm)
        said.append(
            f"Measured on {len(analysis.cycles.kept)} of {plural(analysis.cycles.found, 'cycle')} "
            f"at {speed.text}. Ranges in brackets are 90 % intervals unless another is named."
        )
    return said


def _not_known(analysis: Analysis) -> list[str]:
    said = []
    if analysis.cycles is not None and analysis.cycles.reference is not Reference.CYLINDER:
        said.append(
            f"Which cylinder has which number: {analysis.cycles.reference_reason.rstrip('.')}. "
            f"Pulses are counted as firing positions 1 to {analysis.engine.cylinders}, and the "
            "figures and tables say so."
        )
    if analysis.symptoms is not None:
        left_out = [s for s in analysis.symptoms.symptoms if s.state is State.NOT_JUDGED]
        if left_out:
            reasons = dict.fromkeys(s.reason.rstrip(".") for s in left_out if s.reason)
            said.append(
                f"{len(left_out)} of {plural(len(analysis.symptoms.symptoms), 'value')} "
                f"{'was' if len(left_out) == 1 else 'were'} not judged"
                + (f": {'; '.join(reasons)}." if reasons else ".")
            )
    if analysis.diagnosis is None:
        said.append(_no_causes(analysis))
    said += [
        sentence(f.message)
        for f in analysis.quality.findings
        if f.verdict in (Verdict.SUSPECT, Verdict.UNUSABLE)
    ]
    return said


def _no_causes(analysis: Analysis) -> str:
    if analysis.symptoms is None:
        return "What is wrong, if anything: the recording could not be judged."
    return "Why: no causes were ranked in this analysis. It ends at what was measured."


def facts_section(analysis: Analysis) -> Section:
    """The engine and the recording."""
    engine = analysis.engine
    rows = [
        ("Engine", engine.name or "not named"),
        ("Cylinders", f"{engine.cylinders}, {'four' if engine.strokes == 4 else 'two'}-stroke"),
        ("Firing order", "-".join(str(c) for c in engine.firing_order)),
        ("Recording", analysis.recording.source.name),
        ("Engine was run at", CONDITION_WORDS[analysis.recording.condition]),
    ]
    if analysis.recording.channels or analysis.recording.edges:
        rows.append(("Length", f"{analysis.recording.duration_s:.1f} s"))
    cycles = analysis.cycles
    if cycles is None:
        rows.append(("Speed and cycles", because(analysis.not_judged)))
    else:
        rows += [
            ("Speed", write_estimate(cycles.mean_speed_rpm).text),
            (
                "Cycles",
                f"{cycles.found} found, {len(cycles.kept)} used, {len(cycles.dropped)} dropped",
            ),
            ("Crank angle from", PHASE_WORDS[cycles.phase_source]),
            ("Cylinder numbers", capital(cycles.reference_reason) or "no reason was recorded"),
        ]
    channels = _channels(analysis)
    rows.append(("Channels", listed(channels) or "not kept in a saved analysis"))
    return Section("facts", "Engine and recording", (Facts(tuple(rows)),))


def _channels(analysis: Analysis) -> list[str]:
    recording = analysis.recording
    return [f"{c.name} ({c.role.value.replace('_', ' ')})" for c in recording.channels] + [
        f"{e.name} ({e.role.value.replace('_', ' ')})" for e in recording.edges
    ]

"""An analysis as a few sentences and one small table, for a terminal.

States are words, never colours; every number has its interval; names from files are escaped.
"""

from collections import Counter
from dataclasses import replace
from pathlib import Path

from rich.console import Console
from rich.padding import Padding
from rich.table import Table

from ringland.cli._text import plain
from ringland.model import (
    Analysis,
    Assignment,
    Cause,
    Channel,
    Condition,
    CycleSet,
    Diagnosis,
    EdgeTrain,
    Estimate,
    MetricDefinition,
    QualityFinding,
    QualityReport,
    Recording,
    State,
    Symptom,
    Verdict,
)
from ringland.report.numbers import write_estimate, write_odds
from ringland.units import from_si

__all__ = ["print_quality", "print_summary"]

CAUTION = (
    "This is an aid to judgement. The engine maker's procedure, local rules and a licensed "
    "mechanic decide. Exhaust gas kills: ventilate or extract. Keep clear of hot and turning parts."
)
_STATE_WORDS = {
    State.NORMAL: "normal",
    State.ALERT: "alert",
    State.ALARM: "ALARM",
    State.NOT_JUDGED: "not judged",
}
_VERDICT_WORDS = {
    Verdict.OK: "fit to judge",
    Verdict.SUSPECT: "suspect",
    Verdict.UNUSABLE: "not fit to judge",
    Verdict.NOT_CHECKED: "not checked",
}
_CONDITION_WORDS = {
    Condition.IDLE: "at idle",
    Condition.HELD: "at a held speed",
    Condition.CRANKING: "cranking",
    Condition.SNAP: "snap throttle",
    Condition.UNKNOWN: "how the engine was run was not said",
}
_TROUBLE = frozenset({Verdict.SUSPECT, Verdict.UNUSABLE})
_OPEN = _TROUBLE | {Verdict.NOT_CHECKED}
_SOURCE_WORDS = {
    "tooth_wheel": "the crank tooth wheel",
    "trigger": "the trigger",
    "pulses": "the pulses themselves",
}
_MOST_METRICS = 4
_FIXED = 3
_GAP = 2
_INTERVALS = "The report and the JSON hold all. An interval holds the truth 9 times in 10."
_DEVIATES = (State.ALARM, State.ALERT)
_WORST_FIRST = (State.ALARM, State.ALERT, State.NORMAL, State.NOT_JUDGED)


def print_summary(analysis: Analysis, report_path: Path | None = None) -> None:
    """Print what was found to standard output."""
    out = _Printer()
    _recording(out, analysis.recording)
    _quality(out, analysis.quality, show=_TROUBLE)
    if analysis.cycles is not None:
        _cycles(out, analysis.cycles)
    if analysis.not_judged is not None:
        out.heading("Not judged")
        out.say(analysis.not_judged)
    _cylinders(out, analysis)
    _symptoms(out, analysis)
    if analysis.diagnosis is not None:
        _causes(out, analysis.diagnosis)
        _next(out, analysis.diagnosis)
    if analysis.notes:
        out.heading("Notes")
        out.items(analysis.notes)
    out.heading("Caution")
    out.say(CAUTION)
    if report_path is not None:
        out.say(f"The report is in {report_path}.")


def print_quality(
    report: QualityReport, recording: Recording, *, every_check: bool = False
) -> None:
    """Print the verdicts on a recording, each finding with what to do.

    Checks that found nothing are counted, and listed only with `every_check`.
    """
    out = _Printer()
    _recording(out, recording)
    _quality(out, report, show=frozenset(Verdict) if every_check else _OPEN)
    unusable = [n for n in report.channels if report.verdict(n) is Verdict.UNUSABLE]
    suspect = [n for n in report.channels if report.verdict(n) is Verdict.SUSPECT]
    out.heading("Before the sensors come off")
    if unusable:
        out.say(f"Record again. Not fit to judge: {_listed(unusable)}.")
    elif suspect:
        out.say(f"Look at this first: {_listed(suspect)}.")
    else:
        out.say("Fit to judge. The sensors can come off.")


class _Printer:
    """Standard output without markup or colour; every text is escaped on the way out."""

    def __init__(self) -> None:
        self._console = Console(markup=False, highlight=False, emoji=False, no_color=True)

    def heading(self, text: str) -> None:
        """A line that opens a part."""
        self._console.print()
        self._console.print(plain(text), style="bold")

    def say(self, text: str) -> None:
        """A sentence, wrapped to the width of the terminal."""
        self._console.print(plain(text))

    def items(self, texts: tuple[str, ...] | list[str]) -> None:
        """One indented paragraph each."""
        for text in texts:
            self._console.print(Padding(plain(f"- {text}"), (0, 0, 0, 2), expand=False))

    @property
    def width(self) -> int:
        """Characters in a line."""
        return self._console.width

    def table(self, columns: list[list[str]]) -> None:
        """Columns of text, the head of each first."""
        table = Table(box=None, pad_edge=False, padding=(0, _GAP, 0, 0))
        for head, *_ in columns:
            table.add_column(plain(head), overflow="fold")
        for cells in zip(*(column[1:] for column in columns), strict=True):
            table.add_row(*(plain(cell) for cell in cells))
        self._console.print(table)


def _number(estimate: Estimate) -> str:
    """The value with its interval in a unit of handy size."""
    if estimate.unit == "m2" and None not in (estimate.value, estimate.low, estimate.high):
        small = [
            from_si(float(n), "mm2")
            for n in (estimate.value, estimate.low, estimate.high)
            if n is not None
        ]
        estimate = replace(
            estimate, value=small[0], low=small[1], high=small[2], unit="mm\N{SUPERSCRIPT TWO}"
        )
    return write_estimate(estimate).text


def _listed(names: list[str]) -> str:
    return ", ".join(name or "the recording as a whole" for name in names)


def _recording(out: _Printer, recording: Recording) -> None:
    out.say(
        f"{recording.source.name}: {recording.duration_s:.3g} s, "
        f"{_CONDITION_WORDS[recording.condition]}."
    )
    signals: tuple[Channel | EdgeTrain, ...] = (*recording.channels, *recording.edges)
    out.heading("Channels")
    out.items([_channel_words(signal) for signal in signals] or ["none"])
    told = [(s.name, s.role_reason.rstrip(".")) for s in signals if s.role_reason]
    out.items(
        [
            f"Note: {note}"
            for note in recording.notes
            if not any(name in note and note.rstrip(".").endswith(why) for name, why in told)
        ]
    )


def _channel_words(signal: Channel | EdgeTrain) -> str:
    role = f"{signal.name}: {signal.role.value} ({signal.role_reason or 'no reason recorded'})"
    if isinstance(signal, Channel):
        return f"{role}, {signal.rate_hz:g} samples per second, {_unit_words(signal.unit)}"
    return f"{role}, {len(signal.time_s)} changes of level"


def _unit_words(unit: str) -> str:
    return "not calibrated" if unit == "1" else unit


def _quality(out: _Printer, report: QualityReport, *, show: frozenset[Verdict]) -> None:
    out.heading("Fit to judge?")
    for name in report.channels:
        findings = report.of_channel(name)
        good = sum(f.verdict is Verdict.OK for f in findings)
        count = f"{good} of {len(findings)} checks without a finding"
        who = name or "The recording as a whole"
        out.say(f"{who}: {_VERDICT_WORDS[report.verdict(name)]} ({count}).")
        for finding in findings:
            if finding.verdict in show:
                out.items([_finding_words(finding)])


def _finding_words(finding: QualityFinding) -> str:
    from ringland.quality import CHECKS

    title = next((c.title for c in CHECKS if c.id == finding.check), finding.check)
    verdict = _VERDICT_WORDS[finding.verdict].capitalize()
    said = finding.message.startswith(verdict)
    parts = [f"{title}:", "" if said else f"{verdict}.", finding.message, finding.action]
    return " ".join(part for part in parts if part)


def _cycles(out: _Printer, cycles: CycleSet) -> None:
    out.heading("Speed and cycles")
    out.say(f"Speed {_number(cycles.mean_speed_rpm)}.")
    kept = f"{len(cycles.kept)} of {cycles.found} cycles used"
    reasons = Counter(c.dropped for c in cycles.dropped)
    dropped = "; ".join(f"{count} dropped: {reason}" for reason, count in reasons.items())
    source = _SOURCE_WORDS[cycles.phase_source.value]
    out.say(f"{kept}{f' ({dropped})' if dropped else ''}. Crank angle from {source}.")
    out.items(cycles.notes)


def _cylinders(out: _Printer, analysis: Analysis) -> None:
    found = analysis.cylinders
    if found is None or not found.assignments:
        return
    out.heading("Each cylinder, in firing order")
    positions = sorted(found.assignments, key=lambda a: a.firing_position)
    unnumbered = [a for a in positions if a.cylinder is None]
    if unnumbered:
        if any(not a.position_known for a in unnumbered):
            out.say(
                "Firing positions count from an arbitrary start; cylinder numbers are not known."
            )
        else:
            out.say("The firing position is known, the cylinder number is not.")
        out.say(f"Why: {unnumbered[0].reason}")
    columns = _fixed_columns(analysis, positions)
    used = sum(_width(column) for column in columns)
    candidates = _metrics_worst_first(analysis)
    for definition in candidates[:_MOST_METRICS]:
        column = [definition.title]
        column += [_metric_words(analysis, definition.id, a.firing_position) for a in positions]
        used += _width(column)
        if used > out.width and len(columns) > _FIXED:
            break
        columns.append(column)
    out.table(columns)
    shown = len(columns) - _FIXED
    out.say(f"{shown} of {len(candidates)} quantities, those that deviate most first. {_INTERVALS}")
    out.items(found.notes)


def _fixed_columns(analysis: Analysis, positions: list[Assignment]) -> list[list[str]]:
    """Firing position, cylinder and state: a head and one cell per position each."""
    table = analysis.symptoms
    states = [table.state_of(a.firing_position) if table else State.NOT_JUDGED for a in positions]
    return [
        ["Position", *(str(a.firing_position) for a in positions)],
        ["Cylinder", *(_cylinder_words(a) for a in positions)],
        ["State", *(_STATE_WORDS[state] for state in states)],
    ]


def _width(column: list[str]) -> int:
    return max(len(text) for text in column) + _GAP


def _cylinder_words(assignment: Assignment) -> str:
    if assignment.cylinder is None:
        return "not known"
    if assignment.probability >= 0.995:
        return str(assignment.cylinder)
    return f"{assignment.cylinder}, {write_odds(assignment.probability)}"


def _metric_words(analysis: Analysis, metric: str, position: int) -> str:
    """Value with interval, and the state this metric alone gives where it is not normal."""
    values = analysis.metrics.of_metric(metric) if analysis.metrics else ()
    symptoms = analysis.symptoms.symptoms if analysis.symptoms else ()
    worst = next(
        (
            f" {_STATE_WORDS[s.state]}"
            for s in symptoms
            if s.metric == metric and s.firing_position == position and s.state in _DEVIATES
        ),
        "",
    )
    for value in values:
        if value.firing_position == position:
            return _number(value.estimate) + worst if value.estimate.known else "not known"
    return "not measured"


def _definitions(analysis: Analysis) -> tuple[MetricDefinition, ...]:
    return analysis.metrics.definitions if analysis.metrics else ()


def _metrics_worst_first(analysis: Analysis) -> list[MetricDefinition]:
    """Metrics of cylinders that have values, worst state first, else as declared."""
    symptoms = analysis.symptoms.symptoms if analysis.symptoms else ()
    known = {
        v.metric
        for v in (analysis.metrics.values if analysis.metrics else ())
        if v.firing_position is not None and v.estimate.known
    }

    def rank(definition: MetricDefinition) -> int:
        states = [s.state for s in symptoms if s.metric == definition.id]
        return min((_WORST_FIRST.index(s) for s in states), default=len(_WORST_FIRST))

    candidates = [d for d in _definitions(analysis) if d.per_cylinder and d.id in known]
    return sorted(candidates, key=rank)


def _symptoms(out: _Printer, analysis: Analysis) -> None:
    table = analysis.symptoms
    if table is None:
        return
    out.heading("Symptoms")
    found = [s for s in table.symptoms if s.state in (State.ALARM, State.ALERT)]
    found.sort(key=lambda s: _WORST_FIRST.index(s.state))
    if found:
        out.items([_said(s) for s in found])
    elif any(s.state is State.NORMAL for s in table.symptoms):
        out.say("None: no cylinder differs by more than its limit.")
    else:
        out.say("Nothing could be held against a limit.")


def _said(symptom: Symptom) -> str:
    text = f"{_STATE_WORDS[symptom.state]}: {symptom.sentence}"
    reason = symptom.reason
    return f"{text} {reason[:1].upper()}{reason[1:]}." if reason else text


def _causes(out: _Printer, diagnosis: Diagnosis) -> None:
    out.heading("What would explain it")
    if diagnosis.resembles_nothing:
        out.say(diagnosis.resembles_nothing)
    ranked = sorted(diagnosis.causes, key=lambda c: c.probability, reverse=True)
    out.items([_cause_words(cause) for cause in ranked[:5] if cause.probability >= 0.01])
    out.items(
        [
            f"A sound engine: {write_odds(diagnosis.healthy)}",
            f"None of these: {write_odds(diagnosis.none_of_these)}",
        ]
    )
    for note in diagnosis.notes:
        out.say(note)
    if diagnosis.recordings:
        from ringland.diagnosis import recordings_in_words

        out.heading("What each recording said")
        out.items(recordings_in_words(diagnosis))


def _cause_words(cause: Cause) -> str:
    where = _where(cause.cylinder, cause.firing_position)
    severity = f"; severity {_number(cause.severity)}" if cause.severity.known else ""
    return f"{cause.name}{where}: {write_odds(cause.probability)}{severity}"


def _where(cylinder: int | None, position: int | None) -> str:
    if cylinder is not None:
        return f" in cylinder {cylinder}"
    return "" if position is None else f" in firing position {position}"


def _next(out: _Printer, diagnosis: Diagnosis) -> None:
    if not diagnosis.next_tests:
        return
    out.heading("What to check next")
    for test in diagnosis.next_tests[:3]:
        where = _where(test.cylinder, test.firing_position)
        cautions = f" Caution: {' '.join(test.cautions)}" if test.cautions else ""
        out.items([f"{test.title}{where}: about {test.minutes:.0f} minutes.{cautions}"])

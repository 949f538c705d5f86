"""The evidence pages: what was measured, each with its interval, figure and reason."""

from functools import partial

import numpy as np

from ringland.figures import (
    averaged_cycle,
    intervals,
    misfires,
    orders,
    raster,
    recording,
    speed,
)
from ringland.figures.labels import as_percent, channel_title
from ringland.model import (
    Analysis,
    AngleSignal,
    ChannelRole,
    Estimate,
    MetricDefinition,
    MetricValue,
    MisfireCount,
    QualityFinding,
    Reference,
    State,
    Symptom,
    Verdict,
)
from ringland.report.blocks import Block, Cell, Group, Paragraph, Picture, Points, Section, Table
from ringland.report.numbers import FIXED_SPACE, write_estimate, write_odds, write_plain, write_span
from ringland.report.words import (
    COMPARISON_WORDS,
    STATE_WORDS,
    VERDICT_WORDS,
    because,
    capital,
    listed,
    numbering,
    plural,
    sentence,
)

__all__ = [
    "averaged_section",
    "cylinder_section",
    "orders_section",
    "quality_section",
    "raster_section",
    "recording_section",
]

_PULSE_ROLES = (
    ChannelRole.EXHAUST,
    ChannelRole.EXHAUST_2,
    ChannelRole.CRANKCASE,
    ChannelRole.INTAKE,
    ChannelRole.CRANK_TOOTH,
    ChannelRole.STARTER_CURRENT,
)
_MOST_SPANS = 4
_CLOSE_UP_CYCLES = 6


def _pulse_signals(analysis: Analysis) -> list[AngleSignal]:
    if analysis.cylinders is None:
        return []
    filled = [s for s in analysis.cylinders.signals if np.isfinite(s.values).all(axis=1).any()]
    by_role = {s.role: s for s in reversed(filled)}
    shown = [by_role[r] for r in _PULSE_ROLES if r in by_role]
    return shown or filled[:2]


def _signal_heading(signal: AngleSignal) -> str:
    if signal.role is ChannelRole.CRANK_TOOTH:  # its teeth, turned into speed
        return "Crank speed"
    title = channel_title(signal.role)
    return title if signal.channel == signal.role.value else f"{title} ({signal.channel})"


_NOT_DRAWN = (
    "Not drawn: this report was made from a saved analysis, which holds no waveforms. Make it from "
    "the recording to have the figures."
)


def _without(analysis: Analysis) -> tuple[Block, ...]:
    if analysis.cycles is not None and not analysis.recording.channels:
        return (Paragraph(_NOT_DRAWN),)
    return (Paragraph(because(analysis.not_judged or "no engine cycles were found")),)


def _arbitrary(analysis: Analysis) -> bool:
    return analysis.cycles is not None and analysis.cycles.reference is Reference.ARBITRARY


# Per cylinder ---------------------------------------------------------------------------------


def cylinder_section(analysis: Analysis) -> Section:
    """Each cylinder against its comparison, as figure and as table."""
    blocks: list[Block] = []
    if analysis.metrics is None or not analysis.metrics.values:
        blocks.append(
            Paragraph(because(analysis.not_judged or "nothing was measured per cylinder"))
        )
        return Section("cylinders", "Each cylinder", tuple(blocks))
    assignments = () if analysis.cylinders is None else analysis.cylinders.assignments
    panels = intervals.prepare(analysis.metrics, analysis.symptoms, assignments)
    if panels:
        blocks.append(
            Picture(
                "cylinders",
                "Every metric of every cylinder with its 90 % interval and limits",
                "One row per cylinder in firing order. The dot is the value, the bar its 90 % "
                "interval, the sand band what the other cylinders span (those in alarm left out)."
                + numbering(analysis),
                intervals.size_in(panels),
                partial(intervals.compose, panels=panels),
                narrow_in=intervals.size_in(panels, narrow=True),
            )
        )
    blocks.append(_metric_table(analysis))
    if assignments:
        blocks.append(_assignment_table(analysis))
    return Section("cylinders", "Each cylinder", tuple(blocks))


def _metric_table(analysis: Analysis) -> Table:
    assert analysis.metrics is not None  # narrowed by the caller
    groups = []
    for definition in analysis.metrics.definitions:
        values = analysis.metrics.of_metric(definition.id)
        for channel in dict.fromkeys(v.channel for v in values):
            rows = tuple(
                _metric_row(analysis, definition, v) for v in values if v.channel == channel
            )
            against = _compared_with(analysis, definition.id)
            groups.append(Group(f"{definition.title} ({channel}){against}", rows))
    return Table(
        "All values",
        ("Where", "Value", "90 % interval", "Difference", "Alert, alarm at", "State"),
        tuple(groups),
    )


def _compared_with(analysis: Analysis, metric: str) -> str:
    if analysis.symptoms is None:
        return ""
    names = {s.compared_with for s in analysis.symptoms.symptoms if s.metric == metric}
    words = [COMPARISON_WORDS.get(n, n) for n in sorted(names)]
    return f", against {listed(words)}" if names else ""


def _symptom_of(analysis: Analysis, value: MetricValue) -> Symptom | None:
    if analysis.symptoms is None:
        return None
    found = (
        s
        for s in analysis.symptoms.symptoms
        if s.metric == value.metric and s.firing_position == value.firing_position
    )
    return next(found, None)


def _metric_row(
    analysis: Analysis, definition: MetricDefinition, value: MetricValue
) -> tuple[Cell, ...]:
    symptom = _symptom_of(analysis, value)
    written = write_estimate(value.estimate, percent=as_percent(definition))
    state = State.NOT_JUDGED if symptom is None else symptom.state
    word = STATE_WORDS[state]
    if state is State.NOT_JUDGED:
        reason = (symptom.reason if symptom is not None else "") or value.estimate.reason
        word = f"{word}: {reason or 'there was nothing to compare with'}"
    elif symptom is not None and symptom.reason:
        word = f"{word}: {symptom.reason}"
    return (
        Cell(_short_name(analysis, value.firing_position)),
        Cell(written.with_unit(written.value) if written.reason is None else "–", number=True),
        Cell(written.interval or "–", number=True),
        Cell(_difference(symptom, definition), number=True),
        Cell(_limits(symptom, definition), number=True),
        Cell(word, mark=state),
    )


def _short_name(analysis: Analysis, position: int | None) -> str:
    if position is None:
        return "Engine"
    assignments = () if analysis.cylinders is None else analysis.cylinders.assignments
    own = next((a for a in assignments if a.firing_position == position), None)
    if own is None or own.cylinder is None:
        return f"Position {position} of {analysis.engine.cylinders}".replace(" ", FIXED_SPACE)
    return f"Cylinder {own.cylinder}"


def _difference(symptom: Symptom | None, definition: MetricDefinition) -> str:
    if symptom is None or not symptom.deviation.known:
        return "–"
    written = write_estimate(symptom.deviation, percent=as_percent(definition))
    return f"{written.value} ({written.interval})"


def _limits(symptom: Symptom | None, definition: MetricDefinition) -> str:
    if symptom is None or (symptom.alert_limit is None and symptom.alarm_limit is None):
        return "–"
    factor = 100.0 if as_percent(definition) else 1.0
    limits = (symptom.alert_limit, symptom.alarm_limit)
    return ", ".join("–" if n is None else write_plain(factor * abs(n)) for n in limits)


def _assignment_table(analysis: Analysis) -> Table:
    assert analysis.cylinders is not None  # narrowed by the caller
    rows = tuple(
        (
            Cell(f"{a.firing_position} of {analysis.engine.cylinders}"),
            Cell(f"{a.firing_angle_deg:.0f}°", number=True),
            Cell("not known" if a.cylinder is None else str(a.cylinder)),
            Cell("–" if a.cylinder is None else write_odds(a.probability)),
            Cell(
                sentence(a.reason)
                + ("" if a.position_known else " Positions count from an arbitrary start.")
            ),
        )
        for a in analysis.cylinders.assignments
    )
    head = ("Firing position", "Fires at", "Cylinder", "How sure", "Why")
    return Table("Which position is which cylinder", head, (Group("", rows),))


# Averaged cycle, raster, orders ---------------------------------------------------------------


def averaged_section(analysis: Analysis) -> Section:
    """The averaged cycle of each pulse channel."""
    title = "The averaged cycle"
    if analysis.cycles is None or analysis.cylinders is None:
        return Section("averaged", title, _without(analysis))
    blocks: list[Block] = []
    for index, signal in enumerate(_pulse_signals(analysis)):
        prepared = averaged_cycle.prepare(
            signal,
            analysis.cylinders,
            reference=analysis.cycles.reference,
            cycle_deg=analysis.cycles.cycle_deg,
        )
        blocks.append(
            Picture(
                f"averaged-{index}",
                f"Averaged cycle of {signal.channel}, one strip per cylinder",
                _averaged_caption(prepared) + numbering(analysis),
                averaged_cycle.size_in(prepared),
                partial(averaged_cycle.compose, prepared=prepared),
                _signal_heading(signal),
            )
        )
    return Section("averaged", title, tuple(blocks) or _without(analysis))


def _averaged_caption(prepared: averaged_cycle.AveragedCycle) -> str:
    text = (
        "Black: the median cycle. Sand: where 90 % of the cycles lie. Grey behind: what the "
        "cylinders share (their median). Filled: the difference, plain where the cylinder is above "
        f"the shared pulse, cross-hatched where it is below; {prepared.own_is}."
    )
    if not prepared.strokes:
        text += " No stroke names: nothing fixes the crank angle."
    return text


def raster_section(analysis: Analysis) -> Section:
    """Cycle by cycle, and the cycles in which a pulse was missing."""
    title = "Cycle by cycle"
    if analysis.cycles is None or analysis.cylinders is None or not analysis.recording.channels:
        return Section("raster", title, _without(analysis))
    blocks: list[Block] = []
    for index, signal in enumerate(_pulse_signals(analysis)[:2]):
        prepared = raster.prepare(
            signal, analysis.cycles, analysis.cylinders, arbitrary=_arbitrary(analysis)
        )
        caption = (
            "Each row is one cycle, the newest at the bottom. What comes every cycle is a vertical "
            "line; where one cylinder drops out now and then, its line is broken. Hatched rows "
            "were dropped." + _marks_caption(prepared) + numbering(analysis)
        )
        if prepared.thinned:
            caption += " Of neighbouring cycles, the one least like the average is shown."
        blocks.append(
            Picture(
                f"raster-{index}",
                f"Every cycle of {signal.channel} as one row",
                caption,
                raster.size_in(prepared),
                partial(raster.compose, prepared=prepared),
                _signal_heading(signal),
            )
        )
    blocks += _misfire_blocks(analysis)
    return Section("raster", title, tuple(blocks) or _without(analysis))


def _marks_caption(prepared: raster.Raster) -> str:
    if not prepared.marks:
        return " Where each pulse arrives is not known."
    return f" Arrows: {prepared.marks_are}."


def _misfire_blocks(analysis: Analysis) -> list[Block]:
    assert analysis.cylinders is not None  # narrowed by the caller
    assert analysis.cycles is not None
    counts = analysis.cylinders.misfires
    if not counts:
        return [Paragraph("Missing pulses were not counted: no channel allowed it.")]
    prepared = misfires.prepare(
        counts, analysis.cylinders.assignments, cycles_found=analysis.cycles.found
    )
    rows = tuple(_misfire_row(analysis, m) for m in sorted(counts, key=lambda m: m.firing_position))
    head = (
        "Where",
        "Missing",
        "Rate",
        "Interval",
        "Longest run",
        "After a miss, against after a good cycle",
    )
    return [
        Picture(
            "misfires",
            "Cycles without a pulse, per cylinder",
            "A tick is a cycle in which that cylinder's pulse was missing; at the right, how many "
            "of the cycles used." + numbering(analysis),
            misfires.size_in(prepared),
            partial(misfires.compose, prepared=prepared),
            "Missing pulses",
        ),
        Table("How often", head, (Group("", rows),)),
    ]


def _misfire_row(analysis: Analysis, count: MisfireCount) -> tuple[Cell, ...]:
    """What was not counted has no numbers; the reason is a text and may be broken into lines."""
    where, rate = (
        Cell(_short_name(analysis, count.firing_position)),
        write_estimate(count.rate).text,
    )
    if not count.rate.known:
        none = Cell("–", number=True)
        return (where, none, Cell(rate), none, none, Cell("–"))
    return (
        where,
        Cell(f"{count.missed} of {count.cycles}", number=True),
        Cell(rate, number=True),
        Cell(f"{100 * count.rate.coverage:.0f} %", number=True),
        Cell(str(count.longest_run), number=True),
        Cell(_ratio_text(count.repeat_ratio)),
    )


def _ratio_text(ratio: Estimate) -> str:
    if not ratio.known:
        return f"not known: {ratio.reason}"
    return f"{ratio.value:.2g} times ({ratio.low:.2g} to {ratio.high:.2g})"


def _spectrum_heading(analysis: Analysis, channel: str) -> str:
    signals = () if analysis.cylinders is None else analysis.cylinders.signals
    signal = next((s for s in signals if s.channel == channel), None)
    return channel if signal is None else _signal_heading(signal)


def orders_section(analysis: Analysis) -> Section:
    """The order spectrum and the test for any imbalance at all."""
    title = "Shared and unshared orders"
    if analysis.cylinders is None:
        return Section("orders", title, _without(analysis))
    if not analysis.recording.channels:
        return Section("orders", title, _without(analysis))
    blocks: list[Block] = []
    for index, spectrum in enumerate(analysis.cylinders.spectra):
        highest = min(max(1.5 * analysis.engine.cylinders, 4.0), 16.0)
        prepared = orders.prepare(spectrum, highest_order=highest)
        if prepared.order.size == 0:
            continue
        chance = (
            "less than 1 in 1000" if spectrum.imbalance_p < 0.001 else f"{spectrum.imbalance_p:.2g}"
        )
        blocks.append(
            Picture(
                f"orders-{index}",
                f"Order spectrum of {spectrum.channel}",
                "Equal cylinders make only the open orders; filled ones are imbalance. Imbalance "
                f"is {write_estimate(spectrum.imbalance_ratio).text} of what is shared; the chance "
                f"of so much from scatter alone is {chance}.",
                orders.size_in(prepared),
                partial(orders.compose, prepared=prepared),
                _spectrum_heading(analysis, spectrum.channel),
            )
        )
    return Section(
        "orders", title, tuple(blocks) or (Paragraph(because("no order spectrum was made")),)
    )


# Recording, speed, quality --------------------------------------------------------------------


def recording_section(analysis: Analysis) -> Section:
    """The recording itself with its cycles, and the speed through it."""
    if not analysis.recording.channels and not analysis.recording.edges:
        return Section("recording", "The recording and its speed", (Paragraph(_NOT_DRAWN),))
    prepared = recording.prepare(analysis.recording, analysis.cycles)
    blocks: list[Block] = [
        Picture(
            "recording",
            "The recording with the engine cycles marked",
            "All channels, each on its own scale. The strip below marks the cycles: plain boxes "
            "are used, hatched ones dropped." + _left_out(prepared),
            recording.size_in(prepared),
            partial(recording.compose, prepared=prepared),
        )
    ]
    cycles = analysis.cycles
    blocks += _close_up(analysis)
    if cycles is None:
        blocks.append(Paragraph(f"Speed: {because(analysis.not_judged)}"))
        return Section("recording", "The recording and its speed", tuple(blocks))
    speeds = speed.prepare(cycles)
    blocks.append(
        Picture(
            "speed",
            "Engine speed through the recording",
            f"Speed with its 90 % interval; the dashed line is the mean, "
            f"{write_estimate(cycles.mean_speed_rpm).text}.",
            speed.size_in(speeds),
            partial(speed.compose, prepared=speeds),
            "Speed",
        )
    )
    reasons = dict.fromkeys(c.dropped or "" for c in cycles.dropped)
    if reasons:
        blocks.append(
            Points(
                tuple(
                    f"{plural(sum(c.dropped == r for c in cycles.dropped), 'cycle')}: {r}"
                    for r in reasons
                ),
                "Why cycles were dropped",
            )
        )
    if cycles.notes:
        blocks.append(Points(tuple(sentence(n) for n in cycles.notes), "Notes on the cycles"))
    return Section("recording", "The recording and its speed", tuple(blocks))


def _left_out(prepared: recording.RecordingFigure) -> str:
    if not prepared.left_out:
        return ""
    return f" Not drawn, as nothing ever changes on them: {', '.join(prepared.left_out)}."


def _close_up(analysis: Analysis) -> list[Block]:
    """The same channels over a few cycles in the middle, where single pulses can be seen."""
    if analysis.cycles is None or analysis.cycles.found <= 2 * _CLOSE_UP_CYCLES:
        return []
    first = (analysis.cycles.found - _CLOSE_UP_CYCLES) // 2
    part = analysis.cycles.cycles[first : first + _CLOSE_UP_CYCLES]
    span_s = (part[0].start_s, part[-1].stop_s)
    prepared = recording.prepare(analysis.recording, analysis.cycles, span_s=span_s)
    return [
        Picture(
            "close-up",
            f"Cycles {first + 1} to {first + _CLOSE_UP_CYCLES} of the recording",
            f"Cycles {first + 1} to {first + _CLOSE_UP_CYCLES}, enlarged.",
            recording.size_in(prepared),
            partial(recording.compose, prepared=prepared),
            "Close up",
        )
    ]


def quality_section(analysis: Analysis) -> Section:
    """Every check on every channel: verdict, what was seen, what to do."""
    report = analysis.quality
    if not report.findings:
        return Section("quality", "Fit to judge?", (Paragraph("No check was made."),))
    severity = [Verdict.UNUSABLE, Verdict.SUSPECT, Verdict.OK, Verdict.NOT_CHECKED]
    groups = tuple(
        Group(
            f"{channel or 'The recording as a whole'}: {VERDICT_WORDS[report.verdict(channel)]}",
            tuple(
                _quality_row(f)
                for f in sorted(report.of_channel(channel), key=lambda f: severity.index(f.verdict))
            ),
        )
        for channel in report.channels
    )
    head = ("Check", "Verdict", "What was seen, and what to do", "Measured, limit")
    return Section("quality", "Fit to judge?", (Table("Checks per channel", head, groups),))


def _check_title(check: str) -> str:
    from ringland.quality import CHECKS

    titles = {c.id: c.title for c in CHECKS}
    return titles.get(check, capital(check.replace("_", " ")))


def _quality_row(finding: QualityFinding) -> tuple[Cell, ...]:
    seen = sentence(finding.message)
    if finding.spans_s and finding.verdict is not Verdict.OK:
        spans = [write_span(a, b) for a, b in finding.spans_s[:_MOST_SPANS]]
        more = len(finding.spans_s) - len(spans)
        seen += f" At {', '.join(spans)}" + (f" and {more} more." if more else ".")
    return (
        Cell(_check_title(finding.check)),
        Cell(VERDICT_WORDS[finding.verdict], mark=finding.verdict),
        Cell(seen, then=f"To do: {sentence(finding.action)}" if finding.action else ""),
        Cell(_measured(finding), number=True),
    )


def _measured(finding: QualityFinding) -> str:
    if finding.measured is None or not finding.measured.known:
        return "–"
    written = write_estimate(finding.measured, percent=False)
    shown = written.with_unit(written.value)
    if finding.limit is None:
        return shown
    factor = 1e-3 if written.unit == "kPa" else 1.0
    return f"{shown}, limit {written.with_unit(write_plain(factor * finding.limit))}"

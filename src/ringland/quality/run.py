"""Run every check that applies, and give the parts of a channel that must not be used."""

from collections.abc import Iterator
from dataclasses import replace

from ringland.model import ChannelRole, CycleSet, EngineSpec, QualityReport, Recording, Verdict
from ringland.quality._facts import gather, with_cycles
from ringland.quality._types import CheckDefinition, RecordingFacts, Scope, Subject
from ringland.quality.registry import CHECKS, checks_for

__all__ = ["check_recording", "inspect_recording", "unusable_spans"]


def inspect_recording(recording: Recording, engine: EngineSpec | None = None) -> RecordingFacts:
    """What the checks look at, measured once, and the findings that the speed does not matter to:
    for judging again when the cycles are known."""
    facts = gather(recording, engine, None)
    return replace(
        facts,
        settled=tuple(None if c.asks_speed else c.run(subject) for c, subject in _each(facts)),
    )


def _each(facts: RecordingFacts) -> Iterator[tuple[CheckDefinition, Subject]]:
    """Every check that applies with what it looks at, in the order they are shown."""
    for channel in facts.channels:
        info = channel.channel
        for check in checks_for(Scope.CHANNEL, info.role):
            yield check, Subject(check.id, info.name, info.role, facts, facts=channel)
    for trigger in facts.triggers:
        for check in checks_for(Scope.TRIGGER, trigger.role):
            yield check, Subject(check.id, trigger.name, trigger.role, facts, trigger=trigger)
    for check in checks_for(Scope.RECORDING):
        yield check, Subject(check.id, "", ChannelRole.UNASSIGNED, facts)


def check_recording(
    recording: Recording,
    engine: EngineSpec | None = None,
    cycles: CycleSet | None = None,
    *,
    inspected: RecordingFacts | None = None,
) -> QualityReport:
    """One finding per check that applies to each channel and trigger, and to the whole.

    Works without `engine` and `cycles`, while the sensors are still on; what then cannot be judged
    is NOT_CHECKED and says why. Never raises on the content of the samples: noise, flat lines, no
    samples, NaN, any float64 value, any sampling rate. `inspected`: what `inspect_recording` gave
    for the same recording and engine, so that the samples are not measured again.
    """
    facts = inspect_recording(recording, engine) if inspected is None else inspected
    facts = with_cycles(facts, cycles)
    return QualityReport(
        tuple(
            check.run(subject) if finding is None else finding
            for (check, subject), finding in zip(_each(facts), facts.settled, strict=True)
        )
    )


def unusable_spans(report: QualityReport, channel: str) -> tuple[tuple[float, float], ...]:
    """Parts of a channel, seconds, whose samples are not what the sensor gave, in order and joined.

    From the checks declared with `drops_cycles` (missing values, clipping, drop-outs, repeated
    blocks, joins; clipping from 1 ms on). Cycles that touch one should be dropped there.
    """
    shortest = {c.id: c.shortest_drop_s for c in CHECKS if c.drops_cycles}
    spans = sorted(
        (low, high)
        for finding in report.of_channel(channel)
        if finding.check in shortest and finding.verdict in (Verdict.SUSPECT, Verdict.UNUSABLE)
        for low, high in finding.spans_s
        if high - low >= shortest[finding.check]
    )
    joined: list[tuple[float, float]] = []
    for low, high in spans:
        if joined and low <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], high))
        else:
            joined.append((low, high))
    return tuple(joined)

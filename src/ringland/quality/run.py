"""Run every check that applies, and give the parts of a channel that must not be used."""

from ringland.model import ChannelRole, CycleSet, EngineSpec, QualityReport, Recording, Verdict
from ringland.quality._facts import gather, with_cycles
from ringland.quality._types import RecordingFacts, Scope, Subject
from ringland.quality.registry import CHECKS, checks_for

__all__ = ["check_recording", "inspect_recording", "unusable_spans"]


def inspect_recording(recording: Recording, engine: EngineSpec | None = None) -> RecordingFacts:
    """What the checks look at, measured once: for judging again when the cycles are known."""
    return gather(recording, engine, None)


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
    facts = (
        gather(recording, engine, cycles) if inspected is None else with_cycles(inspected, cycles)
    )
    findings = []
    for channel in facts.channels:
        info = channel.channel
        for check in checks_for(Scope.CHANNEL, info.role):
            subject = Subject(check.id, info.name, info.role, facts, facts=channel)
            findings.append(check.run(subject))
    for trigger in facts.triggers:
        for check in checks_for(Scope.TRIGGER, trigger.role):
            subject = Subject(check.id, trigger.name, trigger.role, facts, trigger=trigger)
            findings.append(check.run(subject))
    for check in checks_for(Scope.RECORDING):
        findings.append(check.run(Subject(check.id, "", ChannelRole.UNASSIGNED, facts)))
    return QualityReport(tuple(findings))


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

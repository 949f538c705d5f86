"""The whole job on one recording: from signals to symptoms, causes and what to check next."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from ringland.advice import Costs, actions, next_tests
from ringland.cycles import find_cycles
from ringland.cylinders import measure_and_turn
from ringland.cylinders.cranked import NOT_RUNNING, turned_by_starter
from ringland.diagnosis import diagnose as rank_causes
from ringland.metrics import measure_metrics
from ringland.model import (
    Analysis,
    CaseEvidence,
    ChannelRole,
    Condition,
    CrankPhase,
    CylinderSet,
    Diagnosis,
    EngineSpec,
    GivenAnswer,
    JoinedRecording,
    LearnedPriors,
    MetricTable,
    Provenance,
    QualityReport,
    RecordedEvidence,
    Recording,
    RecordingSource,
    State,
    SymptomTable,
    Verdict,
)
from ringland.quality import check_recording, inspect_recording, unusable_spans
from ringland.reference.evidence import case_evidence
from ringland.reference.features import Measured
from ringland.reference.network import PulseNetwork
from ringland.symptoms import judge_symptoms
from ringland.verify.alike import Weight, objections
from ringland.verify.readings import measured_from_analysis

__all__ = [
    "against_sound",
    "analyse",
    "analyse_source",
    "join",
    "join_all",
    "judge_cycles",
    "recorded_evidence",
]

WINDOW_S = 30.0
"""Length of the windows a long recording is read in."""

_FEWEST_CYCLES = 3
_SIGNAL_ROLES = frozenset(ChannelRole) - {ChannelRole.UNASSIGNED}


_COMPRESSIONS = (
    "the starter turned the engine: its compressions are judged, not its pulses, whose limits are "
    "those of a running engine"
)
_AS_SLOW = (
    "It turned at {:.0f} rpm, as a starter turns it; if it was running, say so (condition idle)."
)
_NO_COMPRESSIONS = (
    "The starter turned the engine, and nothing recorded shows its compressions. Put the current "
    "clamp on the battery cable, or record the tooth wheel of the crank, and crank again; or "
    "record the engine running."
)


def analyse(
    recording: Recording,
    engine: EngineSpec,
    *,
    answers: Sequence[GivenAnswer] = (),
    diagnose: bool = True,
    network: PulseNetwork | None = None,
    priors: LearnedPriors | None = None,
) -> Analysis:
    """Judge every cylinder of one recording.

    `network`: a reference fitted to this engine (default: the one for any engine). `priors`: how
    common each failure mode is, as a workshop learned it (default: what comes with the package).

    Quality first; then the engine cycle; the crank-angle domain; metrics; symptoms; causes.
    Nothing is raised for a poor recording: `Analysis.not_judged` says why a part is missing.
    """
    seen = inspect_recording(recording, engine)
    quality = check_recording(recording, engine, inspected=seen)
    analysis = Analysis(
        recording, engine, quality, notes=recording.notes, provenance=recording.provenance
    )
    bad = tuple(c.name for c in recording.channels if quality.verdict(c.name) is Verdict.UNUSABLE)
    heard = [c for c in recording.channels if c.role in _SIGNAL_ROLES and c.name not in bad]
    if not heard and not recording.edges:
        return replace(analysis, not_judged=_why_unusable(quality, bad))
    cycles = find_cycles(
        _without(recording, bad), engine, bad_spans_s=_bad_spans(quality, recording, bad)
    )
    if isinstance(cycles, str):
        return replace(analysis, not_judged=f"The engine cycle could not be found: {cycles}.")
    quality = check_recording(recording, engine, cycles, inspected=seen)
    analysis = replace(
        analysis, quality=quality, cycles=cycles, notes=(*analysis.notes, *cycles.notes)
    )
    return judge_cycles(
        analysis, answers=answers, diagnose=diagnose, network=network, priors=priors
    )


def judge_cycles(
    analysis: Analysis,
    *,
    answers: Sequence[GivenAnswer] = (),
    diagnose: bool = True,
    network: PulseNetwork | None = None,
    priors: LearnedPriors | None = None,
) -> Analysis:
    """Everything after the cycles have been found: each cylinder, metrics, symptoms, causes.

    `analysis` has quality and cycles; ValueError without cycles.
    """
    if analysis.cycles is None:
        raise ValueError("the engine cycles must be found first")
    recording, engine, quality, cycles = (
        analysis.recording,
        analysis.engine,
        analysis.quality,
        analysis.cycles,
    )
    if len(cycles.kept) < _FEWEST_CYCLES:
        return replace(
            analysis,
            not_judged=f"Only {len(cycles.kept)} of {cycles.found} engine cycles can be used; "
            f"at least {_FEWEST_CYCLES} are needed. Record for longer.",
        )
    bad = tuple(c.name for c in recording.channels if quality.verdict(c.name) is Verdict.UNUSABLE)
    cycles, cylinders = measure_and_turn(recording, engine, cycles, skip=bad)
    cranked = turned_by_starter(recording.condition, cycles)
    if cranked and not _shows_compressions(cylinders):
        why = _NO_COMPRESSIONS
        if recording.condition is Condition.UNKNOWN:
            why = f"{_AS_SLOW.format(np.median(cycles.speed_rpm))} {why}"
        return replace(analysis, cycles=cycles, not_judged=why)
    metrics = measure_metrics(cylinders)
    cases = (
        None  # no simulated case is turned by its starter
        if cranked
        else case_evidence(metrics, cylinders, cycles, engine, network=network)
    )
    symptoms = judge_symptoms(metrics, cases, not_running=NOT_RUNNING if cranked else "")
    return replace(
        analysis,
        cycles=cycles,
        cylinders=cylinders,
        metrics=metrics,
        symptoms=symptoms,
        diagnosis=(
            _diagnosed(
                symptoms,
                metrics,
                cylinders,
                cases,
                engine=engine,
                speed_rpm=cycles.mean_speed_rpm.value,
                answers=answers,
                priors=priors,
            )
            if diagnose
            else None
        ),
        notes=(*analysis.notes, *cylinders.notes, *((_COMPRESSIONS,) if cranked else ())),
        provenance=_learned(priors if diagnose else None, analysis.provenance).then(
            "pipeline.analyse",
            phase_source=str(cycles.phase_source),
            cycles_kept=len(cycles.kept),
            metrics=len(metrics.values),
            symptoms=len(symptoms.symptoms),
        ),
    )


def against_sound(
    analysis: Analysis,
    sound: Sequence[Analysis],
    *,
    unread: Sequence[str] = (),
    answers: Sequence[GivenAnswer] = (),
    network: PulseNetwork | None = None,
) -> Analysis:
    """The analysis held against a recording of the same engine that passes for sound: the first of
    these that was made the same way.

    What the cylinders differed by then is taken off before the simulated cases are asked; what was
    measured stays as it is. Where none of them can be used the causes stay as they are, and their
    notes say why. `unread`: reasons of others that could not even be read. Both are turned by the
    arrival of today's pulses; where they were found then is not asked, so the sensor must sit
    within some centimetres of where it was. Equation (9) of docs/theory/reference.md.
    """
    cylinders, metrics, cycles = analysis.cylinders, analysis.metrics, analysis.cycles
    found = analysis.diagnosis
    if cylinders is None or metrics is None or cycles is None or not (sound or unread):
        return analysis
    if found is None:
        return analysis
    if found.cases is None:
        cranked = turned_by_starter(analysis.recording.condition, cycles)
        why = NOT_RUNNING if cranked else "such engines are not simulated"
        note = f"Not held against when the engine was sound: {why}."
        return replace(analysis, diagnosis=replace(found, notes=(*found.notes, note)))
    own, refused = measured_from_analysis(analysis), list(unread)
    for one in sound:
        name = one.recording.source.name
        unlike = objections(measured_from_analysis(one), own)
        against = next((o for o in unlike if o.weight is Weight.REFUSED), None)
        if against is not None:
            remedy = "" if against.id == "same_recording" else f" {against.remedy}"
            refused.append(f"{name}: {against.sentence}{remedy}")
            continue
        assert one.metrics is not None and one.cylinders is not None and one.cycles is not None
        then = Measured(one.metrics, one.cylinders, float(np.median(one.cycles.speed_rpm)))
        engine = analysis.engine
        cases = case_evidence(metrics, cylinders, cycles, engine, network=network, sound=then)
        if cases is None:
            refused.append(f"{name}: Nothing that both recorded can be held against each other.")
            continue
        notes = (
            f"Held against {name}, when this engine passed for sound: what its cylinders differed "
            "by then is taken off before it is held against simulated engines.",
            *(o.sentence for o in unlike if o.weight is Weight.WARNING and o.id in _TOLD),
            *_yet_in_alarm(one),
        )
        cases = replace(cases, against=name, sound_notes=notes)
        return _judged_again(analysis, cases, answers, sha256=one.recording.source.sha256)
    note = f"Not held against when the engine was sound. {' '.join(refused)}"
    cases = replace(found.cases, sound_notes=(note,))
    return replace(analysis, diagnosis=replace(found, cases=cases, notes=(*found.notes, note)))


_TOLD = frozenset({"other_speed", "other_unit", "few_cycles"})
"""Warnings of ringland.verify.alike that are passed on."""


def _yet_in_alarm(sound: Analysis) -> tuple[str, ...]:
    """What speaks against a recording that passes for sound."""
    alarms = () if sound.symptoms is None else sound.symptoms.symptoms
    first = next((s.sentence for s in alarms if s.state is State.ALARM), None)
    if first is None:
        return ()
    return (f"{sound.recording.source.name} passes for sound, yet is in alarm by itself: {first}",)


def _judged_again(
    analysis: Analysis, cases: CaseEvidence, answers: Sequence[GivenAnswer], *, sha256: str | None
) -> Analysis:
    """Symptoms and causes once more, with other evidence from the simulated cases."""
    assert analysis.metrics is not None and analysis.cylinders is not None
    assert analysis.cycles is not None
    symptoms, found = judge_symptoms(analysis.metrics, cases), analysis.diagnosis
    if found is not None:
        found = _diagnosed(
            symptoms,
            analysis.metrics,
            analysis.cylinders,
            cases,
            engine=analysis.engine,
            speed_rpm=analysis.cycles.mean_speed_rpm.value,
            answers=answers,
            priors=found.priors,
        )
    return replace(
        analysis,
        symptoms=symptoms,
        diagnosis=found,
        provenance=analysis.provenance.then(
            "pipeline.against_sound", recording=cases.against, sha256=sha256 or "not known"
        ),
    )


def _learned(priors: LearnedPriors | None, provenance: Provenance) -> Provenance:
    """A step that says which learned priors were used; none for those of the package."""
    if priors is None:
        return provenance
    return provenance.then(
        "diagnosis.learned_priors",
        sha256=priors.sha256,
        made_utc=priors.made_utc,
        outcomes=priors.outcomes,
    )


def _diagnosed(
    symptoms: SymptomTable,
    metrics: MetricTable,
    cylinders: CylinderSet,
    cases: CaseEvidence | None,
    *,
    engine: EngineSpec,
    speed_rpm: float | None,
    answers: Sequence[GivenAnswer],
    priors: LearnedPriors | None,
) -> Diagnosis:
    """Ranked causes, the next tests and what to do."""
    found = rank_causes(
        symptoms,
        metrics,
        cylinders,
        engine,
        speed_rpm=speed_rpm,
        answers=answers,
        likelihoods=cases,
        priors=priors,
    )
    found = replace(found, next_tests=next_tests(found))
    return replace(found, actions=actions(found))


def recorded_evidence(analysis: Analysis, *, earlier: bool = False) -> RecordedEvidence | str:
    """What this recording says of the engine, to be ranked together with others; or why it cannot
    be. `earlier`: it was made at an earlier visit."""
    found, cylinders, cycles = analysis.diagnosis, analysis.cylinders, analysis.cycles
    if found is None or cylinders is None or cycles is None or analysis.symptoms is None:
        return analysis.not_judged or "no causes were ranked from it"
    if found.cases is not None and found.cases.resembles_nothing is not None:
        return found.cases.resembles_nothing
    numbers = {a.firing_position: a.cylinder for a in cylinders.assignments}
    cranked = turned_by_starter(analysis.recording.condition, cycles)
    return RecordedEvidence(
        name=analysis.recording.source.name,
        condition=Condition.CRANKING if cranked else analysis.recording.condition,
        speed_rpm=cycles.mean_speed_rpm.value,
        roles=tuple(sorted(_rippled(analysis) if cranked else {s.role for s in cylinders.signals})),
        symptoms=analysis.symptoms,
        numbers=tuple(numbers.get(p) for p in range(1, analysis.engine.cylinders + 1)),
        cases=found.cases,
        earlier=earlier,
    )


def _shows_compressions(cylinders: CylinderSet) -> bool:
    """Whether the size of some compression is known."""
    return any(
        segment.phase is CrankPhase.CRANKING and any(e.known for e in segment.strength)
        for ripple in cylinders.ripples
        for segment in ripple.segments
    )


def _rippled(analysis: Analysis) -> set[ChannelRole]:
    """Channels that show how the starter was slowed."""
    assert analysis.cylinders is not None
    ripples = analysis.cylinders.ripples
    names = {r.channel for r in ripples}
    by_wheel = {ChannelRole.CRANK_TOOTH} if any(r.unit == "rpm" for r in ripples) else set()
    return by_wheel | {c.role for c in analysis.recording.channels if c.name in names}


def join(
    first: Analysis,
    also: Sequence[RecordedEvidence],
    *,
    left_out: Sequence[JoinedRecording] = (),
    answers: Sequence[GivenAnswer] = (),
    costs: Costs | None = None,
) -> Analysis:
    """The first analysis with causes ranked from all recordings of the engine together.

    `left_out`: recordings that were looked at and do not count, each with its reason. When the
    first cannot be ranked itself it stays as it is.
    """
    own = recorded_evidence(first)
    if isinstance(own, str) or first.diagnosis is None or first.symptoms is None:
        return first
    found = first.diagnosis
    if also or answers:
        found = rank_causes(
            first.symptoms,
            first.metrics,
            first.cylinders,
            first.engine,
            answers=answers,
            likelihoods=found.cases,
            recording=own,
            also=also,
            priors=found.priors,
        )
    found = replace(
        found,
        recordings=(*found.recordings, *left_out),
        next_tests=next_tests(found, costs=costs),
    )
    return replace(first, diagnosis=replace(found, actions=actions(found)))


def join_all(
    analyses: Sequence[Analysis],
    *,
    earlier: Sequence[Analysis] = (),
    answers: Sequence[GivenAnswer] = (),
    costs: Costs | None = None,
) -> Analysis:
    """One of these analyses of the same engine with causes ranked from all of them together.

    It is the first, unless that cannot be ranked or lacks the cylinder numbers another one has; a
    note says so. `earlier`: of earlier visits, when the fault need not have been there yet.
    """
    given = [*((a, False) for a in analyses), *((a, True) for a in earlier)]
    told = [(a, recorded_evidence(a, earlier=old), old) for a, old in given]
    usable = [(a, e) for a, e, old in told if isinstance(e, RecordedEvidence) and not old]
    if not usable:
        return analyses[0]
    first, own = next((one for one in usable if one[1].numbered), usable[0])
    if first is not analyses[0]:
        ranked = usable[0][0] is analyses[0]
        why = "it has the cylinder numbers" if ranked else "the first given could not be ranked"
        first = replace(first, notes=(*first.notes, f"shown is {own.name}, because {why}"))
    found = join(
        first,
        [e for _, e, _ in told if isinstance(e, RecordedEvidence) and e is not own],
        left_out=[_left_out(a, e, old) for a, e, old in told if isinstance(e, str)],
        answers=answers,
        costs=costs,
    )
    return replace(found, provenance=found.provenance.then("pipeline.join", recordings=len(told)))


def _left_out(analysis: Analysis, reason: str, earlier: bool) -> JoinedRecording:
    speed = None if analysis.cycles is None else analysis.cycles.mean_speed_rpm.value
    return JoinedRecording(
        analysis.recording.source.name,
        analysis.recording.condition,
        speed,
        tuple(sorted({c.role for c in analysis.recording.channels})),
        earlier=earlier,
        left_out=reason,
    )


def _without(recording: Recording, names: tuple[str, ...]) -> Recording:
    if not names:
        return recording
    return replace(recording, channels=tuple(c for c in recording.channels if c.name not in names))


def _bad_spans(
    quality: QualityReport, recording: Recording, bad: tuple[str, ...]
) -> tuple[tuple[float, float], ...]:
    spans: list[tuple[float, float]] = []
    for channel in recording.channels:
        if channel.role in _SIGNAL_ROLES and channel.name not in bad:
            spans.extend(unusable_spans(quality, channel.name))
    return tuple(spans)


def _why_unusable(quality: QualityReport, bad: tuple[str, ...]) -> str:
    reasons = [
        f"{f.channel}: {f.message}" for f in quality.findings if f.verdict is Verdict.UNUSABLE
    ]
    if not reasons:
        return "The recording has no channel with a known role."
    return "No channel can be used. " + " ".join(reasons)


def analyse_source(
    source: RecordingSource,
    engine: EngineSpec,
    *,
    condition: Condition = Condition.UNKNOWN,
    speed_hint_rpm: float | None = None,
    priors: LearnedPriors | None = None,
    progress: Callable[[float], None] | None = None,
    calmest: bool = False,
) -> Analysis:
    """Judge a long recording window by window, without holding it in memory.

    The window with the worst states (of those alike, with the most cycles) is the result; `notes`
    say which it is and what every window showed, so that what comes and goes is not lost.
    `calmest`: the window with the best states instead, for a recording that is to stand for the
    sound engine.
    """
    windows = max(1, round(source.duration_s / WINDOW_S))
    width = source.duration_s / windows
    best: Analysis | None = None
    shown = (0.0, 0.0)
    seen: list[str] = []
    for number in range(windows):
        start = source.start_s + number * width
        recording = source.read(start, start + width)
        if condition is not Condition.UNKNOWN or speed_hint_rpm is not None:
            recording = recording.with_condition(condition, speed_hint_rpm)
        found = analyse(recording, engine, priors=priors)
        seen.append(_line(found, start, start + width))
        if best is None or _better(found, best, calmest):
            best, shown = found, (start, start + width)
        if progress is not None:
            progress((number + 1) / windows)
    assert best is not None
    if windows == 1:
        return best
    said = (
        f"a long recording, judged in {windows} windows; shown is the "
        f"{'calmest' if calmest else 'most telling'} one, "
        f"{shown[0]:.0f} to {shown[1]:.0f} s"
    )
    return replace(best, notes=(*best.notes, said, *seen))


def _better(found: Analysis, best: Analysis, calmest: bool) -> bool:
    """Whether this window is to be shown rather than the best so far."""
    new, old = _telling(found), _telling(best)
    if not calmest or min(new[0], old[0]) < 0:
        return new > old
    return (-new[0], -new[1], new[2]) > (-old[0], -old[1], old[2])


def _telling(analysis: Analysis) -> tuple[int, int, int]:
    """Cylinders in alarm, cylinders in alert, cycles kept: the larger, the more it tells."""
    if analysis.symptoms is None or analysis.cycles is None:
        return -1, -1, -1
    states = [analysis.symptoms.state_of(p) for p in range(1, analysis.engine.cylinders + 1)]
    return states.count(State.ALARM), states.count(State.ALERT), len(analysis.cycles.kept)


def _line(analysis: Analysis, start_s: float, stop_s: float) -> str:
    """One line on a window."""
    span = f"{start_s:.0f} to {stop_s:.0f} s"
    if analysis.symptoms is None or analysis.cycles is None:
        return f"{span}: {analysis.not_judged or 'not judged'}"
    speed = analysis.cycles.mean_speed_rpm.value
    states = [
        f"position {p} {analysis.symptoms.state_of(p)}"
        for p in range(1, analysis.engine.cylinders + 1)
        if analysis.symptoms.state_of(p) in (State.ALERT, State.ALARM)
    ]
    rpm = "speed unknown" if speed is None else f"{speed:.0f} rpm"
    return f"{span}: {rpm}, {', '.join(states) if states else 'no alert or alarm'}"

"""The process that does the long work, so that pages stay quick and work can be broken off.

It talks over one connection: a task comes in as plain data, progress and one result go out as plain
data. Nothing is written here; the web process keeps what comes out.
"""

from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from ringland.errors import BadInput, RinglandError

if TYPE_CHECKING:
    from ringland.model import (
        Analysis,
        EngineSpec,
        GivenAnswer,
        JoinedRecording,
        RecordedEvidence,
    )

__all__ = ["Plain", "do_task", "fault", "main"]

Plain: TypeAlias = dict[str, Any]
"""Nothing but dicts, lists, text, numbers, booleans and None."""
Progress: TypeAlias = Callable[[float, str], None]

LONG_S = 120.0
"""Above this a recording is read window by window."""
_REMEMBERED = 3
_known: OrderedDict[str, "Analysis"] = OrderedDict()
_MEASURED = frozenset({"cylinders", "averaged", "raster", "orders", "recording"})
"""Sections that no answer and no other recording changes."""
_drawn: OrderedDict[tuple[str, str], dict[str, Plain]] = OrderedDict()
_TOLD = 60
_told: OrderedDict[tuple[str, str, bool], "RecordedEvidence | str"] = OrderedDict()
"""What recordings say of the causes, small enough to keep many."""
_PASSED = 12
_passed: OrderedDict[str, "Analysis"] = OrderedDict()
"""Recordings of engines that passed for sound, without their samples."""


def main(connection: Connection) -> None:
    """Serve tasks until the other end closes."""
    _warm()
    while True:
        try:
            task: Plain = connection.recv()
        except (EOFError, OSError, KeyboardInterrupt):
            return
        try:
            connection.send(("done", do_task(task, lambda f, t: connection.send(("at", (f, t))))))
        except RinglandError as error:
            connection.send(("failed", error.as_dict()))
        except (KeyboardInterrupt, BrokenPipeError, ConnectionResetError):
            return  # nobody listens any more
        except Exception as error:  # a fault is told, and the process lives on for the next task
            connection.send(("failed", fault(error)))


def _warm() -> None:
    """Load what every task needs while nobody waits."""
    import ringland.pipeline
    import ringland.readers
    import ringland.report.content  # noqa: F401


def fault(error: Exception) -> Plain:
    """A fault of the program in the one error shape."""
    return {
        "error": "Fault",
        "wrong": "Ringland has a fault here, which is not your doing.",
        "got": f"{type(error).__name__}: {error}"[:500],
        "allowed": None,
        "remedy": "Report it with the recording that shows it. Nothing was lost.",
    }


def do_task(task: Plain, progress: Progress) -> Plain:
    """Judge one recording and lay out its sections, or write its report (`task["report"]`).

    `task`: path, name, engine (contents of an engine file), roles, rate_hz, condition,
    speed_hint_rpm, answers, hour_cost, currency, priors (learned ones, if any), key (same key:
    same analysis before answers).
    `task["also"]`: other recordings of the same engine, each with path, name, roles, rate_hz,
    condition, speed_hint_rpm, key and earlier.
    `task["sound"]`: the same (and visited_on) of that engine while it passed for sound.
    `task["size"]`: find how large the leading cause is; `task["severity_fits"]`: what was found.
    Returns {"analysis": JSON, "sections": plain blocks}, or {"pdf", "html", "kept"}, or {"fits",
    "sections"}. Raises
    RinglandError.
    """
    from ringland.output import as_json

    progress(0.02, "Reading the recording")
    analysis = analysed(task, progress)
    analysis = _ranked(analysis, task, progress)
    if task.get("size"):
        return _size(analysis, progress)
    if task.get("report") is not None:
        analysis = _with_sizes(analysis, task.get("severity_fits", ()))
        return _report(analysis, task["report"], progress)
    progress(0.6, "Drawing the figures")
    key = (str(task["key"]), str(task["name"]))
    return {"analysis": as_json(analysis), "sections": _sections(analysis, key, progress)}


def analysed(task: Plain, progress: Progress) -> "Analysis":
    key = str(task["key"])
    if key in _known:
        _known.move_to_end(key)
        return _known[key]
    from ringland.engines import engine_from_mapping
    from ringland.model import Condition, LearnedPriors
    from ringland.pipeline import analyse, analyse_source
    from ringland.readers import open_recording

    engine: EngineSpec = engine_from_mapping(task["engine"], source_name="the engine")
    condition = Condition(task["condition"])
    hint = task["speed_hint_rpm"]
    learned = task.get("priors")
    priors = None if learned is None else LearnedPriors.from_plain(learned)
    if not task["path"]:
        raise BadInput(f"The recording {task['name']} is kept nowhere any more.")
    source = open_recording(
        Path(task["path"]), roles=task["roles"] or None, rate_hz=task["rate_hz"]
    )
    if source.duration_s > LONG_S:
        analysis = analyse_source(
            source,
            engine,
            condition=condition,
            speed_hint_rpm=hint,
            priors=priors,
            progress=lambda f: progress(0.05 + 0.5 * f, "Judging window by window"),
            calmest=bool(task.get("calmest")),
        )
    else:
        progress(0.1, "Judging each cylinder")
        recording = source.read_all()
        if condition is not Condition.UNKNOWN or hint is not None:
            recording = recording.with_condition(condition, hint)
        analysis = analyse(recording, engine, priors=priors)
    named = replace(analysis.recording.source, name=task["name"])
    analysis = replace(analysis, recording=replace(analysis.recording, source=named))
    if task.get("sound"):
        analysis = _against_sound(analysis, task, progress)
    _known[key] = analysis
    while len(_known) > _REMEMBERED:
        _known.popitem(last=False)
    return analysis


def _against_sound(analysis: "Analysis", task: Plain, progress: Progress) -> "Analysis":
    """The analysis held against when this engine passed for sound; what cannot be read is said."""
    from ringland.pipeline import against_sound

    progress(0.5, "Holding it against when the engine was sound")
    sound, unread = [], []
    for one in task["sound"]:
        name = f"{one['name']} ({one['visited_on']})"
        try:
            sound.append(
                _passed_for_sound({**task, **one, "name": name, "sound": [], "calmest": True})
            )
        except RinglandError as error:
            unread.append(f"{name}: {error.wrong}")
    return against_sound(analysis, sound, unread=unread)


def _passed_for_sound(task: Plain) -> "Analysis":
    key = str(task["key"])
    if key not in _passed:
        found = analysed(task, lambda _fraction, _said: None)
        _known.pop(key, None)
        few = tuple(replace(c, samples=c.samples[:2].copy()) for c in found.recording.channels)
        _passed[key] = replace(found, recording=replace(found.recording, channels=few))
        while len(_passed) > _PASSED:
            _passed.popitem(last=False)
    return _passed[key]


def _ranked(analysis: "Analysis", task: Plain, progress: Progress) -> "Analysis":
    """The ranking with the other recordings of the visit, what the follow-up tests said, and the
    owner's costs."""
    answers = tuple(_answer(a) for a in task["answers"])
    others = list(task.get("also", ()))
    if analysis.diagnosis is None or not (answers or others or task["hour_cost"] is not None):
        return analysis
    from ringland.advice import Costs
    from ringland.model import RecordedEvidence
    from ringland.pipeline import join

    told = [_told_by({**task, **other}, progress) for other in others]
    return join(
        analysis,
        [t for t in told if isinstance(t, RecordedEvidence)],
        left_out=[t for t in told if not isinstance(t, RecordedEvidence)],
        answers=answers,
        costs=None if task["hour_cost"] is None else Costs(task["hour_cost"], task["currency"]),
    )


def _told_by(task: Plain, progress: Progress) -> "RecordedEvidence | JoinedRecording":
    """What another recording of the visit says, or why it does not count."""
    from ringland.model import Condition, JoinedRecording
    from ringland.pipeline import recorded_evidence

    key = (str(task["key"]), str(task["name"]), bool(task["earlier"]))
    if key not in _told:
        try:
            found = recorded_evidence(analysed(task, progress), earlier=task["earlier"])
            _told[key] = found if isinstance(found, str) else replace(found, name=task["name"])
        except RinglandError as error:
            _told[key] = error.wrong
        while len(_told) > _TOLD:
            _told.popitem(last=False)
    told = _told[key]
    if isinstance(told, str):
        return JoinedRecording(
            task["name"],
            Condition(task["condition"]),
            None,
            (),
            earlier=task["earlier"],
            left_out=told,
        )
    return told


def _answer(given: Mapping[str, Any]) -> "GivenAnswer":
    from ringland.model import GivenAnswer

    return GivenAnswer(
        given["test"],
        given["outcome"],
        given["firing_position"],
        given["cylinder"],
        tuple((str(k), float(v)) for k, v in given["readings"].items()),
    )


def _report(analysis: "Analysis", given: Plain, progress: Progress) -> Plain:
    """The report as PDF and as HTML, and its content as it will be kept."""
    from ringland.report import Firm, VisitFacts, build_document, render_document, render_pdf
    from ringland.report.document import canonical_json

    progress(0.5, "Writing the report")
    document = build_document(
        analysis,
        visit=VisitFacts(**{**given["visit"], "address": tuple(given["visit"]["address"])}),
        firm=Firm(**{**given["firm"], "address": tuple(given["firm"]["address"])}),
        readers=tuple(given["readers"]),
        language=given["language"],
    )
    progress(0.8, "Setting the pages")
    return {
        "pdf": render_pdf(document, paper=given["paper"]),
        "html": render_document(document, paper=given["paper"]),
        "kept": canonical_json(document),
    }


def _size(analysis: "Analysis", progress: Progress) -> Plain:
    """How large the leading cause is, with the sections of the report that say so."""
    from ringland.output import fits_as_json
    from ringland.report.reasons import causes_section
    from ringland.report.severity import severity_section
    from ringland.severity import with_severity
    from ringland.web.blocks import plain_section

    def at(fraction: float) -> None:
        progress(0.1 + 0.75 * fraction, "Simulating the engine with this fault")

    found = with_severity(analysis, progress=at)
    progress(0.9, "Drawing the figures")
    sections = [plain_section(s) for s in (causes_section(found), severity_section(found))]
    return {"fits": fits_as_json(found.fits), "sections": sections}


def _with_sizes(analysis: "Analysis", saved: Sequence[Plain]) -> "Analysis":
    """The analysis with sizes found before, so that the report says what the page said."""
    if not saved or analysis.diagnosis is None:
        return analysis
    from ringland.report.saved import fits_from_json

    fits = fits_from_json(saved)
    known = {(f.failure_mode, f.firing_position): f.estimate for f in fits if f.estimate.known}
    causes = tuple(
        replace(c, severity=known.get((c.failure_mode, c.firing_position), c.severity))
        for c in analysis.diagnosis.causes
    )
    return replace(analysis, diagnosis=replace(analysis.diagnosis, causes=causes), fits=fits)


def _sections(analysis: "Analysis", key: tuple[str, str], progress: Progress) -> list[Plain]:
    """Every section of the report; what was measured is drawn once, however often causes are ranked
    anew. `key`: of the analysis before answers."""
    from ringland.report.content import build_sections
    from ringland.web.blocks import plain_section

    sections = build_sections(analysis)
    known = _drawn.pop(key, {})
    _drawn[key] = known
    while len(_drawn) > _REMEMBERED:
        _drawn.popitem(last=False)
    done = []
    for number, section in enumerate(sections, start=1):
        drawn = known.get(section.id) or plain_section(section)
        if section.id in _MEASURED:
            known[section.id] = drawn
        done.append(drawn)
        progress(0.6 + 0.4 * number / len(sections), "Drawing the figures")
    return done

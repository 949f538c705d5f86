"""A visit as a path: nine steps that can be taken in any order, and where each stands."""

import json
from dataclasses import dataclass
from typing import Any

from ringland.errors import RinglandError
from ringland.history import (
    AnalysisRow,
    Visit,
    document_of,
    list_recordings,
    list_reports_sent,
    list_test_results,
    list_works,
)
from ringland.model import natural_frequency
from ringland.web.context import Context
from ringland.web.judgement import Judged, engine_of_visit, engine_spec, judged
from ringland.web.usable import Usability, usability
from ringland.web.wording import purpose_text

__all__ = [
    "STEPS",
    "Standing",
    "Step",
    "checklist_name",
    "next_step",
    "plan_of",
    "standing_of",
    "steps_of",
]

STEPS = (
    ("about", "Visit"),
    ("hook-up", "Hook-up"),
    ("recordings", "Recordings"),
    ("cylinders", "Each cylinder"),
    ("why", "Why"),
    ("checks", "What to check"),
    ("decide", "Decision"),
    ("report", "Report"),
    ("away", "Put away"),
)


@dataclass(frozen=True)
class Step:
    """One step: `mark` is open, part or done (or a state), `said` where it stands in words."""

    id: str
    title: str
    mark: str
    said: str


@dataclass(frozen=True)
class Standing:
    """What the steps of a visit are made from."""

    visit: Visit
    recordings: tuple[Judged, ...]
    usable: tuple[Usability | None, ...]
    shown: Judged | None
    document: dict[str, Any] | None

    @property
    def analysis(self) -> AnalysisRow | None:
        """The analysis shown, or None."""
        return self.shown.analysis if self.shown else None


def checklist_name(visit_id: str, phase: str) -> str:
    """The draft that holds the ticks of a checklist."""
    return f"{phase}-{visit_id}"


def standing_of(app: Context, visit: Visit, chosen: str | None = None) -> Standing:
    """The recordings of a visit and the one to show: the one chosen, else the most telling."""
    recordings = tuple(judged(app, r) for r in list_recordings(app.store, visit_id=visit.id))
    documents = tuple(_document(app, r) for r in recordings)
    usable = tuple(None if d is None else usability(d) for d in documents)
    order = sorted(
        range(len(recordings)),
        key=lambda i: (recordings[i].recording.id != chosen, _worth(documents[i]), -i),
    )
    best = next((i for i in order if documents[i] is not None), None)
    return Standing(
        visit,
        recordings,
        usable,
        None if best is None else recordings[best],
        None if best is None else documents[best],
    )


def _document(app: Context, one: Judged) -> dict[str, Any] | None:
    if one.analysis is None:
        return None
    try:
        return document_of(app.store, one.analysis)
    except (RinglandError, ValueError):
        return None


def _worth(document: dict[str, Any] | None) -> int:
    """Lower comes first: judged, idle before others."""
    if document is None:
        return 9
    judged_at_all = document["not_judged"] is None
    idle = document["recording"]["condition"] == "idle"
    return (0 if judged_at_all else 4) + (0 if idle else 1)


def steps_of(app: Context, standing: Standing) -> tuple[Step, ...]:
    """All steps with where they stand."""
    said = {
        "about": _about(standing.visit),
        "hook-up": _ticked(app, standing.visit, "hookup"),
        "recordings": _recordings(standing),
        "cylinders": _cylinders(standing),
        "why": _why(standing),
        "checks": _checks(app, standing),
        "decide": _decided(app, standing.visit),
        "report": _reported(app, standing.visit),
        "away": _ticked(app, standing.visit, "away"),
    }
    return tuple(Step(step, title, *said[step]) for step, title in STEPS)


def next_step(steps: tuple[Step, ...]) -> Step:
    """The first that is not done; with recordings there, hooking up lies behind."""
    passed = {"about", "hook-up"} if _step(steps, "recordings").mark != "open" else set()
    waiting = (s for s in steps if s.mark in ("open", "part") and s.id not in passed)
    return next(waiting, steps[-1])


def _step(steps: tuple[Step, ...], step_id: str) -> Step:
    return next(s for s in steps if s.id == step_id)


def _about(visit: Visit) -> tuple[str, str]:
    known = visit.odometer_km is not None or visit.running_hours is not None
    said = purpose_text(str(visit.purpose))
    return ("done", said) if known else ("part", f"{said}; odometer not given")


def _ticked(app: Context, visit: Visit, phase: str) -> tuple[str, str]:
    plan = plan_of(app, visit)
    if plan is None:
        return "open", "engine not described"
    ticks = app.drafts.read(checklist_name(visit.id, phase))
    wanted = [f"{s.phase}-{i}" for i, s in enumerate(plan.steps) if _LISTS[s.phase] == phase]
    done = sum(bool(ticks.get(key)) for key in wanted)
    if done == 0:
        return "open", f"none of {len(wanted)} done"
    return ("done" if done == len(wanted) else "part"), f"{done} of {len(wanted)} done"


_LISTS = {"before": "hookup", "hook_up": "hookup", "record": "record", "take_down": "away"}
"""Phase of the plan -> the checklist it is ticked in."""


def plan_of(app: Context, visit: Visit) -> Any:
    """The hook-up plan of the visit's engine, or None when it is not described."""
    from ringland.instruments.plan import make_plan

    engine = engine_of_visit(app, visit.id)
    if engine is None:
        return None
    try:
        return make_plan(engine_spec(engine))
    except RinglandError:
        return None


def _recordings(standing: Standing) -> tuple[str, str]:
    count = len(standing.recordings)
    if count == 0:
        return "open", "none yet"
    if any(r.job is not None and not r.job.over for r in standing.recordings):
        return "part", "being judged"
    waiting = sum(u is None for u in standing.usable)
    if waiting:
        return "part", f"{waiting} of {count} not judged yet"
    good = sum(u is not None and u.mark != "unusable" for u in standing.usable)
    if good == 0:
        return "part", "none usable"
    return "done", f"{good} of {count} usable"


def _cylinders(standing: Standing) -> tuple[str, str]:
    analysis = standing.analysis
    if analysis is None:
        return "open", "nothing judged yet"
    if analysis.not_judged is not None:
        return "not_judged", "not judged"
    words = {"alarm": "ALARM", "alert": "alert", "normal": "no alert or alarm"}
    assert standing.document is not None
    counts = [c["state"] for c in standing.document["cylinders"]]
    if analysis.state in ("alarm", "alert"):
        number = counts.count(analysis.state)
        who = f"{number} of {len(counts)}" if number else "engine"
        return analysis.state, f"{who}: {words[analysis.state]}"
    return analysis.state.replace(" ", "_"), words.get(analysis.state, analysis.state)


def leading(document: dict[str, Any]) -> tuple[str, float] | None:
    """The best explanation with its place and probability, "nothing wrong" among them."""
    if document["healthy"] is None:
        return None
    found = [("nothing wrong", document["healthy"]), ("none of these", document["none_of_these"])]
    for cause in document["causes"]:
        place = ""
        if cause["cylinder"] is not None:
            place = f", cylinder {cause['cylinder']}"
        elif cause["firing_position"] is not None:
            place = f", position {cause['firing_position']}"
        found.append((cause["name"] + place, cause["probability"]))
    return max(found, key=lambda f: f[1])


def _why(standing: Standing) -> tuple[str, str]:
    best = None if standing.document is None else leading(standing.document)
    if best is None:
        return "open", "nothing ranked yet"
    return "done", f"{best[0]}: {natural_frequency(best[1])}"


def _checks(app: Context, standing: Standing) -> tuple[str, str]:
    answers = len(list_test_results(app.store, visit_id=standing.visit.id))
    document = standing.document
    waiting = document["next_tests"] if document else []
    said = f"{answers} answered" if answers else "none answered"
    if document is None:
        return "open", "nothing to ask yet"
    if not waiting:
        return "done", said if answers else "none worth its minutes"
    return ("part" if answers else "open"), f"{said}; {len(waiting)} would tell more"


def _decided(app: Context, visit: Visit) -> tuple[str, str]:
    works = list_works(app.store, visit_id=visit.id)
    if not works:
        return "open", "nothing decided"
    done = sum(w.done_on is not None for w in works)
    return "done", f"{len(works)} decided, {done} done"


def _reported(app: Context, visit: Visit) -> tuple[str, str]:
    sent = list_reports_sent(app.store, visit_id=visit.id)
    if not sent:
        return "open", "not sent"
    states = [s.state for s in sent]
    if "sent" in states:
        return "done", "sent"
    return "part", "in the outbox" if "queued" in states else "sending failed"


def answers_text(readings: str) -> str:
    """Stored readings in words."""
    found: dict[str, float] = json.loads(readings)
    return ", ".join(f"{k.replace('_', ' ')} {v:.3g}" for k, v in found.items())

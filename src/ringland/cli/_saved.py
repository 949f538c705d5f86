"""A saved analysis read back far enough to go on with the diagnosis, and its stored answers."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from ringland.errors import BadInput, FileFormatError, SettingError

if TYPE_CHECKING:
    from ringland.advice import Costs
    from ringland.model import (
        CaseEvidence,
        CylinderSet,
        Diagnosis,
        EngineSpec,
        Estimate,
        GivenAnswer,
        JoinedRecording,
        LearnedPriors,
        MetricTable,
        RecordedEvidence,
        SymptomTable,
    )

__all__ = [
    "SavedAnalysis",
    "add_answer",
    "answers_path",
    "find_analysis",
    "read_saved",
    "rediagnose",
]

SCHEMA_START = "ringland.analysis/"


@dataclass(frozen=True)
class SavedAnalysis:
    """What the diagnosis needs from a saved analysis."""

    path: Path
    engine: "EngineSpec"
    cylinders: "CylinderSet"
    symptoms: "SymptomTable"
    metrics: "MetricTable | None"
    answers: "tuple[GivenAnswer, ...]"
    cases: "CaseEvidence | None" = None
    recordings: "tuple[JoinedRecording, ...]" = ()
    priors: "LearnedPriors | None" = None


def find_analysis(given: Path | None) -> Path:
    """The analysis file that was named, or the newest one in this folder.

    Raises BadInput when there is none.
    """
    folder = given if given is not None and given.is_dir() else Path()
    if given is not None and not given.is_dir():
        if not given.is_file():
            raise BadInput(
                "There is no such analysis.",
                got=str(given),
                remedy="Make one: ringland analyse RECORDING --engine ENGINE --json FILE.json",
            )
        return given
    found = [p for p in folder.glob("*.json") if _is_analysis(p)]
    if not found:
        raise BadInput(
            "There is no saved analysis in this folder.",
            got=str(folder.resolve().name),
            remedy="Make one: ringland analyse RECORDING --engine ENGINE --json FILE.json",
        )
    return max(found, key=lambda p: p.stat().st_mtime)


def _is_analysis(path: Path) -> bool:
    try:
        with path.open(encoding="utf-8") as file:
            return SCHEMA_START in file.read(200)
    except (OSError, UnicodeDecodeError):
        return False


def answers_path(analysis: Path) -> Path:
    """Where the answers to an analysis are kept, one JSON object a line."""
    return analysis.with_suffix(".answers.jsonl")


def read_saved(path: Path) -> SavedAnalysis:
    """The analysis in a JSON file with its stored answers. Raises FileFormatError."""
    content = _object(path)
    if not str(content.get("schema", "")).startswith(SCHEMA_START):
        raise FileFormatError(
            f"{path.name} is not an analysis.",
            got=repr(content.get("schema")),
            allowed=f"a file with schema {SCHEMA_START}...",
        )
    try:
        return SavedAnalysis(
            path=path,
            engine=_engine(content["engine"]),
            cylinders=_cylinders(content["cylinders"]),
            symptoms=_symptoms(content),
            metrics=None,
            answers=_answers(answers_path(path)),
            cases=_cases(content.get("simulated_cases")),
            recordings=_recordings(content.get("joined", [])),
            priors=_priors(content.get("priors")),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise FileFormatError(
            f"{path.name} is damaged or from another version.",
            got=f"{type(error).__name__}: {error}",
            remedy="Analyse the recording again.",
        ) from error


def _object(path: Path) -> Mapping[str, object]:
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise FileFormatError(f"{path.name} cannot be read as JSON.", got=str(error)) from error
    if not isinstance(content, dict):
        raise FileFormatError(f"{path.name} is not an analysis.", got=type(content).__name__)
    return content


def _engine(saved: object) -> "EngineSpec":
    from ringland.model import Aspiration, EngineSpec, Fuel

    entry = _dict(saved)
    banks = entry.get("banks")
    return EngineSpec(
        name=str(entry["name"]),
        cylinders=_int(entry["cylinders"]),
        firing_order=tuple(_int(c) for c in _list(entry["firing_order"])),
        firing_angles_deg=tuple(_float(a) for a in _list(entry["firing_angles_deg"])),
        strokes=_int(entry["strokes"]),
        outlets=tuple(_int(o) for o in _list(entry["outlets"])),
        banks=None if banks is None else tuple(_int(b) for b in _list(banks)),
        fuel=Fuel(str(entry["fuel"])),
        aspiration=Aspiration(str(entry["aspiration"])),
        inactive_cylinders=tuple(_int(c) for c in _list(entry["inactive_cylinders"])),
    )


def _cylinders(saved: object) -> "CylinderSet":
    from ringland.model import Assignment, CylinderSet

    assignments = []
    for one in _list(saved):
        entry = _dict(one)
        cylinder = entry["cylinder"]
        assignments.append(
            Assignment(
                firing_position=_int(entry["firing_position"]),
                firing_angle_deg=_float(entry["firing_angle_deg"]),
                cylinder=None if cylinder is None else _int(cylinder),
                probability=_float(entry["assignment_probability"]),
                position_known=bool(entry["position_known"]),
                reason=str(entry["assignment_reason"]),
            )
        )
    return CylinderSet((), (), (), tuple(assignments), (), ())


def _symptoms(content: Mapping[str, object]) -> "SymptomTable":
    from ringland.model import State, Symptom, SymptomTable

    rates = content.get("symptom_rates")
    symptoms = []
    for one in _list(content["symptoms"]):
        entry = _dict(one)
        position = entry["firing_position"]
        symptoms.append(
            Symptom(
                metric=str(entry["metric"]),
                firing_position=None if position is None else _int(position),
                state=State(str(entry["state"])),
                deviation=_estimate(entry["deviation"]),
                alert_limit=_optional(entry["alert_limit"]),
                alarm_limit=_optional(entry["alarm_limit"]),
                p_value=_optional(entry["p_value"]),
                compared_with=str(entry["compared_with"]),
                sentence=str(entry["sentence"]),
                reason=str(entry.get("reason") or ""),
            )
        )
    limits = _dict(rates) if rates is not None else {"alarm": 0.0, "alert": 0.0}
    return SymptomTable(tuple(symptoms), _float(limits["alarm"]), _float(limits["alert"]))


def _cases(saved: object) -> "CaseEvidence | None":
    """What simulated engines said of the recording; None in files of older versions."""
    from ringland.model import CaseEvidence

    if saved is None:
        return None
    entry = _dict(saved)
    ratios: dict[tuple[str, int | None], float] = {}
    severity: dict[tuple[str, int | None], Estimate] = {}
    without: dict[str, dict[tuple[str, int | None], float]] = {}
    for one in _list(entry["ratios"]):
        row = _dict(one)
        key = (str(row["failure_mode"]), _int(row["firing_position"]))
        ratios[key] = _float(row["log_ratio"])
        if row["severity"] is not None:
            severity[key] = _estimate(row["severity"])
        for channel, ratio in _dict(row["without"]).items():
            without.setdefault(channel, {})[key] = _float(ratio)
    strange = entry["resembles_nothing"]
    return CaseEvidence(
        log_ratio=ratios,
        none_of_these=_float(entry["none_of_these"]),
        metrics=tuple(str(m) for m in _list(entry["metrics"])),
        resembles_nothing=None if strange is None else str(strange),
        severity=severity,
        without_channel=without,
        against=str(entry.get("against_sound") or ""),
        sound_notes=tuple(str(n) for n in _list(entry.get("sound_notes", []))),
        channels=tuple(str(c) for c in _list(entry.get("channels", []))),
        by_kind={
            (str(row["kind"]), _int(row["firing_position"])): _float(row["log_ratio"])
            for row in map(_dict, _list(entry.get("by_kind", [])))
        },
    )


def _priors(saved: object) -> "LearnedPriors | None":
    """What the analysis was made with, so that the ranking goes on from there."""
    from ringland.model import LearnedPriors

    return None if saved is None else LearnedPriors.from_plain(saved)


def _recordings(saved: object) -> "tuple[JoinedRecording, ...]":
    """The recordings of a joint ranking; none in files of older versions."""
    from ringland.model import ChannelRole, Condition, JoinedRecording

    found = []
    for one in _list(saved):
        entry = _dict(one)
        reason = entry["left_out"]
        joined = JoinedRecording(
            name=str(entry["name"]),
            condition=Condition(str(entry["condition"])),
            speed_rpm=_optional(entry["speed_rpm"]),
            roles=tuple(ChannelRole(str(r)) for r in _list(entry["roles"])),
            earlier=bool(entry["earlier"]),
            left_out=None if reason is None else str(reason),
        )
        found.append(replace(joined, evidence=_evidence(entry["evidence"], joined)))
    return tuple(found)


def _evidence(saved: object, joined: "JoinedRecording") -> "RecordedEvidence | None":
    from ringland.model import RecordedEvidence

    if saved is None:
        return None
    entry = _dict(saved)
    numbers = entry["cylinders"]
    return RecordedEvidence(
        name=joined.name,
        condition=joined.condition,
        speed_rpm=joined.speed_rpm,
        roles=joined.roles,
        symptoms=_symptoms(entry),
        numbers=None
        if numbers is None
        else tuple(None if n is None else _int(n) for n in _list(numbers)),
        cases=_cases(entry["simulated_cases"]),
        earlier=joined.earlier,
    )


def _estimate(saved: object) -> "Estimate":
    from ringland.model import Estimate

    entry = _dict(saved)
    reason = entry.get("reason")
    return Estimate(
        _optional(entry["value"]),
        _optional(entry["low"]),
        _optional(entry["high"]),
        str(entry["unit"]),
        coverage=_float(entry.get("coverage", 0.9)),
        reason=None if reason is None else str(reason),
    )


def _dict(value: object) -> Mapping[str, object]:
    if not isinstance(value, dict):
        raise TypeError(f"expected an object, got {type(value).__name__}")
    return value


def _list(value: object) -> Sequence[object]:
    if not isinstance(value, list):
        raise TypeError(f"expected a list, got {type(value).__name__}")
    return value


def _float(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(f"expected a number, got {value!r}")
    return float(value)


def _int(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise TypeError(f"expected a whole number, got {value!r}")
    return value


def _optional(value: object) -> float | None:
    return None if value is None else _float(value)


def _answers(path: Path) -> "tuple[GivenAnswer, ...]":
    from ringland.model import GivenAnswer

    if not path.is_file():
        return ()
    answers = []
    for line in path.read_text(encoding="utf-8").splitlines():
        if not line.strip():
            continue
        entry = json.loads(line)
        answers.append(
            GivenAnswer(
                test=entry["test"],
                outcome=entry["outcome"],
                firing_position=entry["firing_position"],
                cylinder=entry["cylinder"],
                readings=tuple((k, float(v)) for k, v in entry["readings"].items()),
            )
        )
    return tuple(answers)


def add_answer(analysis: Path, answer: "GivenAnswer") -> Path:
    """Append one answer to those kept beside the analysis. Raises SettingError."""
    path = answers_path(analysis)
    line = json.dumps(
        {
            "test": answer.test,
            "outcome": answer.outcome,
            "cylinder": answer.cylinder,
            "firing_position": answer.firing_position,
            "readings": dict(answer.readings),
        }
    )
    try:
        with path.open("a", encoding="utf-8", newline="\n") as file:
            file.write(line + "\n")
    except OSError as error:
        raise SettingError("The answer could not be kept.", got=str(error)) from error
    return path


def _first(saved: SavedAnalysis) -> "RecordedEvidence | None":
    """How the recording of the analysis itself was made, where it was ranked with others."""
    from ringland.model import RecordedEvidence

    if not saved.recordings:
        return None
    one = saved.recordings[0]
    numbers = {a.firing_position: a.cylinder for a in saved.cylinders.assignments}
    return RecordedEvidence(
        name=one.name,
        condition=one.condition,
        speed_rpm=one.speed_rpm,
        roles=one.roles,
        symptoms=saved.symptoms,
        numbers=tuple(numbers.get(p) for p in range(1, saved.engine.cylinders + 1)),
        cases=saved.cases,
    )


def rediagnose(
    saved: SavedAnalysis,
    extra: "Sequence[GivenAnswer]" = (),
    *,
    costs: "Costs | None" = None,
    minutes: float | None = None,
) -> "Diagnosis":
    """The ranking with all answers so far, the next tests and the actions."""
    from ringland.advice import actions, next_tests
    from ringland.diagnosis import diagnose

    diagnosis = diagnose(
        saved.symptoms,
        saved.metrics,
        saved.cylinders,
        saved.engine,
        answers=(*saved.answers, *extra),
        likelihoods=saved.cases,
        recording=_first(saved),
        also=[r.evidence for r in saved.recordings if r.evidence is not None],
        priors=saved.priors,
    )
    left_out = tuple(r for r in saved.recordings if r.left_out is not None)
    diagnosis = replace(diagnosis, recordings=(*diagnosis.recordings, *left_out))
    diagnosis = replace(diagnosis, next_tests=next_tests(diagnosis, costs=costs, minutes=minutes))
    return replace(diagnosis, actions=actions(diagnosis))

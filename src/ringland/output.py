"""An analysis as JSON: versioned, documented by docs/analysis.schema.json, never NaN.

Unknown is null with a `reason` beside it. Additions keep the version; a change or removal of a
field raises it.
"""

import json
import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TypeAlias, cast

from ringland import __version__
from ringland.errors import RinglandError, SettingError
from ringland.model import (
    Analysis,
    CaseEvidence,
    Cause,
    Diagnosis,
    Estimate,
    EvidenceWeight,
    JoinedRecording,
    MetricValue,
    NextTest,
    QualityFinding,
    QualityReport,
    RecordedEvidence,
    SeverityFit,
    State,
    Symptom,
    SymptomTable,
)

__all__ = [
    "SCHEMA",
    "Json",
    "Object",
    "as_json",
    "error_as_json",
    "fits_as_json",
    "json_text",
    "number",
    "quality_as_json",
    "write_json",
]

SCHEMA = "ringland.analysis/1"

Json: TypeAlias = bool | int | float | str | list["Json"] | dict[str, "Json"] | None
Object: TypeAlias = dict[str, Json]

_STATE_ORDER = {State.NOT_JUDGED: 0, State.NORMAL: 1, State.ALERT: 2, State.ALARM: 3}


def as_json(analysis: Analysis) -> Object:
    """Everything in the analysis as plain dicts and lists (see docs/analysis.schema.json)."""
    diagnosis = analysis.diagnosis
    return {
        "schema": SCHEMA,
        "recording": _recording(analysis),
        "engine": _engine(analysis),
        "not_judged": analysis.not_judged,
        "notes": list(analysis.notes),
        "quality": quality_as_json(analysis.quality),
        "speed_rpm": _speed(analysis),
        "cycles": _cycles(analysis),
        "cylinders": _cylinders(analysis),
        "engine_metrics": _metrics_of(analysis, None),
        "imbalance": _imbalance(analysis),
        "path_delays": _path_delays(analysis),
        "crank_ripple": _crank_ripple(analysis),
        "symptoms": _each(_symptom_with(analysis), _symptoms(analysis)),
        "symptom_rates": _rates(analysis.symptoms),
        "causes": _each(_cause, diagnosis.causes) if diagnosis else [],
        "healthy": number(diagnosis.healthy) if diagnosis else None,
        "none_of_these": number(diagnosis.none_of_these) if diagnosis else None,
        "resembles_nothing": diagnosis.resembles_nothing if diagnosis else None,
        "ranking_notes": list(diagnosis.notes) if diagnosis else [],
        "next_tests": _each(_next_test, diagnosis.next_tests) if diagnosis else [],
        "actions": _actions(diagnosis),
        "simulated_cases": _cases(diagnosis.cases) if diagnosis else None,
        "joined": _joined(diagnosis) if diagnosis else [],
        "severity_fits": fits_as_json(analysis.fits),
        "priors": _priors(diagnosis),
        "provenance": _provenance(analysis),
    }


def quality_as_json(report: QualityReport) -> Object:
    """Verdict per channel and check; channel null is the recording as a whole."""
    return {
        "channels": [
            {
                "channel": name or None,
                "verdict": report.verdict(name).value,
                "checks": _each(_finding, report.of_channel(name)),
            }
            for name in report.channels
        ]
    }


def error_as_json(error: RinglandError) -> Object:
    """The one shape of every error."""
    return dict(error.as_dict())


def json_text(content: Object) -> str:
    """JSON text, ASCII only, so that no terminal or pipe can spoil it."""
    return json.dumps(content, indent=2, allow_nan=False) + "\n"


def write_json(content: Object, path: Path) -> None:
    """Write JSON to a file. Raises SettingError when the file cannot be written."""
    try:
        path.write_text(json_text(content), encoding="ascii", newline="\n")
    except OSError as error:
        raise SettingError(
            "The JSON file could not be written.",
            got=f"{path}: {error.strerror or error}",
            remedy="Name a file in a folder that exists and can be written to.",
        ) from error


def _each(make: Callable[..., Object], items: Iterable[object]) -> list[Json]:
    return [make(item) for item in items]


def number(value: float | None) -> float | None:
    """A plain float, or None for a missing or non-finite one."""
    return float(value) if value is not None and math.isfinite(value) else None


def _estimate(estimate: Estimate | None) -> Object | None:
    if estimate is None:
        return None
    return {
        "value": number(estimate.value),
        "low": number(estimate.low),
        "high": number(estimate.high),
        "unit": estimate.unit,
        "coverage": estimate.coverage,
        "reason": estimate.reason,
    }


def _recording(analysis: Analysis) -> Object:
    recording = analysis.recording
    source = recording.source
    sampled: list[Json] = [
        {
            "name": channel.name,
            "role": channel.role.value,
            "role_reason": channel.role_reason,
            "unit": channel.unit,
            "rate_hz": number(channel.rate_hz),
            "samples": len(channel.samples),
        }
        for channel in recording.channels
    ]
    edges: list[Json] = [
        {
            "name": train.name,
            "role": train.role.value,
            "role_reason": train.role_reason,
            "edges": len(train.time_s),
        }
        for train in recording.edges
    ]
    return {
        "name": source.name,
        "format": source.format,
        "size_bytes": source.size_bytes,
        "sha256": source.sha256,
        "condition": recording.condition.value,
        "speed_hint_rpm": number(recording.speed_hint_rpm),
        "start_s": number(recording.start_s),
        "duration_s": number(recording.duration_s),
        "channels": sampled,
        "edge_trains": edges,
        "notes": list(recording.notes),
    }


def _engine(analysis: Analysis) -> Object:
    engine = analysis.engine
    return {
        "name": engine.name,
        "cylinders": engine.cylinders,
        "strokes": engine.strokes,
        "firing_order": list(engine.firing_order),
        "firing_angles_deg": [float(angle) for angle in engine.firing_angles_deg],
        "outlets": list(engine.outlets),
        "inactive_cylinders": list(engine.inactive_cylinders),
        "fuel": engine.fuel.value,
        "aspiration": engine.aspiration.value,
    }


def _finding(finding: QualityFinding) -> Object:
    return {
        "check": finding.check,
        "verdict": finding.verdict.value,
        "message": finding.message,
        "action": finding.action,
        "measured": _estimate(finding.measured),
        "limit": number(finding.limit),
        "spans_s": [[number(start), number(stop)] for start, stop in finding.spans_s],
    }


def _speed(analysis: Analysis) -> Object:
    cycles = analysis.cycles
    if cycles is not None:
        return _estimate(cycles.mean_speed_rpm) or {}
    reason = analysis.not_judged or "the engine cycle was not looked for"
    return {"value": None, "low": None, "high": None, "unit": "rpm", "reason": reason}


def _cycles(analysis: Analysis) -> Object:
    cycles = analysis.cycles
    if cycles is None:
        return {
            "found": None,
            "kept": None,
            "dropped": [],
            "dropped_by_reason": {},
            "phase_source": None,
            "reason": analysis.not_judged or "the engine cycle was not looked for",
        }
    dropped: list[Json] = [
        {"start_s": number(c.start_s), "stop_s": number(c.stop_s), "reason": c.dropped}
        for c in cycles.dropped
    ]
    return {
        "found": cycles.found,
        "kept": len(cycles.kept),
        "dropped": dropped,
        "dropped_by_reason": dict(Counter(c.dropped or "" for c in cycles.dropped)),
        "phase_source": cycles.phase_source.value,
        "reference": cycles.reference.value,
        "reference_reason": cycles.reference_reason,
        "cycle_deg": number(cycles.cycle_deg),
        "tooth_wheel": cycles.wheel.name if cycles.wheel else None,
        "reason": None,
        "notes": list(cycles.notes),
    }


def _cylinders(analysis: Analysis) -> list[Json]:
    """One entry per firing position, in firing order."""
    found = analysis.cylinders
    if found is None:
        return []
    shares = {p for share in found.shares for p in share.positions}
    entries: list[Json] = []
    for assignment in sorted(found.assignments, key=lambda a: a.firing_position):
        position = assignment.firing_position
        misfires: list[Json] = [
            {
                "channel": count.channel,
                "missed": count.missed,
                "cycles": count.cycles,
                "rate": _estimate(count.rate),
                "longest_run": count.longest_run,
                "repeat_ratio": _estimate(count.repeat_ratio),
            }
            for count in found.misfires
            if count.firing_position == position
        ]
        state = analysis.symptoms.state_of(position) if analysis.symptoms else State.NOT_JUDGED
        entries.append(
            {
                "cylinder": assignment.cylinder,
                "firing_position": position,
                "firing_angle_deg": number(assignment.firing_angle_deg),
                "assignment_probability": number(assignment.probability),
                "position_known": assignment.position_known,
                "assignment_reason": assignment.reason,
                "heard": position in shares,
                "state": state.value,
                "metrics": _metrics_of(analysis, position),
                "misfires": misfires,
            }
        )
    return entries


def _imbalance(analysis: Analysis) -> list[Json]:
    """Per channel: is there any imbalance between the cylinders at all."""
    spectra = analysis.cylinders.spectra if analysis.cylinders else ()
    return [
        {
            "channel": spectrum.channel,
            "ratio": _estimate(spectrum.imbalance_ratio),
            "p_value": number(spectrum.imbalance_p),
        }
        for spectrum in spectra
    ]


def _crank_ripple(analysis: Analysis) -> list[Json]:
    """Ripple of crank speed or starter current, one entry per span of cranking or running."""
    ripples = analysis.cylinders.ripples if analysis.cylinders else ()
    return [
        {
            "channel": ripple.channel,
            "phase": str(segment.phase),
            "start_s": number(segment.start_s),
            "stop_s": number(segment.stop_s),
            "cycles": segment.cycles,
            "mean": _estimate(segment.mean),
            "peak_to_peak": _estimate(segment.peak_to_peak),
            "orders": [
                {
                    "order": number(line.order),
                    "amplitude": number(line.amplitude),
                    "shared": line.shared,
                }
                for line in segment.orders
            ],
            "positions_known": ripple.positions_known,
            "reason": ripple.reason,
        }
        for ripple in ripples
        for segment in ripple.segments
    ]


def _path_delays(analysis: Analysis) -> list[Json]:
    """Per channel: how late it hears a cylinder, and how sure the assignment is."""
    delays = analysis.cylinders.delays if analysis.cylinders else ()
    return [
        {
            "channel": delay.channel,
            "pulse_angle_deg": _estimate(delay.pulse_angle_deg),
            "path_delay_deg": _estimate(delay.path_delay_deg),
            "shift_probability": [
                {"positions": shift, "probability": number(p)}
                for shift, p in delay.shift_probability
            ],
            "reason": delay.reason,
        }
        for delay in delays
    ]


def _metrics_of(analysis: Analysis, position: int | None) -> Object:
    """Metrics of one firing position (None: the engine as a whole), by id.

    A metric measured on two channels appears under its id for the first and "id@channel" after.
    """
    if analysis.metrics is None:
        return {}
    entries: Object = {}
    for value in analysis.metrics.of_position(position):
        key = value.metric if value.metric not in entries else f"{value.metric}@{value.channel}"
        entries[key] = _metric(analysis, value)
    return entries


def _metric(analysis: Analysis, value: MetricValue) -> Object:
    matching = [
        s
        for s in _symptoms(analysis)
        if s.metric == value.metric and s.firing_position == value.firing_position
    ]
    worst = max(matching, key=lambda s: _STATE_ORDER[s.state], default=None)
    entry = _estimate(value.estimate) or {}
    entry["state"] = worst.state.value if worst else State.NOT_JUDGED.value
    entry["state_reason"] = worst.reason or None if worst else "not held against any limit"
    entry["channel"] = value.channel
    return entry


def _symptoms(analysis: Analysis) -> tuple[Symptom, ...]:
    return analysis.symptoms.symptoms if analysis.symptoms else ()


def _symptom_with(analysis: Analysis) -> Callable[[Symptom], Object]:
    assignments = analysis.cylinders.assignments if analysis.cylinders else ()
    return _symptom_at({a.firing_position: a.cylinder for a in assignments})


def _symptom_at(cylinder_at: Mapping[int, int | None]) -> Callable[[Symptom], Object]:
    def make(symptom: Symptom) -> Object:
        position = symptom.firing_position
        return {
            "metric": symptom.metric,
            "firing_position": position,
            "cylinder": None if position is None else cylinder_at.get(position),
            "state": symptom.state.value,
            "deviation": _estimate(symptom.deviation),
            "alert_limit": number(symptom.alert_limit),
            "alarm_limit": number(symptom.alarm_limit),
            "p_value": number(symptom.p_value),
            "compared_with": symptom.compared_with,
            "sentence": symptom.sentence,
            "reason": symptom.reason or None,
        }

    return make


def _rates(table: SymptomTable | None) -> Object | None:
    """Chance that a sound engine shows any alarm, any alert, in the whole table."""
    if table is None:
        return None
    return {"alarm": number(table.alarm_rate), "alert": number(table.alert_rate)}


def _weight(weight: EvidenceWeight) -> Object:
    return {
        "evidence": weight.evidence,
        "bits": number(weight.bits),
        "sentence": weight.sentence,
    }


def _cause(cause: Cause) -> Object:
    return {
        "failure_mode": cause.failure_mode,
        "name": cause.name,
        "cylinder": cause.cylinder,
        "firing_position": cause.firing_position,
        "firing_positions": list(cause.firing_positions),
        "cylinders": list(cause.cylinders),
        "probability": number(cause.probability),
        "present": number(cause.present),
        "severity": _estimate(cause.severity),
        "speaks_for": _each(_weight, cause.speaks_for),
        "speaks_against": _each(_weight, cause.speaks_against),
        "would_also_show": list(cause.would_also_show),
    }


def _next_test(test: NextTest) -> Object:
    outcomes: list[Json] = [
        {
            "outcome": answer.outcome,
            "title": answer.title,
            "cylinder": answer.cylinder,
            "firing_position": answer.firing_position,
            "probability": number(answer.probability),
            "ranking": [{"cause": name, "probability": number(p)} for name, p in answer.ranking],
        }
        for answer in test.outcomes
    ]
    return {
        "test": test.test,
        "title": test.title,
        "cylinder": test.cylinder,
        "firing_position": test.firing_position,
        "information_bits": number(test.information_bits),
        "minutes": number(test.minutes),
        "bits_per_minute": number(test.bits_per_minute),
        "equipment": list(test.equipment),
        "cautions": list(test.cautions),
        "outcomes": outcomes,
        "expected_saving": _estimate(test.expected_saving),
    }


def _cases(cases: CaseEvidence | None) -> Json:
    """What simulated engines say: natural logarithms of likelihood ratios against a sound one."""
    if cases is None:
        return None
    return {
        "ratios": [
            {
                "failure_mode": mode,
                "firing_position": position,
                "log_ratio": number(ratio),
                "severity": _estimate(cases.severity[mode, position])
                if (mode, position) in cases.severity
                else None,
                "without": {
                    channel: number(ratios[mode, position])
                    for channel, ratios in cases.without_channel.items()
                },
            }
            for (mode, position), ratio in cases.log_ratio.items()
        ],
        "none_of_these": number(cases.none_of_these),
        "resembles_nothing": cases.resembles_nothing,
        "metrics": list(cases.metrics),
        "channels": list(cases.channels),
        "by_kind": [
            {"kind": kind, "firing_position": position, "log_ratio": number(ratio)}
            for (kind, position), ratio in cases.by_kind.items()
        ],
        "against_sound": cases.against or None,
        "sound_notes": list(cases.sound_notes),
    }


def _joined(diagnosis: Diagnosis) -> list[Json]:
    """The recordings of a joint ranking, that of this analysis first; empty for a single one."""
    titles = [c.titled for c in diagnosis.causes]

    def make(one: JoinedRecording) -> Object:
        return {
            "name": one.name,
            "condition": one.condition.value,
            "speed_rpm": number(one.speed_rpm),
            "roles": [role.value for role in one.roles],
            "healthy": number(one.healthy),
            "leading": one.leading or None,
            "leading_probability": number(one.leading_probability),
            "weight": number(one.weight),
            "turned": one.turned,
            "earlier": one.earlier,
            "left_out": one.left_out,
            "moved": [
                {"cause": title, "bits": number(bits)}
                for title, bits in zip(titles, one.bits, strict=False)
            ],
            "evidence": None if one.evidence is None else _evidence(one.evidence),
        }

    return _each(make, diagnosis.recordings)


def _evidence(told: RecordedEvidence) -> Object:
    """What another recording showed, kept so that answers can be added later."""
    numbers = told.numbers or ()
    at = dict(enumerate(numbers, start=1))
    return {
        "cylinders": list(numbers) if told.numbers is not None else None,
        "symptoms": _each(_symptom_at(at), told.symptoms.symptoms),
        "symptom_rates": _rates(told.symptoms),
        "simulated_cases": _cases(told.cases),
    }


def fits_as_json(fits: Iterable[SeverityFit]) -> list[Json]:
    """How large the leading causes are, with the curves that show it (five significant digits)."""
    return [
        {
            "failure_mode": fit.failure_mode,
            "firing_position": fit.firing_position,
            "cylinder": fit.cylinder,
            "estimate": _estimate(fit.estimate),
            "method": fit.method or None,
            "notes": list(fit.notes),
            "overlays": [
                {
                    "channel": one.channel,
                    "role": one.role.value,
                    "unit": one.unit,
                    "harmonics": one.harmonics,
                    **{name: _curve(getattr(one, name)) for name in _CURVES},
                }
                for one in fit.overlays
            ],
        }
        for fit in fits
    ]


_CURVES = (
    "angle_deg", "measured", "measured_low", "measured_high", "simulated", "simulated_low",
    "simulated_high", "sound",
)  # fmt: skip


def _curve(values: Iterable[float]) -> list[Json]:
    return [number(float(f"{v:.5g}")) for v in values]


def _actions(diagnosis: Diagnosis | None) -> list[Json]:
    if diagnosis is None:
        return []
    return [
        {
            "action": action.action,
            "urgency": action.urgency,
            "owner_words": action.owner_words,
            "workshop_words": action.workshop_words,
            "reasons": list(action.reasons),
            "cautions": list(action.cautions),
        }
        for action in diagnosis.actions
    ]


def _priors(diagnosis: Diagnosis | None) -> Object | None:
    """Learned priors with all that is needed to go on with them; null for the package's."""
    if diagnosis is None or diagnosis.priors is None:
        return None
    return cast(Object, diagnosis.priors.as_plain())


def _provenance(analysis: Analysis) -> Object:
    steps: list[Json] = []
    for step in analysis.provenance.steps:
        settings: Object = {
            key: number(value) if isinstance(value, float) else value
            for key, value in step.settings.items()
        }
        steps.append({"name": step.name, "settings": settings})
    return {"ringland": __version__, "steps": steps}

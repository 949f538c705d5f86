"""A saved analysis (JSON) read back as far as a report needs it: all values, no waveforms."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from ringland.errors import FileFormatError
from ringland.model import (
    Action,
    Analysis,
    Aspiration,
    Assignment,
    Cause,
    ChannelRole,
    Condition,
    CycleOverlay,
    CycleSet,
    CycleUse,
    CylinderSet,
    Diagnosis,
    EngineSpec,
    Estimate,
    EvidenceWeight,
    Fuel,
    JoinedRecording,
    LearnedPriors,
    MetricTable,
    MetricValue,
    NextTest,
    PhaseSource,
    PossibleAnswer,
    Provenance,
    ProvenanceStep,
    QualityFinding,
    QualityReport,
    Recording,
    Reference,
    SeverityFit,
    SourceInfo,
    State,
    Symptom,
    SymptomTable,
    Verdict,
)

__all__ = ["ANALYSIS_SCHEMA", "analysis_from_json", "fits_from_json"]

ANALYSIS_SCHEMA = "ringland.analysis/1"
_NONE = np.zeros(0)
Saved = Mapping[str, Any]


def analysis_from_json(content: Saved) -> Analysis:
    """The analysis in the JSON that `ringland.output` made. Channels have no samples, so that
    figures of waveforms are left out and say so. Raises FileFormatError.
    """
    if content.get("schema") != ANALYSIS_SCHEMA:
        raise FileFormatError(
            "This is not a saved analysis.",
            got=repr(content.get("schema"))[:80],
            allowed=f"JSON with schema {ANALYSIS_SCHEMA}",
        )
    try:
        return _analysis(content)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise FileFormatError(
            "The saved analysis is damaged or from another version.",
            got=f"{type(error).__name__}: {error}",
            remedy="Analyse the recording again.",
        ) from error


def _analysis(content: Saved) -> Analysis:
    judged = content["symptom_rates"] is not None
    return Analysis(
        recording=_recording(content["recording"]),
        engine=_engine(content["engine"]),
        quality=_quality(content["quality"]),
        cycles=_cycles(content),
        cylinders=_cylinders(content["cylinders"]) if judged else None,
        metrics=_metrics(content) if judged else None,
        symptoms=_symptoms(content) if judged else None,
        diagnosis=_diagnosis(content) if content["healthy"] is not None else None,
        not_judged=content["not_judged"],
        fits=fits_from_json(content.get("severity_fits", ())),
        notes=(*content["notes"], "made from a saved analysis, without the recording"),
        provenance=Provenance(
            tuple(ProvenanceStep(s["name"], s["settings"]) for s in content["provenance"]["steps"])
        ),
    )


def _recording(saved: Saved) -> Recording:
    source = SourceInfo(saved["name"], saved["format"], saved["size_bytes"], saved["sha256"])
    return Recording(
        (),
        source=source,
        condition=Condition(saved["condition"]),
        speed_hint_rpm=saved["speed_hint_rpm"],
        notes=tuple(saved["notes"]),
    )


def _engine(saved: Saved) -> EngineSpec:
    return EngineSpec(
        name=saved["name"],
        cylinders=saved["cylinders"],
        firing_order=tuple(saved["firing_order"]),
        firing_angles_deg=tuple(saved["firing_angles_deg"]),
        strokes=saved["strokes"],
        outlets=tuple(saved["outlets"]),
        fuel=Fuel(saved["fuel"]),
        aspiration=Aspiration(saved["aspiration"]),
        inactive_cylinders=tuple(saved["inactive_cylinders"]),
    )


def _estimate(saved: Saved) -> Estimate:
    return Estimate(
        saved["value"],
        saved["low"],
        saved["high"],
        saved["unit"],
        coverage=saved.get("coverage", 0.9),
        reason=saved.get("reason"),
    )


def _quality(saved: Saved) -> QualityReport:
    return QualityReport(
        tuple(
            QualityFinding(
                check=f["check"],
                channel=channel["channel"] or "",
                verdict=Verdict(f["verdict"]),
                message=f["message"],
                action=f["action"],
                measured=None if f["measured"] is None else _estimate(f["measured"]),
                limit=f["limit"],
                spans_s=tuple((a, b) for a, b in f["spans_s"]),
            )
            for channel in saved["channels"]
            for f in channel["checks"]
        )
    )


def _cycles(content: Saved) -> CycleSet | None:
    saved = content["cycles"]
    if saved["found"] is None:
        return None
    # a saved analysis says how many cycles were kept, not where they lay
    kept = (CycleUse(float("nan"), float("nan")),) * saved["kept"]
    dropped = tuple(CycleUse(d["start_s"], d["stop_s"], d["reason"]) for d in saved["dropped"])
    return CycleSet(
        cycle_deg=saved["cycle_deg"],
        phase_source=PhaseSource(saved["phase_source"]),
        reference=Reference(saved["reference"]),
        reference_reason=saved["reference_reason"],
        time_s=_NONE,
        angle_deg=_NONE,
        speed_rpm=_NONE,
        speed_se_rpm=_NONE,
        angle_se_deg=0.0,
        mean_speed_rpm=_estimate(content["speed_rpm"]),
        cycles=(*kept, *dropped),
        notes=tuple(saved["notes"]),
    )


def _cylinders(saved: Sequence[Saved]) -> CylinderSet:
    assignments = tuple(
        Assignment(
            firing_position=c["firing_position"],
            firing_angle_deg=c["firing_angle_deg"],
            cylinder=c["cylinder"],
            probability=c["assignment_probability"],
            position_known=c["position_known"],
            reason=c["assignment_reason"],
        )
        for c in saved
    )
    return CylinderSet((), (), (), assignments, (), ())


def _metrics(content: Saved) -> MetricTable:
    from ringland.metrics import DEFINITIONS

    values = [
        MetricValue(key.partition("@")[0], entry["channel"], position, _estimate(entry))
        for position, entries in (
            *((c["firing_position"], c["metrics"]) for c in content["cylinders"]),
            (None, content["engine_metrics"]),
        )
        for key, entry in entries.items()
    ]
    present = {v.metric for v in values}
    known = tuple(d for d in DEFINITIONS if d.id in present)
    ids = {d.id for d in known}
    return MetricTable(known, tuple(v for v in values if v.metric in ids))


def _symptoms(content: Saved) -> SymptomTable:
    symptoms = tuple(
        Symptom(
            metric=s["metric"],
            firing_position=s["firing_position"],
            state=State(s["state"]),
            deviation=_estimate(s["deviation"]),
            alert_limit=s["alert_limit"],
            alarm_limit=s["alarm_limit"],
            p_value=s["p_value"],
            compared_with=s["compared_with"],
            sentence=s["sentence"],
            reason=s["reason"] or "",
        )
        for s in content["symptoms"]
    )
    rates = content["symptom_rates"]
    return SymptomTable(symptoms, rates["alarm"], rates["alert"])


def _diagnosis(content: Saved) -> Diagnosis:
    learned = content.get("priors")
    return Diagnosis(
        causes=tuple(_cause(c) for c in content["causes"]),
        healthy=content["healthy"],
        none_of_these=content["none_of_these"],
        resembles_nothing=content["resembles_nothing"],
        notes=tuple(content.get("ranking_notes", ())),
        next_tests=tuple(_next_test(t) for t in content["next_tests"]),
        actions=tuple(
            Action(
                a["action"],
                a["urgency"],
                a["owner_words"],
                a["workshop_words"],
                tuple(a["reasons"]),
                tuple(a["cautions"]),
            )
            for a in content["actions"]
        ),
        recordings=tuple(_joined(r) for r in content.get("joined", ())),
        priors=None if learned is None else LearnedPriors.from_plain(learned),
    )


def fits_from_json(saved: Sequence[Saved]) -> tuple[SeverityFit, ...]:
    """The sizes of the leading causes with their curves, as `ringland.output` wrote them."""
    names = ("angle_deg", "measured", "measured_low", "measured_high", "simulated",
             "simulated_low", "simulated_high", "sound")  # fmt: skip
    return tuple(
        SeverityFit(
            failure_mode=fit["failure_mode"],
            firing_position=fit["firing_position"],
            cylinder=fit["cylinder"],
            estimate=_estimate(fit["estimate"]),
            method=fit["method"] or "",
            notes=tuple(fit["notes"]),
            overlays=tuple(
                CycleOverlay(
                    channel=one["channel"],
                    role=ChannelRole(one["role"]),
                    unit=one["unit"],
                    harmonics=one["harmonics"],
                    **{name: np.array(one[name], dtype=np.float64) for name in names},
                )
                for one in fit["overlays"]
            ),
        )
        for fit in saved
    )


def _joined(saved: Saved) -> JoinedRecording:
    return JoinedRecording(
        name=saved["name"],
        condition=Condition(saved["condition"]),
        speed_rpm=saved["speed_rpm"],
        roles=tuple(ChannelRole(r) for r in saved["roles"]),
        healthy=saved["healthy"],
        leading=saved["leading"] or "",
        leading_probability=saved["leading_probability"],
        weight=saved["weight"],
        turned=saved["turned"],
        earlier=saved["earlier"],
        bits=tuple(m["bits"] for m in saved["moved"]),
        left_out=saved["left_out"],
    )


def _cause(saved: Saved) -> Cause:
    def weights(name: str) -> tuple[EvidenceWeight, ...]:
        return tuple(EvidenceWeight(w["evidence"], w["bits"], w["sentence"]) for w in saved[name])

    return Cause(
        failure_mode=saved["failure_mode"],
        name=saved["name"],
        firing_position=saved["firing_position"],
        cylinder=saved["cylinder"],
        probability=saved["probability"],
        severity=_estimate(saved["severity"]),
        speaks_for=weights("speaks_for"),
        speaks_against=weights("speaks_against"),
        would_also_show=tuple(saved["would_also_show"]),
        present=saved["present"],
        firing_positions=tuple(saved.get("firing_positions", ())),
        cylinders=tuple(saved.get("cylinders", ())),
    )


def _next_test(saved: Saved) -> NextTest:
    saving = saved["expected_saving"]
    return NextTest(
        test=saved["test"],
        title=saved["title"],
        firing_position=saved["firing_position"],
        cylinder=saved["cylinder"],
        information_bits=saved["information_bits"],
        minutes=saved["minutes"],
        bits_per_minute=saved["bits_per_minute"],
        equipment=tuple(saved["equipment"]),
        cautions=tuple(saved["cautions"]),
        outcomes=tuple(
            PossibleAnswer(
                o["outcome"],
                o["title"],
                o["probability"],
                tuple((r["cause"], r["probability"]) for r in o["ranking"]),
                o.get("firing_position"),
                o.get("cylinder"),
            )
            for o in saved["outcomes"]
        ),
        expected_saving=None if saving is None else _estimate(saving),
    )

"""Frozen data types that travel through the pipeline. Needs numpy only."""

from ringland.model.analysis import Analysis
from ringland.model.arrival import ArrivalPrior, arrival_prior
from ringland.model.crank import COMPRESSION_METRICS, CrankPhase, CrankRipple, RippleSegment
from ringland.model.cut import cut_cycles, turn_cycles
from ringland.model.cycles import CycleSet, CycleUse, PhaseSource, Reference, ToothWheel
from ringland.model.cylinders import (
    AngleSignal,
    Assignment,
    CylinderSet,
    CylinderShare,
    MisfireCount,
    OrderLine,
    OrderSpectrum,
    PathDelay,
    StrokeTerms,
)
from ringland.model.diagnosis import (
    Action,
    Cause,
    Diagnosis,
    EvidenceWeight,
    GivenAnswer,
    NextTest,
    PossibleAnswer,
)
from ringland.model.engine import Aspiration, EngineSpec, Fuel, Geometry, ValveTiming
from ringland.model.estimate import Estimate, unknown
from ringland.model.evidence import CandidateTest, CaseEvidence, Outlook, natural_frequency
from ringland.model.joined import JoinedRecording, RecordedEvidence
from ringland.model.metrics import MetricDefinition, MetricTable, MetricValue, Sense
from ringland.model.priors import LearnedPriors
from ringland.model.provenance import Provenance, ProvenanceStep
from ringland.model.quality import QualityFinding, QualityReport, Verdict
from ringland.model.recording import (
    Channel,
    ChannelInfo,
    ChannelRole,
    Condition,
    EdgeTrain,
    Recording,
    RecordingSource,
    SourceInfo,
)
from ringland.model.severity import LEAST_SIZED_PROBABILITY, CycleOverlay, SeverityFit
from ringland.model.symptoms import State, Symptom, SymptomTable

__all__ = [
    "COMPRESSION_METRICS",
    "LEAST_SIZED_PROBABILITY",
    "Action",
    "Analysis",
    "AngleSignal",
    "ArrivalPrior",
    "Aspiration",
    "Assignment",
    "CandidateTest",
    "CaseEvidence",
    "Cause",
    "Channel",
    "ChannelInfo",
    "ChannelRole",
    "Condition",
    "CrankPhase",
    "CrankRipple",
    "CycleOverlay",
    "CycleSet",
    "CycleUse",
    "CylinderSet",
    "CylinderShare",
    "Diagnosis",
    "EdgeTrain",
    "EngineSpec",
    "Estimate",
    "EvidenceWeight",
    "Fuel",
    "Geometry",
    "GivenAnswer",
    "JoinedRecording",
    "LearnedPriors",
    "MetricDefinition",
    "MetricTable",
    "MetricValue",
    "MisfireCount",
    "NextTest",
    "OrderLine",
    "OrderSpectrum",
    "Outlook",
    "PathDelay",
    "PhaseSource",
    "PossibleAnswer",
    "Provenance",
    "ProvenanceStep",
    "QualityFinding",
    "QualityReport",
    "RecordedEvidence",
    "Recording",
    "RecordingSource",
    "Reference",
    "RippleSegment",
    "Sense",
    "SeverityFit",
    "SourceInfo",
    "State",
    "StrokeTerms",
    "Symptom",
    "SymptomTable",
    "ToothWheel",
    "ValveTiming",
    "Verdict",
    "arrival_prior",
    "cut_cycles",
    "natural_frequency",
    "turn_cycles",
    "unknown",
]

"""The result of the whole job on one recording."""

from dataclasses import dataclass, field

from ringland.model.cycles import CycleSet
from ringland.model.cylinders import CylinderSet
from ringland.model.diagnosis import Diagnosis
from ringland.model.engine import EngineSpec
from ringland.model.metrics import MetricTable
from ringland.model.provenance import Provenance
from ringland.model.quality import QualityReport
from ringland.model.recording import Recording
from ringland.model.severity import SeverityFit
from ringland.model.symptoms import SymptomTable

__all__ = ["Analysis"]


@dataclass(frozen=True, eq=False)
class Analysis:
    """Everything found, in the order it was found. Later parts are None when an earlier one
    failed; `not_judged` then says why. `fits`: how large the leading causes are, where it was asked
    for."""

    recording: Recording
    engine: EngineSpec
    quality: QualityReport
    cycles: CycleSet | None = None
    cylinders: CylinderSet | None = None
    metrics: MetricTable | None = None
    symptoms: SymptomTable | None = None
    diagnosis: Diagnosis | None = None
    not_judged: str | None = None
    notes: tuple[str, ...] = ()
    provenance: Provenance = field(default_factory=Provenance)
    fits: tuple[SeverityFit, ...] = ()

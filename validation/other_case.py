"""What is drawn for a recording of another make, before it is made."""

from dataclasses import dataclass

from ringland.model import EngineSpec

__all__ = ["OtherCase"]


@dataclass(frozen=True, eq=False)
class OtherCase:
    """Everything that is drawn for one recording; `severity` as the model's FAULTS say."""

    engine: EngineSpec
    kind: str
    cylinder: int
    severity: float
    diesel: bool
    rpm: float
    seconds: float
    snr_db: float
    seed: int

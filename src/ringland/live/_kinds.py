"""Hook-up faults by name."""

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["HookUpFinding", "HookUpKind"]


class HookUpKind(StrEnum):
    """What can be wrong between engine and recorder."""

    SWAPPED = "swapped"
    SILENT = "silent"
    CLIPPED = "clipped"
    HOSE = "damp_or_blocked_hose"
    LOOSE_CLAMP = "loose_clamp"
    WRONG_CYLINDER = "trigger_on_wrong_cylinder"
    WASTED_SPARK = "wasted_spark"
    WRONG_RATE = "wrong_rate"
    WRONG_OUTLET = "wrong_outlet"
    HUM = "hum"
    JITTER = "trigger_jitter"
    DROP_OUTS = "drop_outs"
    SPEED_WANDERS = "speed_wanders"
    TOO_SHORT = "too_short"


@dataclass(frozen=True)
class HookUpFinding:
    """One fault by name. `certain` False: it may be, look at it."""

    kind: HookUpKind
    channel: str
    message: str
    action: str
    certain: bool

"""What a hook-up plan holds."""

from dataclasses import dataclass
from enum import StrEnum

from ringland.model import ChannelRole, Condition, EngineSpec, Estimate

__all__ = [
    "CrankingLimits",
    "HookUpPlan",
    "Phase",
    "PlanStep",
    "PlannedChannel",
    "PlannedRun",
    "PrecisionPoint",
]


class Phase(StrEnum):
    """When a step is done."""

    BEFORE = "before"
    HOOK_UP = "hook_up"
    RECORD = "record"
    TAKE_DOWN = "take_down"


@dataclass(frozen=True)
class PlannedChannel:
    """One sensor: what it is called, where it goes and how it is recorded.

    `least_rate_hz` is what this channel needs alone (all channels share the plan's rate), from
    `bandwidth_hz` or from a resolution in angle, said in `why`. `optional`: the recording can be
    judged without it.
    """

    role: ChannelRole
    where: str
    sensor: str
    range_text: str
    bandwidth_hz: float
    least_rate_hz: float
    why: str
    optional: bool = False


@dataclass(frozen=True)
class PlannedRun:
    """One recording in the order they are made. `speed_rpm` the middle of what is expected,
    `cycles` what `duration_s` gives at that speed."""

    condition: Condition
    speed_rpm: float
    duration_s: float
    cycles: float
    rate_hz: float
    chosen: bool
    why: str


@dataclass(frozen=True)
class PrecisionPoint:
    """What so many cycles can tell.

    `half_width`: half of the 90 % interval of one cylinder's strength, as a share of the usual
    strength. `smallest_fault`: deviation of one cylinder that raises an alert 9 times in 10.
    `misfire_rate`: rate above which at least one missed cycle is met 19 times in 20.
    """

    cycles: int
    seconds: float
    half_width: float
    smallest_fault: Estimate
    misfire_rate: float


@dataclass(frozen=True)
class CrankingLimits:
    """How long a starter may run. Common practice, no source: the engine maker's limits hold."""

    longest_s: float
    rest_s: float
    attempts: int


@dataclass(frozen=True)
class PlanStep:
    """One step of a checklist with the cautions that belong to it."""

    phase: Phase
    text: str
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class HookUpPlan:
    """Everything on the card.

    `rate_hz` one clock for all channels of the chosen condition; `wanted_half_width` the precision
    asked for; `bytes_expected` on disk, 4 bytes a sample.
    """

    engine: EngineSpec
    condition: Condition
    speed_rpm: float
    speed_from: str
    cycle_rate_hz: float
    firing_rate_hz: float
    channels: tuple[PlannedChannel, ...]
    rate_hz: float
    duration_s: float
    wanted_half_width: float
    bytes_expected: int
    runs: tuple[PlannedRun, ...]
    curve: tuple[PrecisionPoint, ...]
    steps: tuple[PlanStep, ...]
    cranking: CrankingLimits
    notes: tuple[str, ...] = ()

    def steps_of(self, phase: Phase) -> tuple[PlanStep, ...]:
        """The checklist of one phase, in order."""
        return tuple(s for s in self.steps if s.phase is phase)

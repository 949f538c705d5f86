"""The hook-up plan of one engine and one condition. Equations: docs/theory/plan.md."""

from ringland.instruments.plan.make import make_plan
from ringland.instruments.plan.types import (
    CrankingLimits,
    HookUpPlan,
    PlannedChannel,
    PlannedRun,
    PlanStep,
    PrecisionPoint,
)

__all__ = [
    "CrankingLimits",
    "HookUpPlan",
    "PlanStep",
    "PlannedChannel",
    "PlannedRun",
    "PrecisionPoint",
    "make_plan",
]

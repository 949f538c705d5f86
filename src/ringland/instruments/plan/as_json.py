"""The plan as plain data."""

from dataclasses import fields, is_dataclass
from enum import Enum
from typing import TypeAlias

from ringland.instruments.plan.types import HookUpPlan

__all__ = ["PLAN_SCHEMA", "plan_as_json"]

Json: TypeAlias = bool | int | float | str | list["Json"] | dict[str, "Json"] | None

PLAN_SCHEMA = "ringland.plan/1"
"""Additions keep it; a change or removal of a field raises it."""


def plan_as_json(plan: HookUpPlan) -> dict[str, Json]:
    """Every field of the plan by its name; unknown is null with a `reason` beside it."""
    whole = _plain(plan)
    assert isinstance(whole, dict)
    return {"schema": PLAN_SCHEMA, **whole}


def _plain(value: object) -> Json:
    if isinstance(value, Enum):
        return str(value.value)
    if value is None or isinstance(value, bool | int | float | str):
        return value
    if isinstance(value, tuple | list):
        return [_plain(v) for v in value]
    if is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    raise TypeError(f"{type(value).__name__} has no place in a plan")

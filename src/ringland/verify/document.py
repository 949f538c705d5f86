"""A comparison as plain data, for programs: versioned, never NaN, unknown is null with a reason."""

import math
from collections.abc import Mapping

from ringland.model import Estimate
from ringland.verify.before_after import Change, Comparison
from ringland.verify.normal import PlaceNormal

__all__ = ["SCHEMA", "comparison_as_json"]

SCHEMA = "ringland.comparison/1"


def comparison_as_json(
    comparison: Comparison, normal: tuple[PlaceNormal, ...] = (), *, summary: tuple[str, ...] = ()
) -> dict[str, object]:
    """Everything in a comparison, with what was found of "back to normal"."""
    first = comparison.most_improved
    return {
        "schema": SCHEMA,
        "before": comparison.before,
        "after": comparison.after,
        "engine": comparison.engine,
        "refused": comparison.refused,
        "objections": [
            {
                "id": o.id,
                "weight": str(o.weight),
                "sentence": o.sentence,
                "remedy": o.remedy,
            }
            for o in comparison.objections
        ],
        "summary": list(summary),
        "error_rate": comparison.error_rate,
        "compared": comparison.compared,
        "changed": len(comparison.changed),
        "most_improved": None
        if first is None
        else {
            "firing_position": first.firing_position,
            "cylinder": first.cylinder,
            "metric": first.metric,
            "certain": comparison.certain,
        },
        "changes": [_change(c) for c in comparison.changes],
        "back_to_normal": [
            {
                "firing_position": p.firing_position,
                "cylinder": p.cylinder,
                "state": str(p.state),
                "compared_with": p.compared_with,
                "reasons": list(p.reasons),
                "sentence": p.sentence,
            }
            for p in normal
        ],
        "notes": list(comparison.notes),
    }


def _change(change: Change) -> Mapping[str, object]:
    return {
        "metric": change.metric,
        "channel_role": change.role,
        "firing_position": change.firing_position,
        "cylinder": change.cylinder,
        "before": _estimate(change.before),
        "after": _estimate(change.after),
        "change": _estimate(change.change),
        "smallest_change": _number(change.smallest_change),
        "p_value": _number(change.p_value),
        "adjusted_p": _number(change.adjusted_p),
        "state": str(change.state),
        "direction": str(change.direction),
        "sentence": change.sentence,
    }


def _estimate(estimate: Estimate) -> Mapping[str, object]:
    return {
        "value": _number(estimate.value),
        "low": _number(estimate.low),
        "high": _number(estimate.high),
        "unit": estimate.unit,
        "coverage": estimate.coverage,
        "reason": estimate.reason,
    }


def _number(value: float | None) -> float | None:
    return float(value) if value is not None and math.isfinite(value) else None

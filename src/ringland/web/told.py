"""What a live recording tells open pages: the views of `ringland.live` as plain data."""

import math

from ringland.instruments.protocol import SetUp
from ringland.live.monitor import Look
from ringland.live.session import LiveView
from ringland.live.verdict import Judgement
from ringland.model import Estimate
from ringland.web.worker import Plain

__all__ = ["look_told", "meters_told", "verdict_told"]


def meters_told(view: LiveView, set_up: SetUp) -> list[Plain]:
    """Level of each channel, in its unit, with the range it is in."""
    return [
        {
            "name": meter.name,
            "role": channel.role.value,
            "unit": channel.unit,
            "low": _finite(meter.low),
            "high": _finite(meter.high),
            "range": None if channel.full_scale is None else list(channel.full_scale),
            "used": None if meter.used is None else _finite(meter.used),
            "clipped": meter.clipped,
            "advice": meter.advice,
        }
        for meter, channel in zip(view.meters, set_up.channels, strict=True)
    ]


def look_told(seen: Look) -> Plain:
    """What the last look saw. Cylinders in firing order, 1 is the usual strength."""
    precision = seen.precision
    numbers = seen.numbers or (None,) * len(seen.cylinders)
    return {
        "speed_rpm": _estimate(seen.speed),
        "speed_now_rpm": seen.speed_now_rpm,
        "steadiness": seen.steadiness,
        "coaching": seen.coaching,
        "channels": [
            {"name": c.name, "verdict": c.verdict.value, "says": c.says} for c in seen.channels
        ],
        "findings": [
            {"kind": f.kind.value, "channel": f.channel, "message": f.message, "action": f.action,
             "certain": f.certain}
            for f in seen.findings
        ],
        "cycles": None if precision is None else precision.cycles,
        "half_width": None if precision is None else precision.widest,
        "enough": precision is not None and precision.enough,
        "remaining_s": seen.remaining_s,
        "cylinders": [
            {"position": i, "cylinder": number, "strength": _finite(value),
             "half_width": half}
            for i, ((value, half), number) in enumerate(
                zip(seen.cylinders, numbers, strict=False), start=1
            )
        ],
    }  # fmt: skip


def _finite(value: float) -> float | None:
    """JSON has no word for what is not a number."""
    return value if math.isfinite(value) else None


def _estimate(value: Estimate) -> Plain:
    return {"value": value.value, "low": value.low, "high": value.high, "reason": value.reason}


def verdict_told(judged: Judgement, about: dict[str, object]) -> Plain:
    """The verdict as it stands in the file beside the recording, with the precision reached."""
    precision = judged.precision
    return {
        "fit": judged.fit,
        "why": judged.why,
        "findings": about["hook_up"],
        "checks": about["checks"],
        "cycles": None if precision is None else precision.cycles,
        "half_width": None if precision is None else precision.widest,
    }

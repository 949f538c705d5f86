"""The exhaust looks like a crankcase and the crankcase like an exhaust."""

import numpy as np

from ringland.model import ChannelRole, QualityFinding, Verdict
from ringland.quality._harmonics import harmonics
from ringland.quality._types import ChannelFacts, Limit, Subject, exact, not_checked

__all__ = ["LIMITS", "check"]

RATIO = Limit(1.8, "1", "mean order of the crankcase over that of the exhaust")
LIMITS = (RATIO,)
_ACTION = "Check which hose goes where and swap the channel names if they are crossed."


def check(subject: Subject) -> QualityFinding:
    """Compare the mean order of both: a blow-down is sharp, a crankcase follows the pistons."""
    pair = [_of_role(subject, r) for r in (ChannelRole.EXHAUST, ChannelRole.CRANKCASE)]
    exhaust, crankcase = pair
    if exhaust is None or crankcase is None:
        return not_checked(subject, "it takes an exhaust and a crankcase channel")
    if exhaust.nothing or crankcase.nothing:
        return not_checked(subject, "one of the two channels says nothing")
    if exhaust.periodic is None or crankcase.periodic is None:
        return not_checked(subject, "pulses were not found on both channels")
    rate = max(exhaust.periodic.rate_hz, crankcase.periodic.rate_hz)
    orders = [_mean_order(c, rate) for c in (exhaust, crankcase)]
    if orders[0] is None or orders[1] is None:
        return not_checked(subject, "the multiples of the pulse rate do not stand above the noise")
    ratio = orders[1] / orders[0]
    measured = exact(ratio, "1")
    if ratio <= RATIO.value:
        return subject.finding(
            Verdict.OK,
            "Exhaust and crankcase look like what they are called.",
            measured=measured,
            limit=RATIO.value,
        )
    return subject.finding(
        Verdict.SUSPECT,
        "Exhaust and crankcase may be swapped: the one called crankcase has the sharper pulses.",
        action=_ACTION,
        measured=measured,
        limit=RATIO.value,
    )


def _of_role(subject: Subject, role: ChannelRole) -> ChannelFacts | None:
    return next((c for c in subject.recording.channels if c.channel.role is role), None)


def _mean_order(facts: ChannelFacts, rate_hz: float) -> float | None:
    """Mean multiple of the pulse rate, weighted by power above noise."""
    size, noise = harmonics(facts, rate_hz)
    power = np.maximum(np.square(size) - np.square(noise), 0.0)
    power[size < 3.0 * noise] = 0.0
    total = float(power.sum())
    if not total > 0.0:
        return None
    return float(np.arange(1, power.size + 1) @ power) / total

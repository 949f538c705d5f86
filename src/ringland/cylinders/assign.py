"""Which cylinder does a pulse belong to? Path delay and the probability of each assignment.

See docs/theory/path_delay.md. The tailpipe hears a blow-down late by path length over speed of
sound. With even firing the pulse train looks the same when every pulse is given to the next
cylinder, so the delay is known only up to whole firing intervals; the prior on exhaust opening
and path decides between them, and a second channel whose path is short checks it.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ringland.model import (
    Assignment,
    CycleSet,
    EngineSpec,
    Estimate,
    PathDelay,
    Reference,
    arrival_prior,
)

__all__ = ["assignments", "path_delay"]

FloatArray = NDArray[np.float64]

_FIND_SD_DEG = 8.0  # how well the height of the event marks the arrival


def path_delay(
    channel: str,
    arrival_deg: float,
    heard_deg: FloatArray,
    engine: EngineSpec,
    cycles: CycleSet,
) -> PathDelay:
    """Delay of one exhaust channel, with the probability of each shift of the assignment."""
    speed = cycles.mean_speed_rpm.value
    prior = arrival_prior(engine, float(np.median(cycles.speed_rpm)) if speed is None else speed)
    expected, sd, opens = prior.height_deg, prior.sd_deg, prior.height_at_valve_deg
    if cycles.reference is Reference.ARBITRARY:
        reason = "the crank angle counts from an arbitrary start, so the delay is not known"
        return PathDelay(
            channel,
            Estimate(None, None, None, "deg", reason=reason),
            Estimate(None, None, None, "deg", reason=reason),
            ((0, 1.0),),
            reason,
        )
    shifts = _pattern_shifts(tuple(heard_deg.tolist()), engine.cycle_deg)
    total_sd = float(np.hypot(sd, cycles.angle_se_deg))
    weight: dict[int, float] = {}
    for k, turn in shifts:
        # the pulse given to this position may belong to one that fires `turn` degrees earlier
        away = arrival_deg + turn - expected
        away = (away + engine.cycle_deg / 2) % engine.cycle_deg - engine.cycle_deg / 2
        if arrival_deg + turn < opens - 45.0 and abs(away) > sd:
            continue  # heard before the valve opens
        weight[k] = float(np.exp(-0.5 * (away / total_sd) ** 2))
    total = sum(weight.values())
    if total <= 0.0:
        weight, total = {0: 1.0}, 1.0
    probability = tuple(
        sorted(((k, float(w / total)) for k, w in weight.items()), key=lambda i: -i[1])
    )
    late = arrival_deg - opens
    return PathDelay(
        channel,
        Estimate.from_se(arrival_deg, float(np.hypot(_FIND_SD_DEG, cycles.angle_se_deg)), "deg"),
        Estimate.from_se(late, float(np.hypot(_FIND_SD_DEG + 4.0, cycles.angle_se_deg)), "deg"),
        tuple(p for p in probability if p[1] > 1e-6),
        f"expected {expected:.0f} +- {1.645 * sd:.0f} deg after firing top dead centre",
    )


@lru_cache(maxsize=16)
def _pattern_shifts(
    heard_deg: tuple[float, ...], cycle_deg: float
) -> tuple[tuple[int, float], ...]:
    """(k, degrees) of every rotation that lays the firing pattern on itself, k positions on."""
    count, heard = len(heard_deg), np.array(heard_deg)
    out = []
    for k in range(-(count // 2), count - count // 2):
        gaps = (np.roll(heard, -k) - heard) % cycle_deg
        turn = np.angle(np.exp(2j * np.pi * gaps / cycle_deg).mean()) * cycle_deg / (2 * np.pi)
        spread = np.abs((gaps - turn + cycle_deg / 2) % cycle_deg - cycle_deg / 2).max()
        if spread < 8.0:
            out.append((k, float(turn)))
    return tuple(out)


def assignments(
    engine: EngineSpec, cycles: CycleSet, delays: tuple[PathDelay, ...]
) -> tuple[Assignment, ...]:
    """Cylinder of each firing position, or None with the reason."""
    exhaust = min((dict(d.shift_probability).get(0, 0.0) for d in delays), default=1.0)
    out = []
    for position, (cylinder, angle) in enumerate(
        zip(engine.firing_order, engine.firing_angles_deg, strict=True), start=1
    ):
        if cycles.reference is Reference.CYLINDER:
            assumed = any("is taken to be on cylinder" in note for note in cycles.notes)
            probability = exhaust * (0.95 if assumed else 0.995)
            out.append(
                Assignment(position, angle, cylinder, probability, True, cycles.reference_reason)
            )
        elif cycles.reference is Reference.REVOLUTION:
            out.append(
                Assignment(position, angle, None, 0.5 * exhaust, True, cycles.reference_reason)
            )
        else:
            out.append(
                Assignment(
                    position, angle, None, 1.0 / engine.cylinders, False, cycles.reference_reason
                )
            )
    return tuple(out)

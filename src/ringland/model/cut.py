"""Whole engine cycles of a curve of crank angle against time."""

import itertools
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ringland.model.cycles import CycleSet, CycleUse

__all__ = ["cut_cycles", "turn_cycles"]

FloatArray = NDArray[np.float64]


def cut_cycles(
    time_s: FloatArray, angle_deg: FloatArray, cycle_deg: float, old: tuple[CycleUse, ...]
) -> tuple[CycleUse, ...]:
    """Whole cycles of an angle curve; dropped where an old dropped one covers a twentieth."""
    first = np.ceil(angle_deg[0] / cycle_deg - 1e-9)
    last = np.floor(angle_deg[-1] / cycle_deg + 1e-9)
    bounds = np.interp(np.arange(first, last + 1) * cycle_deg, angle_deg, time_s)
    uses = []
    for a, b in itertools.pairwise(bounds):
        reason = next(
            (
                c.dropped
                for c in old
                if c.dropped and min(b, c.stop_s) - max(a, c.start_s) > 0.05 * (b - a)
            ),
            None,
        )
        uses.append(CycleUse(float(a), float(b), reason))
    return tuple(uses)


def turn_cycles(cycles: CycleSet, by_deg: float) -> CycleSet:
    """The same cycles with the crank angle counted from elsewhere: `by_deg` is added to it."""
    angle = cycles.angle_deg + by_deg
    return replace(
        cycles,
        angle_deg=angle,
        cycles=cut_cycles(cycles.time_s, angle, cycles.cycle_deg, cycles.cycles),
        provenance=cycles.provenance.then("model.turn_cycles", by_deg=by_deg),
    )

"""Crank speed over the engine cycle, cycle by cycle, from a tooth wheel."""

import numpy as np

from ringland.cylinders._swing import GRID_DEG, Swing
from ringland.cylinders.angle import robust_average
from ringland.cylinders.crank_ripple import TEETH_PER_STROKE, local_mean, speed_of_wheel
from ringland.model import AngleSignal, ChannelRole, CycleSet, EngineSpec, PhaseSource
from ringland.model._arrays import FloatArray

__all__ = ["CRANK_SPEED", "crank_speed_cycles"]

CRANK_SPEED = "crank speed"
"""Name of the channel that is worked out from the teeth."""

_FEWEST_CYCLES = 3


def crank_speed_cycles(
    cycles: CycleSet, engine: EngineSpec, *, running_from_s: float = -np.inf
) -> AngleSignal | str:
    """Speed of the crank in rpm over every kept cycle, or the reason why there is none.

    Speed slower than a cycle is divided out (by the mean over exactly one cycle, centred), which
    leaves every order untouched, and the mean of the recording put back. One column every 3
    degrees. Cycles before `running_from_s`, when the starter still turned the engine, are left out.
    """
    if cycles.phase_source is not PhaseSource.TOOTH_WHEEL:
        return "the crank angle does not come from a tooth wheel"
    spacing = float(np.median(np.diff(cycles.angle_deg)))
    if engine.cycle_deg / engine.cylinders / spacing < TEETH_PER_STROKE:
        return f"one tooth every {spacing:.0f} deg is too coarse for the speed within a stroke"
    speed = speed_of_wheel(cycles)
    per_cycle = round(engine.cycle_deg / GRID_DEG)
    level = local_mean(speed.value, engine.cycle_deg)
    rows, index = _rows(Swing(speed.start_deg, speed.value / level), cycles, per_cycle)
    late = [n for n, i in enumerate(index) if cycles.cycles[i].start_s >= running_from_s]
    if len(late) < _FEWEST_CYCLES:
        return f"only {len(late)} kept cycles have teeth all the way round, and before and after"
    values = np.asarray(rows[late] * float(np.median(cycles.speed_rpm)), dtype=np.float64)
    mean, error, low, high = robust_average(values)
    return AngleSignal(
        CRANK_SPEED,
        ChannelRole.CRANK_TOOTH,
        "rpm",
        GRID_DEG * np.arange(per_cycle, dtype=np.float64),
        values,
        mean,
        error,
        low,
        high,
        tuple(index[n] for n in late),
    )


def _rows(swing: Swing, cycles: CycleSet, per_cycle: int) -> tuple[FloatArray, list[int]]:
    """(cycles, per_cycle) the kept cycles for which the swing reaches half a cycle beyond both
    ends, and the number of each."""
    index = [i for i, use in enumerate(cycles.cycles) if use.kept]
    starts = np.array([cycles.cycles[i].start_s for i in index])
    base = np.round(cycles.angle_at(starts + 1e-9) / cycles.cycle_deg) * cycles.cycle_deg
    first = np.nan_to_num((base - swing.start_deg) / GRID_DEG, nan=-1.0)
    first = np.round(first).astype(np.int64)
    margin = per_cycle // 2
    whole = (first >= margin) & (first + per_cycle + margin <= len(swing.value))
    rows = swing.value[first[whole][:, None] + np.arange(per_cycle)]
    return rows, [i for i, ok in zip(index, whole, strict=True) if ok]

"""An averaged cycle as seen from each firing position: what is its own, what all share.

Equations (1) to (3) of docs/theory/reference.md.
"""

from collections.abc import Sequence

import numpy as np

from ringland.model import AngleSignal, EngineSpec
from ringland.model._arrays import FloatArray

__all__ = ["NUMBERS", "others_from_each", "own_and_shared", "pooled", "wave_columns"]

NUMBERS = (2, 3, 4, 5, 6, 8, 10, 12)
"""Numbers of cylinders that are told apart; others count as the nearest of them."""


def wave_columns(
    own: FloatArray, shared: FloatArray, own_before: FloatArray | None, bins: int
) -> FloatArray:
    """(positions, columns): the picture of one channel from each position.

    `own`, `shared` as `own_and_shared` gives them, `own_before` that of a recording of the same
    engine while it was sound, which is taken off. `bins` of the usual cycle; what the mean has over
    it, the scatter and the skewness get half as many each.
    """
    if own_before is not None:
        own = own - own_before
    excess = own[:, 0] - own[:, 1]
    finer = np.arcsinh(pooled(own[:, 1], bins) / 0.05)
    half = bins // 2
    coarser = np.arcsinh(pooled(np.stack([excess, own[:, 2], own[:, 3]], axis=1), half) / 0.02)
    return np.concatenate(
        [
            finer,
            np.broadcast_to(pooled(shared[1], bins), finer.shape),
            coarser[:, 0],
            coarser[:, 1],
            np.broadcast_to(4.0 * pooled(shared[2], half), coarser[:, 1].shape),
            coarser[:, 2],
        ],
        axis=1,
    )


def own_and_shared(
    signal: AngleSignal, angles_deg: Sequence[float] | FloatArray, cycle_deg: float, bins: int
) -> tuple[FloatArray, FloatArray, float] | None:
    """(angles, 4, bins) what each position has over the others, (4, bins) what all share, both
    in units of the size of the usual cycle, and that size (RMS, unit of the signal).

    `angles_deg`: where each position's picture begins. None where nothing moves.
    """
    parts = _moments(signal, bins)
    parts[:2] -= parts[:2].mean(axis=1, keepdims=True)
    size = float(np.sqrt((parts[1] ** 2).mean()))
    if not size > 0.0 or not np.isfinite(parts).all():
        return None
    turned = _turned(parts, np.asarray(angles_deg, dtype=np.float64), cycle_deg) / size
    shared = turned.mean(axis=0)
    return turned - shared, shared, size


def _moments(signal: AngleSignal, bins: int) -> FloatArray:
    """(4, bins): mean, usual (robust) cycle, standard deviation over cycles, and the cube root
    of their third central moment, which tells rare events from common ones."""
    values = signal.values
    mean = values.mean(axis=0)
    away = values - mean
    square = away * away
    moments = pooled(
        np.stack([mean, signal.mean, square.mean(axis=0), (square * away).mean(axis=0)]), bins
    )
    moments[2] = np.sqrt(moments[2])
    moments[3] = np.cbrt(moments[3])
    return moments


def pooled(values: FloatArray, bins: int) -> FloatArray:
    """Means over equal spans of the last axis."""
    count = values.shape[-1]
    if count % bins == 0:
        means: FloatArray = values.reshape(*values.shape[:-1], bins, count // bins).mean(-1)
        return means
    edges = np.linspace(0, count, bins + 1).astype(int)
    summed: FloatArray = np.add.reduceat(values, edges[:-1], axis=-1) / np.diff(edges)
    return summed


def _turned(parts: FloatArray, angles_deg: FloatArray, cycle_deg: float) -> FloatArray:
    """(angles, parts, bins): begun at each of the angles, linear between bins."""
    count = parts.shape[-1]
    step = angles_deg * count / cycle_deg
    whole = np.floor(step)
    share = (step - whole)[:, None]
    bins = (whole.astype(int)[:, None] + np.arange(count + 1)) % count
    around = parts[:, bins]
    turned: FloatArray = (1.0 - share) * around[..., :-1] + share * around[..., 1:]
    return turned.swapaxes(0, 1)


def others_from_each(engine: EngineSpec, bins: int) -> FloatArray:
    """(positions, bins): where the other cylinders fire, counted from this one."""
    marks = np.zeros((engine.cylinders, bins))
    for p, own in enumerate(engine.firing_angles_deg):
        for q, other in enumerate(engine.firing_angles_deg):
            if p != q:
                place = ((other - own) % engine.cycle_deg) * bins / engine.cycle_deg
                low = int(place)
                marks[p, low % bins] += 1.0 - (place - low)
                marks[p, (low + 1) % bins] += place - low
    return marks

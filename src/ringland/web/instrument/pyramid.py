"""Least and greatest of any stretch of samples, exactly, without looking at each of them.

Level 0 is the samples; each level above keeps the least and the greatest of `FAN` neighbours of the
level below. A stretch is the whole blocks it covers and a few of the level below on either side.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["FAN", "Pyramid", "make_pyramid", "min_max"]

FloatArray = NDArray[np.float32]
IntArray = NDArray[np.int64]

FAN = 8
"""Samples in a block of the first level, and blocks in a block of the next."""


@dataclass(frozen=True, eq=False)
class Pyramid:
    """`low[k]`, `high[k]`: (ceil(n / FAN**k),) least and greatest of each block; level 0 is the
    samples in both. NaN is left out of account; a block of NaN is NaN."""

    low: tuple[FloatArray, ...]
    high: tuple[FloatArray, ...]

    @property
    def size_bytes(self) -> int:
        """Memory taken."""
        own = sum(a.nbytes for a in self.low)
        return own + sum(a.nbytes for a in self.high[1:])


def make_pyramid(samples: FloatArray) -> Pyramid:
    """All levels over samples (n,), down to fewer than FAN blocks."""
    low, high = [samples], [samples]
    while low[-1].size >= FAN:
        low.append(_reduced(low[-1], np.fmin))
        high.append(_reduced(high[-1], np.fmax))
    for array in (*low, *high):
        array.setflags(write=False)
    return Pyramid(tuple(low), tuple(high))


def _reduced(values: FloatArray, keep: np.ufunc) -> FloatArray:
    whole = values.size // FAN * FAN
    body = values[:whole:FAN].copy()
    for offset in range(1, FAN):
        keep(body, values[offset:whole:FAN], out=body)
    if whole == values.size:
        return body
    return np.append(body, keep.reduce(values[whole:]))


def min_max(pyramid: Pyramid, start: IntArray, stop: IntArray) -> tuple[FloatArray, FloatArray]:
    """Least and greatest of samples [start, stop) for each pair, NaN where there is none.

    `start`, `stop` (n,) sample numbers within the samples. Exact: the same as numpy's nanmin and
    nanmax of each slice.
    """
    low = _extreme(pyramid.low, np.fmin, 0, start, stop)
    high = _extreme(pyramid.high, np.fmax, 0, start, stop)
    return low, high


def _extreme(
    levels: tuple[FloatArray, ...], keep: np.ufunc, level: int, start: IntArray, stop: IntArray
) -> FloatArray:
    values = levels[level]
    widest = int((stop - start).max(initial=0))
    if widest <= 2 * FAN or level + 1 == len(levels):
        return _gathered(values, keep, start, stop)
    first = np.minimum(-(-start // FAN), stop // FAN)  # whole blocks [first, last)
    last = np.maximum(stop // FAN, first)
    left = _gathered(values, keep, start, np.minimum(first * FAN, stop))
    right = _gathered(values, keep, np.maximum(last * FAN, start), stop)
    middle = _extreme(levels, keep, level + 1, first, last)
    return np.asarray(keep(keep(left, right), middle))


def _gathered(values: FloatArray, keep: np.ufunc, start: IntArray, stop: IntArray) -> FloatArray:
    """Short stretches, read sample by sample."""
    widest = int((stop - start).max(initial=0))
    if values.size == 0 or widest == 0:
        return np.full(start.shape, np.nan, dtype=np.float32)
    place = np.minimum(start, values.size - 1)
    last = np.maximum(stop - 1, 0)  # read again and again past the end, which changes nothing
    found = values[place]
    for offset in range(1, widest):
        keep(found, values[np.minimum(place + offset, last)], out=found)
    found[stop <= start] = np.nan
    return found

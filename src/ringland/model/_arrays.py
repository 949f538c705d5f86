"""Read-only copies, so that a frozen type is frozen all the way down."""

from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "BoolArray",
    "FloatArray",
    "IntArray",
    "read_only",
    "read_only_bool",
    "read_only_int",
]

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]


def read_only(values: ArrayLike) -> FloatArray:
    """A float64 array that cannot be written; an array already read-only is not copied again."""
    array = np.asarray(values, dtype=np.float64)
    if array.flags.writeable or array.base is not None:
        array = array.copy()
        array.flags.writeable = False
    return array


def read_only_int(values: ArrayLike) -> IntArray:
    """An int64 array that cannot be written; an array already read-only is not copied again."""
    array = np.asarray(values, dtype=np.int64)
    if array.flags.writeable or array.base is not None:
        array = array.copy()
        array.flags.writeable = False
    return array


def read_only_bool(values: ArrayLike) -> BoolArray:
    """A boolean array that cannot be written."""
    array = np.array(values, dtype=np.bool_)
    array.flags.writeable = False
    return array

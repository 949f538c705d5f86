"""What a format reader hands over: signals as the file has them, before roles and units."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from ringland.model.provenance import ProvenanceStep

__all__ = [
    "HIGHEST_RATE_HZ",
    "LOWEST_RATE_HZ",
    "BlockReader",
    "NotThisFormat",
    "RawEdges",
    "RawFile",
    "RawSignal",
    "clean_rate",
]

FloatArray: TypeAlias = NDArray[np.float64]

LOWEST_RATE_HZ = 0.1
HIGHEST_RATE_HZ = 100e6


class NotThisFormat(Exception):
    """Raised by a reader's `sniff`: the reason why a file is not of its format."""


@dataclass(frozen=True)
class RawSignal:
    """A sampled signal in a file.

    Signals of one `group` share a clock and are read together; `column` tells them apart.
    `unit` is the text in the file, "" when it gives none. `rate_hz` None when the file does not
    say. `full_scale` and `resolution` are in that unit.
    """

    name: str
    group: int
    column: int
    sample_count: int
    rate_hz: float | None
    unit: str = ""
    start_s: float = 0.0
    full_scale: tuple[float, float] | None = None
    resolution: float | None = None


@dataclass(frozen=True, eq=False)
class RawEdges:
    """A two-level signal known by its changes: `time_s`, `level_after` shape (n,)."""

    name: str
    time_s: FloatArray
    level_after: NDArray[np.int64]
    start_s: float
    stop_s: float


BlockReader: TypeAlias = Callable[[int, Sequence[int], int, int], list[FloatArray]]
"""(group, columns, first sample, stop sample) -> one array per column asked for."""


@dataclass(frozen=True, eq=False)
class RawFile:
    """An opened file: what is in it, and how to read a block of it."""

    path: Path
    format: str
    signals: tuple[RawSignal, ...]
    read_block: BlockReader
    edges: tuple[RawEdges, ...] = ()
    notes: tuple[str, ...] = ()
    steps: tuple[ProvenanceStep, ...] = ()
    """What the file says of how it came to be."""


def clean_rate(rate_hz: float) -> float:
    """The rate with the rounding noise of a printed clock removed (99999.9996 -> 100000)."""
    if not np.isfinite(rate_hz) or rate_hz <= 0:
        return rate_hz
    near = float(f"{rate_hz:.6g}")
    return near if abs(near - rate_hz) <= 2e-7 * rate_hz else rate_hz

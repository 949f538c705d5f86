"""Files that hold named arrays (HDF5, MATLAB, NumPy): which are channels, which is time.

Scalars named like a sample rate, interval or start set the clock; text arrays "<name>_unit" set
units; vectors of one length share a clock; a matrix gives one channel per column.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ringland.readers._raw import FloatArray, clean_rate
from ringland.readers._table import Table, is_time_name, split_unit

__all__ = ["ArrayHandle", "memory_handle", "tables_from_arrays"]

_RATE = re.compile(
    r"^(fs|fs_hz|sr|f_s|rate|rate_hz|samp(le|ling)?_?(rate|freq|frequency)(_hz)?|"
    r"sampling_frequency|sample_rate_hz|sps)$",
    re.I,
)
_STEP = re.compile(
    r"^(dt|dt_s|delta_?t|ts|tinterval|interval|interval_s|time_?step|step_s|"
    r"samp(le|ling)_?(interval|period|time)(_s)?|wf_increment)$",
    re.I,
)
_START = re.compile(r"^(t0|t_?start|start|start_s|start_time|wf_start_offset)$", re.I)
_UNIT = re.compile(r"^units?$", re.I)


@dataclass(frozen=True, eq=False)
class ArrayHandle:
    """An array that need not be in memory. `read(start, stop)` gives samples along the first axis
    after turning, shape (n,) or (n, k). `attributes` are scalars and texts beside it."""

    name: str
    shape: tuple[int, ...]
    read: Callable[[int, int], NDArray[Any]]
    attributes: Mapping[str, Any] = field(default_factory=dict)

    @property
    def samples(self) -> int:
        """Length of the longer axis."""
        return max(self.shape)

    @property
    def columns(self) -> int:
        """Length of the shorter axis, 1 for a vector."""
        return min(self.shape) if len(self.shape) == 2 else 1


def _scalar(value: Any) -> float | None:
    array = np.asarray(value)
    if array.size != 1 or array.dtype.kind not in "fiu":
        return None
    return float(array.reshape(-1)[0])


def _text(value: Any) -> str | None:
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace")
    array = np.asarray(value)
    if array.size == 1 and array.dtype.kind in "USO":
        item = array.reshape(-1)[0]
        return item.decode("utf-8", "replace") if isinstance(item, bytes) else str(item)
    return None


def _clock_from_attributes(attributes: Mapping[str, Any]) -> tuple[float | None, float]:
    """(rate, start) from scalars with the usual names; a rate of None when there is none."""
    rate: float | None = None
    start_s = 0.0
    for name, value in attributes.items():
        number = _scalar(value)
        if number is None:
            continue
        if _RATE.match(name) and number > 0:
            rate = number
        elif _STEP.match(name) and number > 0 and rate is None:
            rate = clean_rate(1.0 / number)
        elif _START.match(name):
            start_s = number
    return rate, start_s


def _unit_attribute(attributes: Mapping[str, Any]) -> str:
    return next((_text(v) or "" for k, v in attributes.items() if _UNIT.match(k)), "")


def _full_scale(attributes: Mapping[str, Any]) -> tuple[float, float] | None:
    low = _scalar(attributes.get("full_scale_low", ""))
    high = _scalar(attributes.get("full_scale_high", ""))
    return None if low is None or high is None or not low < high else (low, high)


def tables_from_arrays(
    handles: Sequence[ArrayHandle], scalars: Mapping[str, Any]
) -> tuple[list[Table], list[str]]:
    """Tables for all vectors and matrices, and notes on what was left out."""
    notes = []
    groups: dict[tuple[Any, ...], list[ArrayHandle]] = {}
    timed = {
        (h.samples, _parent(h.name))
        for h in handles
        if h.columns == 1 and is_time_name(_title(h.name)[0])
    }
    for handle in handles:
        if len(handle.shape) not in (1, 2) or handle.samples < 2:
            notes.append(f"'{handle.name}' is not a vector or matrix and was left out.")
            continue
        own = _clock_from_attributes(handle.attributes)
        place = (handle.samples, _parent(handle.name))
        key = place if place in timed else (handle.samples, *own, "")
        groups.setdefault(key, []).append(handle)
    file_clock = _clock_from_attributes(scalars)
    tables = []
    for key, members in groups.items():
        rate, start_s = (None, 0.0) if len(key) == 2 else (key[1], key[2])
        if rate is None and len(key) > 2:
            rate, start_s = file_clock[0], start_s or file_clock[1]
        tables.append(_table(members, scalars, rate, start_s))
    return tables, notes


def _parent(name: str) -> str:
    return name.rpartition("/")[0]


def _title(name: str) -> tuple[str, str]:
    return split_unit(name.rsplit("/", 1)[-1])


def _table(
    members: Sequence[ArrayHandle],
    scalars: Mapping[str, Any],
    rate: float | None,
    start_s: float,
) -> Table:
    names: list[str] = []
    units: list[str] = []
    places: list[tuple[ArrayHandle, int]] = []
    scales: list[tuple[float, float] | None] = []
    for handle in members:
        name, unit = _title(handle.name)
        unit = (
            _unit_attribute(handle.attributes)
            or _text(scalars.get(f"{handle.name}_unit", None))
            or unit
        )
        for i in range(handle.columns):
            names.append(name if handle.columns == 1 else f"{name} {i + 1}")
            units.append(unit if unit != "None" else "")
            places.append((handle, i))
            scales.append(_full_scale(handle.attributes))

    def read(wanted: Sequence[int], start: int, stop: int) -> list[FloatArray]:
        blocks: dict[int, NDArray[Any]] = {}
        columns = []
        for i in wanted:
            handle, number = places[i]
            if id(handle) not in blocks:
                blocks[id(handle)] = handle.read(start, stop)
            block = blocks[id(handle)]
            column = block if block.ndim == 1 else block[:, number]
            columns.append(np.ascontiguousarray(column, dtype=np.float64))
        return columns

    return Table(
        tuple(names), members[0].samples, read, tuple(units), rate, start_s,
        full_scales=tuple(scales),
    )  # fmt: skip


def memory_handle(name: str, array: NDArray[Any]) -> ArrayHandle:
    """A handle for an array in memory (or mapped); the longer axis is time."""
    turned = array.T if array.ndim == 2 and array.shape[1] > array.shape[0] else array
    if turned.ndim == 2 and turned.shape[1] == 1:
        turned = turned[:, 0]
    return ArrayHandle(name, array.shape, lambda start, stop: turned[start:stop])

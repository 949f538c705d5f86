"""HDF5 and MATLAB 7.3, by h5py: datasets of numbers, read a window at a time."""

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ringland.model.provenance import ProvenanceStep, Scalar
from ringland.readers._arrays import ArrayHandle, tables_from_arrays
from ringland.readers._guard import reading
from ringland.readers._raw import NotThisFormat, RawFile
from ringland.readers._table import raw_file

__all__ = ["NAME", "open_raw", "sniff"]

NAME = "HDF5"
_MAGIC = b"\x89HDF\r\n\x1a\n"
_MOST_DATASETS = 20_000
_MOST_STEPS, _LONGEST_PROVENANCE = 200, 60_000


def sniff(path: Path, head: bytes) -> None:
    """Returns for an HDF5 leading bytes at byte 0, 512, 1024 ..., else raises NotThisFormat."""
    at = 0
    while at + 8 <= len(head):
        if head[at : at + 8] == _MAGIC:
            return
        at = 512 if at == 0 else at * 2
    raise NotThisFormat("it has not the leading bytes of HDF5")


def open_raw(path: Path, rate_hz: float | None = None) -> RawFile:
    """Open an HDF5 file. Attributes of a dataset, its groups and the file may give rate_hz (or dt),
    start_s and unit."""
    import h5py

    handles: list[ArrayHandle] = []
    scalars: dict[str, Any] = {}
    with reading(NAME), h5py.File(path, "r") as file:
        matlab = any("MATLAB_class" in thing.attrs for thing in file.values())
        above: dict[str, dict[str, Any]] = {}
        scalars.update(_attributes(file))
        comment, told = scalars.get("notes"), file.attrs.get("provenance")
        for name, dataset in _datasets(file):
            if dataset.dtype.kind not in "fiub" or dataset.ndim > 2:
                if dataset.size == 1 and dataset.dtype.kind in "SO":
                    scalars[name] = dataset[()]
                continue
            size = int(np.prod(dataset.shape, dtype=np.float64)) if dataset.shape else 1
            if size == 1:
                scalars[name] = np.asarray(dataset[()])
            elif size > 1:
                # Packed data may be a thousand times smaller; unwritten data does not exist.
                if size > 1100 * dataset.id.get_storage_size():
                    raise ValueError(f"'{name}' claims {size} values that are not in the file")
                parent = name.rpartition("/")[0]
                if parent not in above:
                    above[parent] = _parents(file, parent)
                attributes = {**above[parent], **_attributes(dataset)}
                handles.append(
                    ArrayHandle(name, dataset.shape, _reader(path, name, dataset.shape), attributes)
                )
    tables, notes = tables_from_arrays(handles, scalars)
    if comment is not None and str(comment):
        notes.append(f"Comment in the file: {comment}")
    steps, trouble = _steps(told)
    notes += trouble
    name = "MATLAB 7.3" if matlab else NAME
    return raw_file(path, name, tables, rate_hz=rate_hz, notes=notes, steps=steps)


def _steps(told: object) -> tuple[list[ProvenanceStep], list[str]]:
    """Steps of the provenance a recording was written with, and what is wrong with them."""
    if not isinstance(told, str | bytes):
        return [], []
    try:
        if len(told) > _LONGEST_PROVENANCE:
            raise ValueError("it is too long")
        rows = json.loads(told)[:_MOST_STEPS]
        steps = [
            ProvenanceStep(str(r["name"]), {k: _scalar(v) for k, v in dict(r["settings"]).items()})
            for r in rows
        ]
    except (AttributeError, KeyError, TypeError, ValueError, RecursionError) as error:
        return [], [f"How it was recorded cannot be read from the file ({error})."]
    return steps, []


def _scalar(value: object) -> Scalar:
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError("a number that is not finite")
    if value is None or isinstance(value, str | int | float):
        return value
    raise ValueError("a setting that is no single value")


def _datasets(file: Any) -> list[tuple[str, Any]]:
    """All datasets by path; each object once, so that links in a circle end."""
    import h5py

    found: list[tuple[str, Any]] = []

    def visit(name: str, thing: Any) -> bool | None:
        if isinstance(thing, h5py.Dataset) and not name.startswith("#"):
            found.append((name, thing))
        return True if len(found) >= _MOST_DATASETS else None

    file.visititems(visit)
    return found


def _attributes(thing: Any) -> dict[str, Any]:
    attributes = {}
    for name, value in thing.attrs.items():
        if np.size(value) == 1:
            attributes[str(name)] = value
    return attributes


def _parents(file: Any, parent: str) -> dict[str, Any]:
    """Attributes of a group and those above it, the nearest winning."""
    attributes: dict[str, Any] = {}
    parts = [part for part in parent.split("/") if part]
    for n in range(1, len(parts) + 1):
        attributes.update(_attributes(file["/".join(parts[:n])]))
    return attributes


def _reader(path: Path, name: str, shape: tuple[int, ...]) -> Callable[[int, int], NDArray[Any]]:
    lying = len(shape) == 2 and shape[1] > shape[0]

    def read(start: int, stop: int) -> NDArray[Any]:
        import h5py

        with reading(NAME), h5py.File(path, "r") as file:
            dataset = file[name]
            block = dataset[:, start:stop].T if lying else dataset[start:stop]
        values: NDArray[Any] = np.asarray(block)
        return values[:, 0] if values.ndim == 2 and values.shape[1] == 1 else values

    return read

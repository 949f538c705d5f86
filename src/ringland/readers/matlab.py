"""MATLAB .mat, version 5 (version 7.3 is HDF5 and read there)."""

from pathlib import Path
from typing import Any

from ringland.errors import FileFormatError
from ringland.readers._arrays import ArrayHandle, memory_handle, tables_from_arrays
from ringland.readers._guard import reading
from ringland.readers._raw import NotThisFormat, RawFile
from ringland.readers._table import raw_file

__all__ = ["NAME", "open_raw", "sniff"]

NAME = "MATLAB"
_LARGEST_BYTES = 1 << 30


def sniff(path: Path, head: bytes) -> None:
    """Returns for a version 5 header, else raises NotThisFormat."""
    if len(head) < 128 or head[126:128] not in (b"IM", b"MI") or not head.startswith(b"MATLAB"):
        raise NotThisFormat("it does not start with a MATLAB 5 header")
    if head[124:126] in (b"\x00\x02", b"\x02\x00"):
        raise NotThisFormat("it is MATLAB 7.3, which is HDF5")


def open_raw(path: Path, rate_hz: float | None = None) -> RawFile:
    """Open a MATLAB 5 file: vectors by name, a scalar for the rate or a time vector."""
    from scipy.io import loadmat, whosmat

    with reading(NAME):
        claimed = 0
        for _, shape, _ in whosmat(str(path)):
            size = 8
            for length in shape:
                size *= int(length)
            claimed += size
        if claimed > _LARGEST_BYTES or claimed > 3000 * path.stat().st_size:
            raise FileFormatError(
                "This MATLAB file claims more data than can be read.",
                got=f"{claimed >> 20} MB unpacked",
                allowed=f"up to {_LARGEST_BYTES >> 20} MB",
                remedy="Save it with -v7.3, which is read window by window.",
            )
        data: dict[str, Any] = loadmat(str(path), squeeze_me=False, struct_as_record=True)
    handles: list[ArrayHandle] = []
    scalars: dict[str, Any] = {}
    left_out = []
    for name, array in data.items():
        if name.startswith("__"):
            continue
        kind = getattr(getattr(array, "dtype", None), "kind", "")
        if kind in "fiub" and array.size > 1:
            handles.append(memory_handle(name, array))
        elif getattr(array, "size", 0) == 1 and kind in "fiubUS":
            scalars[name] = array
        elif array.dtype.names and array.size == 1:
            left_out.append(name)
    tables, notes = tables_from_arrays(handles, scalars)
    notes += [f"'{name}' is a structure and was left out." for name in left_out]
    return raw_file(path, NAME, tables, rate_hz=rate_hz, notes=notes)

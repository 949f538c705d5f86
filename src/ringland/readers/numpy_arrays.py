"""NumPy .npy (mapped, not loaded) and .npz."""

import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from ringland.errors import FileFormatError
from ringland.readers._arrays import ArrayHandle, memory_handle, tables_from_arrays
from ringland.readers._guard import reading
from ringland.readers._raw import NotThisFormat, RawFile
from ringland.readers._table import raw_file

__all__ = ["NAME", "open_raw", "sniff"]

NAME = "NumPy"
_LARGEST_BYTES = 1 << 30


def sniff(path: Path, head: bytes) -> None:
    """Returns for .npy data or a zip that holds .npy members, else raises NotThisFormat."""
    if head[:6] == b"\x93NUMPY":
        return
    if head[:4] == b"PK\x03\x04" and b".npy" in head[:4096]:
        return
    raise NotThisFormat("it does not start as NumPy array data")


def open_raw(path: Path, rate_hz: float | None = None) -> RawFile:
    """Open NumPy arrays. Pickled objects are refused."""
    handles: list[ArrayHandle] = []
    scalars: dict[str, Any] = {}
    with reading(NAME):
        if _is_npy(path):
            handles = _mapped(path)
        else:
            for name, array in _unzipped(path).items():
                if array.dtype.kind in "fiub" and array.size > 1:
                    handles.append(memory_handle(name, array))
                elif array.size == 1:
                    scalars[name] = array
    tables, notes = tables_from_arrays(handles, scalars)
    if "notes" in scalars and str(scalars["notes"].reshape(-1)[0]):
        notes.append(f"Comment in the file: {scalars['notes'].reshape(-1)[0]}")
    return raw_file(path, NAME, tables, rate_hz=rate_hz, notes=notes)


def _is_npy(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(6) == b"\x93NUMPY"


def _mapped(path: Path) -> list[ArrayHandle]:
    """Handles that map the file anew for each window, so that pages read are let go again."""
    array = np.load(path, mmap_mode="r", allow_pickle=False)
    fields = array.dtype.names or (None,)
    handles = []
    for field in fields:
        column = array if field is None else array[field]
        if column.dtype.kind in "fiub" and column.size > 1:
            name = field or ("" if array.ndim == 1 else "channel")
            handles.append(ArrayHandle(name, column.shape, _window_reader(path, field)))
    return handles


def _window_reader(path: Path, field: str | None) -> Callable[[int, int], NDArray[Any]]:
    def read(start: int, stop: int) -> NDArray[Any]:
        with reading(NAME):
            array = np.load(path, mmap_mode="r", allow_pickle=False)
            whole = memory_handle("", array if field is None else array[field])
            return np.array(whole.read(start, stop))

    return read


def _unzipped(path: Path) -> dict[str, NDArray[Any]]:
    arrays: dict[str, NDArray[Any]] = {}
    with zipfile.ZipFile(path) as archive:
        members = [m for m in archive.infolist() if m.filename.endswith(".npy")]
        if sum(m.file_size for m in members) > _LARGEST_BYTES:
            raise FileFormatError(
                "This NumPy archive is too large to unpack in memory.",
                got=f"{sum(m.file_size for m in members) >> 20} MB unpacked",
                allowed=f"up to {_LARGEST_BYTES >> 20} MB",
                remedy="Save it as one .npy file or as HDF5, which are read window by window.",
            )
        for member in members:
            with archive.open(member) as file:
                _check_header(file, member.file_size)
            with archive.open(member) as file:
                name = member.filename.removesuffix(".npy")
                arrays[name] = np.lib.format.read_array(file, allow_pickle=False)
    return arrays


def _check_header(file: IO[bytes], size: int) -> None:
    """The header must not claim more data than the member holds."""
    version = np.lib.format.read_magic(file)
    read_header = {
        (1, 0): np.lib.format.read_array_header_1_0,
        (2, 0): np.lib.format.read_array_header_2_0,
    }[version]
    shape, _, dtype = read_header(file)
    claimed = dtype.itemsize
    for length in shape:
        claimed *= int(length)
    if claimed > size:
        raise ValueError(f"an array claims {claimed} bytes, more than its {size}")

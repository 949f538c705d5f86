"""ASAM MDF 3 and 4, by asammdf. ASAM MDF 4.x: one clock (master channel) per channel group."""

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, redirect_stdout
from pathlib import Path
from typing import Any

import numpy as np

from ringland.errors import FileFormatError
from ringland.readers._guard import reading
from ringland.readers._raw import FloatArray, NotThisFormat, RawFile
from ringland.readers._table import Table, raw_file
from ringland.readers.mdf_links import check_links

__all__ = ["NAME", "open_raw", "sniff"]

NAME = "MDF"
# Data types that are integers or floats: ASAM MDF 4.1.0, chapter 5.15; MDF 3.30, chapter 4.7.
_NUMBERS_4 = range(6)
_NUMBERS_3 = (0, 1, 2, 3, *range(9, 17))
_MOST_PACKED = 1100
_FINISHED, _UNFINISHED = b"MDF     ", b"UnFinMF "


def sniff(path: Path, head: bytes) -> None:
    """Returns for the MDF identification block, else raises NotThisFormat."""
    if head[:8] not in (_FINISHED, _UNFINISHED):
        raise NotThisFormat("it does not start with an MDF identification block")


def open_raw(path: Path, rate_hz: float | None = None) -> RawFile:
    """Open an MDF file; channels are read as physical values, a window at a time."""
    with path.open("rb") as file:
        head = file.read(64)
    if head[:8] == _UNFINISHED:
        raise FileFormatError(
            "This MDF file was not closed by the recorder.",
            got="an unfinished MDF file",
            allowed="a finished MDF file",
            remedy="Let the recording program finalise it, then copy it again.",
        )
    with reading(NAME):
        check_links(path)
    notes: list[str] = []
    tables: list[Table] = []
    with reading(NAME), _opened(path) as mdf:
        version = str(mdf.version)
        for number, group in enumerate(mdf.groups):
            table = _table(path, mdf, number, group)
            if isinstance(table, Table):
                tables.append(table)
            elif table:
                notes.append(table)
        comment = _comment(mdf)
    if comment:
        notes.append(f"Comment in the file: {comment}")
    return raw_file(path, f"{NAME} {version}", tables, rate_hz=rate_hz, notes=notes)


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """The file, opened and closed here: the library leaves a damaged one open, and prints what it
    knows of it."""
    from asammdf import MDF

    with path.open("rb") as file, redirect_stdout(io.StringIO()):
        mdf = MDF(file)
        try:
            yield mdf
        finally:
            mdf.close()


def _comment(mdf: Any) -> str:
    text = str(getattr(mdf.header, "description", None) or getattr(mdf.header, "comment", ""))
    return "" if text.lstrip().startswith("<") else text.strip()


def _check_records(group: Any, record_bytes: int, *, is_4: bool) -> None:
    """Raises ValueError when a channel would be read from outside its record: the library reads
    it in compiled code that does not look."""
    for channel in group.channels:
        if is_4:
            first_bit = 8 * int(channel.byte_offset) + int(channel.bit_offset)
            virtual = int(channel.channel_type) in (3, 6)
        else:
            first_bit = int(channel.start_offset) + 8 * int(channel.additional_byte_offset)
            virtual = int(channel.bit_count) == 0
        if not virtual and first_bit + int(channel.bit_count) > 8 * record_bytes:
            raise ValueError(f"channel '{channel.name}' lies outside its record")


def _table(path: Path, mdf: Any, number: int, group: Any) -> Table | str:
    """The group as a table, or why it is left out ("" for nothing worth saying)."""
    count = int(group.channel_group.cycles_nr)
    if count <= 0:
        return ""
    size = path.stat().st_size
    record = int(getattr(group.channel_group, "samples_byte_nr", 1) or 1)
    # A damaged header may claim any number of records; packed data may be a thousand times larger.
    if count * record > _MOST_PACKED * size:
        raise ValueError(f"group {number + 1} claims {count} records, more than the file holds")
    master = mdf.masters_db.get(number)
    if master is None:
        return f"Group {number + 1} has no time channel and was left out."
    _check_records(group, record, is_4=str(mdf.version) >= "4")
    names, units, indices = [], [], []
    numbers = _NUMBERS_4 if str(mdf.version) >= "4" else _NUMBERS_3
    for index, channel in enumerate(group.channels):
        if index == master or int(channel.data_type) not in numbers:
            continue
        one = mdf.get(group=number, index=index, record_offset=0, record_count=1,
                      ignore_invalidation_bits=True)  # fmt: skip
        if one.samples.dtype.kind in "fiub" and one.samples.ndim == 1:
            names.append(str(channel.name))
            units.append(str(one.unit or ""))
            indices.append(index)
    if not names:
        return f"Group {number + 1} holds no channel of numbers."

    def read(wanted: Sequence[int], start: int, stop: int) -> list[FloatArray]:
        with reading(NAME), _opened(path) as file:
            window = {"record_offset": start, "record_count": stop - start}
            columns = []
            for i in wanted:
                if i == 0:
                    values = file.get_master(number, **window)
                else:
                    values = file.get(group=number, index=indices[i - 1],
                                      ignore_invalidation_bits=True, **window).samples  # fmt: skip
                if len(values) != min(stop, count) - start:
                    raise ValueError("the file ends before its last record")
                columns.append(np.asarray(values, dtype=np.float64))
        return columns

    return Table(("time", *names), count, read, ("s", *units), time_column=0)

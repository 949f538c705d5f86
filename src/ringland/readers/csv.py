"""CSV: sampled channels with a time column or a stated rate, and edge lists."""

import io
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ringland.errors import FileFormatError
from ringland.readers._guard import reading
from ringland.readers._raw import FloatArray, RawFile
from ringland.readers._table import Table, column_reader, raw_file
from ringland.readers.csv_table import CsvLayout, decode_head, find_layout

if TYPE_CHECKING:
    import polars as pl

__all__ = ["NAME", "open_raw", "sniff"]

NAME = "CSV"
_HEAD_BYTES = 1 << 16
_LONG_HEAD_BYTES = 4 << 20
_WHOLE_BYTES = 64 << 20
_CHUNK_BYTES = 16 << 20


def sniff(path: Path, head: bytes) -> None:
    """Returns when the file holds a table of numbers as text, else raises NotThisFormat."""
    text, _, _ = decode_head(_enough(path, head))
    find_layout(text)


def open_raw(path: Path, rate_hz: float | None = None) -> RawFile:
    """Open a CSV. `rate_hz` replaces the clock of the file when given."""
    with path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
    text, encoding, note = decode_head(_enough(path, head))
    layout = find_layout(text)
    notes = [note] if note else []
    if path.stat().st_size > _WHOLE_BYTES and encoding == "utf-8":
        table = _windowed(path, layout)
        notes.append("The file is large: it is read window by window.")
    else:
        columns, lost = _parse(_as_utf8(path.read_bytes(), encoding)[layout.data_offset :], layout)
        table = _table(layout, len(columns[0]), columns)
        if lost:
            notes.append(f"{lost} cells were not numbers and were read as gaps.")
    return raw_file(path, NAME, [table], rate_hz=rate_hz, notes=notes)


def _enough(path: Path, head: bytes) -> bytes:
    """More of the file when its lines are so long that the head holds only a few."""
    if len(head) < _HEAD_BYTES or head.count(b"\n") >= 20:
        return head
    with path.open("rb") as file:
        return file.read(_LONG_HEAD_BYTES)


def _table(layout: CsvLayout, count: int, columns: Sequence[FloatArray]) -> Table:
    names = tuple(n or f"column {i + 1}" for i, n in enumerate(layout.names))
    return Table(
        names,
        count,
        column_reader(columns),
        layout.units,
        layout.rate_hz,
        time_column=0 if layout.clock_text else None,
        headerless=not any(layout.names),
    )


def _as_utf8(data: bytes, encoding: str) -> bytes:
    if encoding == "utf-16":
        return data.decode("utf-16", "replace").encode("utf-8")
    if encoding == "latin-1":
        return data.decode("latin-1").encode("utf-8")
    return data[3:] if data.startswith(b"\xef\xbb\xbf") else data


def _parse(data: bytes, layout: CsvLayout) -> tuple[list[FloatArray], int]:
    """All columns of a block of rows, and how many cells were text instead of numbers."""
    import polars as pl

    if layout.padded:
        data = re.sub(rb"[ ]+(?=[%b\r\n])" % re.escape(layout.separator.encode()), b"", data)
    dtypes: dict[str, type[pl.DataType]] = {f"c{i}": pl.Float64 for i in range(layout.width)}
    if layout.clock_text:
        dtypes["c0"] = pl.String
    with reading(NAME):
        frame = pl.read_csv(
            io.BytesIO(data),
            has_header=False,
            separator=layout.separator,
            decimal_comma=layout.decimal_comma,
            schema=dtypes,
            ignore_errors=True,
            truncate_ragged_lines=True,
        )
    if layout.clock_text:
        frame = frame.with_columns(_clock_seconds(frame["c0"]).alias("c0"))
    frame = _without_tail(frame.select([f"c{i}" for i in layout.live]))
    lost = sum(frame[c].null_count() for c in frame.columns)
    return [frame[c].fill_null(float("nan")).to_numpy() for c in frame.columns], lost


def _without_tail(frame: "pl.DataFrame") -> "pl.DataFrame":
    """Rows without any number at the end (blank lines, a text footer) are not samples."""
    stop = frame.height
    while stop > 0 and all(v is None for v in frame.row(stop - 1)):
        stop -= 1
    return frame.head(stop)


def _clock_seconds(column: "pl.Series") -> "pl.Series":
    """Seconds after the first row from "12:30:00.125" or "2026-01-31 12:30:00.125"."""
    import polars as pl

    text = column.str.strip_chars(" Z").str.replace(",", ".", literal=True)
    parts = text.str.extract_groups(r"(\d{1,2}):(\d\d):(\d\d(?:\.\d+)?)$").struct.unnest()
    hours, minutes, seconds = (
        parts[name].cast(pl.Float64, strict=False).fill_null(float("nan")).to_numpy()
        for name in parts.columns
    )
    clock = 3600.0 * hours + 60.0 * minutes + seconds
    # Past midnight the clock starts again at zero.
    clock += 86400.0 * np.cumsum(np.diff(clock, prepend=clock[:1]) < -43200.0)
    return pl.Series(clock - (clock[0] if len(clock) else 0.0))


def _windowed(path: Path, layout: CsvLayout) -> Table:
    """A table too large to hold: an index of byte offsets, parsed chunk by chunk."""
    if layout.clock_text:
        raise FileFormatError(
            "A CSV file this large with clock times as text cannot be read.",
            got=f"{path.stat().st_size >> 20} MB",
            allowed=f"up to {_WHOLE_BYTES >> 20} MB, or time in seconds",
            remedy="Export with time in seconds, or in parts of a few minutes.",
        )
    offsets, rows = _line_index(path, layout, _CHUNK_BYTES)

    def read(wanted: Sequence[int], start: int, stop: int) -> list[FloatArray]:
        first = int(np.searchsorted(rows, start, side="right")) - 1
        pieces: list[list[FloatArray]] = []
        with path.open("rb") as file:
            for k in range(first, len(rows) - 1):
                if rows[k] >= stop:
                    break
                file.seek(offsets[k])
                columns, _ = _parse(file.read(offsets[k + 1] - offsets[k]), layout)
                low, high = max(start - rows[k], 0), stop - rows[k]
                pieces.append([columns[i][low:high].copy() for i in wanted])
        return [np.concatenate(parts) for parts in zip(*pieces, strict=True)]

    table = _table(layout, rows[-1], ())
    return Table(table.names, rows[-1], read, table.units, table.rate_hz,
                 headerless=table.headerless)  # fmt: skip


def _line_index(path: Path, layout: CsvLayout, chunk_bytes: int) -> tuple[list[int], list[int]]:
    """Byte offset and row number where each chunk starts; chunks end at line ends and the last
    entry is the end of the file."""
    with path.open("rb") as file:
        offset = layout.data_offset + (3 if file.read(3) == b"\xef\xbb\xbf" else 0)
        file.seek(offset)
        offsets, rows = [offset], [0]
        while block := file.read(chunk_bytes):
            rest = file.readline()
            lines = block.count(b"\n") + rest.count(b"\n")
            last = rest or block
            if not last.endswith(b"\n") and last.strip():
                lines += 1
            offset += len(block) + len(rest)
            offsets.append(offset)
            rows.append(rows[-1] + lines)
    return offsets, rows

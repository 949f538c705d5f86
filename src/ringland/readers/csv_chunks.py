"""CSV too large to hold: an index of byte offsets, and windows parsed from it."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ringland.errors import FileFormatError
from ringland.readers._raw import FloatArray, RawFile, RawSignal, clean_rate
from ringland.readers.csv_table import CsvLayout

__all__ = ["open_chunked"]

_CHUNK_BYTES = 16 << 20

Parse = Callable[[bytes, CsvLayout], tuple[list[FloatArray], int]]


@dataclass(frozen=True)
class _Index:
    """Byte offset and row number where each chunk starts; the last entry is the end."""

    offsets: tuple[int, ...]
    rows: tuple[int, ...]


def open_chunked(
    path: Path,
    layout: CsvLayout,
    parse: Parse,
    *,
    time_column: int | None,
    time_factor: float,
    rate_hz: float | None,
    chunk_bytes: int = _CHUNK_BYTES,
) -> RawFile:
    """A CSV read by window. One pass counts lines; the clock is judged chunk by chunk."""
    index = _make_index(path, layout, chunk_bytes)
    keep = [i for i in range(len(layout.names)) if i != time_column]
    start_s, rate = 0.0, rate_hz or layout.rate_hz
    if time_column is not None and rate_hz is None:
        start_s, rate = _judge_clock(path, layout, parse, index, (time_column, time_factor))
    count = index.rows[-1]
    signals = tuple(
        RawSignal(layout.names[i] or f"column {i + 1}", 0, count, rate, layout.units[i], start_s)
        for i in keep
    )

    def chunk_of(number: int) -> list[FloatArray]:
        columns, _ = parse(_chunk(path, index, number), layout)
        return [columns[i] for i in keep]

    def read_block(group: int, start: int, stop: int) -> list[FloatArray]:
        return _read_rows(chunk_of, index, start, stop)

    notes = ("The file is large: it is read window by window.",)
    return RawFile(path, "CSV", signals, read_block, notes=notes)


def _make_index(path: Path, layout: CsvLayout, chunk_bytes: int) -> _Index:
    """Cut the file at line ends into chunks of about `chunk_bytes`, counting the rows."""
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
    return _Index(tuple(offsets), tuple(rows))


def _chunk(path: Path, index: _Index, number: int) -> bytes:
    with path.open("rb") as file:
        file.seek(index.offsets[number])
        return file.read(index.offsets[number + 1] - index.offsets[number])


def _judge_clock(
    path: Path, layout: CsvLayout, parse: Parse, index: _Index, clock: tuple[int, float]
) -> tuple[float, float]:
    """(start, rate): the first and last chunk must lie on one straight line of row against time."""
    column, factor = clock
    parsed = [
        parse(_chunk(path, index, k), layout)[0][column] * factor
        for k in dict.fromkeys((0, len(index.rows) - 2))
    ]
    first, last = parsed[0], parsed[-1]
    count = index.rows[-1]
    step = (last[-1] - first[0]) / (count - 1) if count > 1 and len(first) and len(last) else 0.0
    ideal = first[0] + step * np.arange(len(first)) if step > 0 else first
    if not step > 0 or float(np.max(np.abs(first - ideal))) >= 0.51 * step:
        raise FileFormatError(
            "The times in this large CSV file are not equally spaced.",
            got=f"{count} rows from {first[:1]} s to {last[-1:]} s",
            allowed="equal steps of time from the first row to the last",
            remedy="Export with a fixed sample rate, or in parts of a few minutes.",
        )
    return float(first[0]), clean_rate(1.0 / float(step))


def _read_rows(
    chunk_of: Callable[[int], list[FloatArray]], index: _Index, start: int, stop: int
) -> list[FloatArray]:
    """Rows [start, stop) of every column, from the chunks that hold them."""
    first = int(np.searchsorted(index.rows, start, side="right")) - 1
    pieces: list[list[FloatArray]] = []
    for k in range(first, len(index.rows) - 1):
        if index.rows[k] >= stop:
            break
        columns = chunk_of(k)
        low = max(start - index.rows[k], 0)
        high = stop - index.rows[k]
        pieces.append([column[low:high].copy() for column in columns])
    return [np.concatenate(parts) for parts in zip(*pieces, strict=True)]

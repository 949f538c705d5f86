"""CSV: sampled channels with a time column or a stated rate, and edge lists."""

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ringland.errors import FileFormatError
from ringland.readers._raw import (
    FloatArray,
    RawEdges,
    RawFile,
    RawSignal,
    clean_rate,
)
from ringland.readers.csv_chunks import open_chunked
from ringland.readers.csv_table import CsvLayout, decode_head, find_layout
from ringland.units import try_unit

if TYPE_CHECKING:
    import polars as pl

__all__ = ["NAME", "open_raw", "sniff"]

NAME = "CSV"
_HEAD_BYTES = 1 << 16
_WHOLE_BYTES = 64 << 20
_TIME_NAME = re.compile(
    r"^(time|t|timestamp|time[\s_]*stamp|elapsed[\s_]*time|elapsed|seconds?|secs?|zeit|temps|tiempo|"
    r"tempo|x|x[\s_-]*axis|relative time|rel[\s_]*time)(?:[\s_]*(s|sec|seconds|ms|us|µs|ns|min))?$",
    re.I,
)


def sniff(path: Path, head: bytes) -> None:
    """Returns when the file holds a table of numbers as text, else raises NotThisFormat."""
    text, _, _ = decode_head(head)
    find_layout(text)


def open_raw(path: Path, rate_hz: float | None = None) -> RawFile:
    """Open a CSV. `rate_hz` replaces the clock of the file when given."""
    with path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
    text, encoding, note = decode_head(head)
    layout = find_layout(text)
    notes = [note] if note else []
    if path.stat().st_size > _WHOLE_BYTES and encoding == "utf-8":
        return _open_large(path, layout, text, rate_hz)
    data = path.read_bytes()
    if encoding == "utf-16":
        data = data.decode("utf-16", "replace").encode("utf-8")
    elif encoding == "latin-1":
        data = data.decode("latin-1").encode("utf-8")
    elif data.startswith(b"\xef\xbb\xbf"):
        data = data[3:]
    columns, lost = parse_columns(data[layout.data_offset :], layout)
    if lost:
        notes.append(f"{lost} cells were not numbers and were read as gaps.")
    return _from_columns(path, layout, columns, rate_hz, notes)


def _open_large(path: Path, layout: CsvLayout, head: str, rate_hz: float | None) -> RawFile:
    rows = head.encode("utf-8")[layout.data_offset :]
    sample, _ = parse_columns(rows[: rows.rfind(b"\n") + 1], layout)
    clock = find_clock(layout, sample)
    if layout.clock_text:
        raise FileFormatError(
            "A CSV file this large with clock times as text cannot be read.",
            got=f"{path.stat().st_size >> 20} MB",
            allowed=f"up to {_WHOLE_BYTES >> 20} MB, or time in seconds",
            remedy="Export with time in seconds, or in parts of a few minutes.",
        )
    return open_chunked(
        path,
        layout,
        parse_columns,
        time_column=clock.column,
        time_factor=clock.factor,
        rate_hz=rate_hz,
    )


def parse_columns(data: bytes, layout: CsvLayout) -> tuple[list[FloatArray], int]:
    """All columns of a block of rows, and how many cells were text instead of numbers."""
    import polars as pl

    if layout.padded:
        data = re.sub(rb"[ ]+(?=[%b\r\n])" % re.escape(layout.separator.encode()), b"", data)
    width = layout.width
    dtypes: dict[str, type[pl.DataType]] = {f"c{i}": pl.Float64 for i in range(width)}
    if layout.clock_text:
        dtypes["c0"] = pl.String
    try:
        frame = pl.read_csv(
            io.BytesIO(data),
            has_header=False,
            separator=layout.separator,
            decimal_comma=layout.decimal_comma,
            schema=dtypes,
            ignore_errors=True,
            truncate_ragged_lines=True,
        )
    except pl.exceptions.PolarsError as error:
        raise FileFormatError(
            "The table in this CSV file cannot be read.",
            got=str(error).splitlines()[0],
            allowed="rows of numbers with one separator throughout",
            remedy="Look for a damaged line with a text editor, or export the file again.",
        ) from error
    if layout.clock_text:
        frame = frame.with_columns(_clock_seconds(frame["c0"]).alias("c0"))
    frame = _without_tail(frame.select(frame.columns[: len(layout.names)]))
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

    text = column.str.strip_chars(" Z").str.replace(",", ".")
    clock = text.str.extract(r"(\d{1,2}:\d\d:\d\d(?:\.\d+)?)$", 1)
    parts = clock.str.split(":")
    seconds = sum(
        (parts.list.get(i, null_on_oob=True).cast(pl.Float64, strict=False) * w)
        for i, w in enumerate((3600.0, 60.0, 1.0))
    )
    assert isinstance(seconds, pl.Series)
    values = seconds.fill_null(float("nan")).to_numpy().copy()
    # Past midnight the clock starts again at zero.
    steps = np.diff(values, prepend=values[:1])
    values += 86400.0 * np.cumsum(steps < -43200.0)
    return pl.Series(values - (values[0] if len(values) else 0.0))


@dataclass(frozen=True)
class Clock:
    """Which column is time (None: none), and its factor to seconds."""

    column: int | None
    factor: float
    note: str


def find_clock(layout: CsvLayout, columns: Sequence[FloatArray]) -> Clock:
    """The time column, by its name, else by its steady rise when there is no header."""
    for i, (name, unit) in enumerate(zip(layout.names, layout.units, strict=True)):
        match = _TIME_NAME.match(name)
        if match is None:
            continue
        text = unit or match.group(2) or ""
        known = try_unit(text or "s")
        if known is None or known.quantity != "time":
            raise FileFormatError(
                f"The unit of the time column '{name}' is not known.",
                got=f"'{unit}'",
                allowed="s, ms, us, ns, min",
                remedy="Correct the header of the time column.",
            )
        said = text or "seconds (no unit given)"
        return Clock(i, known.factor, f"Time is the column '{name}', in {said}.")
    if layout.clock_text:
        return Clock(0, 1.0, "Time is the clock time in the first column.")
    if not any(layout.names) and len(columns) > 1 and len(columns[0]) > 2:
        steps = np.diff(columns[0][:1000])
        if np.all(steps > 0) and np.ptp(steps) < 0.5 * float(np.mean(steps)):
            return Clock(0, 1.0, "There is no header; the first column rises steadily and was "
                                 "taken as time in seconds.")  # fmt: skip
    return Clock(None, 1.0, "")


def _from_columns(
    path: Path,
    layout: CsvLayout,
    columns: list[FloatArray],
    rate_hz: float | None,
    notes: list[str],
) -> RawFile:
    clock = find_clock(layout, columns)
    if clock.note:
        notes.append(clock.note)
    keep = [i for i in range(len(columns)) if i != clock.column]
    names = [layout.names[i] or f"column {i + 1}" for i in keep]
    units = [layout.units[i] for i in keep]
    values = [columns[i] for i in keep]
    if not keep:
        raise FileFormatError(
            "This CSV file has a time column but no channel.",
            allowed="a time column and at least one column of values",
            remedy="Export the channels together with the time.",
        )
    start_s, rate = 0.0, rate_hz or layout.rate_hz
    if clock.column is not None and rate_hz is None:
        time_s = columns[clock.column] * clock.factor
        good = np.isfinite(time_s)
        if not good.all():
            time_s, values = time_s[good], [v[good] for v in values]
            notes.append(f"{int((~good).sum())} rows without a time were left out.")
        timing = judge_times(time_s)
        if timing is None and _two_level(values):
            return _edge_file(path, names, time_s, values, notes)
        if timing is None:
            time_s, values, said = _regular(time_s, values)
            notes.append(said)
            timing = judge_times(time_s)
        assert timing is not None
        start_s, rate = timing
    signals = tuple(
        RawSignal(n, 0, len(values[0]), rate, u, start_s) for n, u in zip(names, units, strict=True)
    )

    def read_block(group: int, start: int, stop: int) -> list[FloatArray]:
        return [v[start:stop] for v in values]

    return RawFile(path, NAME, signals, read_block, notes=tuple(notes))


def judge_times(time_s: FloatArray) -> tuple[float, float] | None:
    """(start, rate) when the times are equally spaced within half a step, else None.

    Raises FileFormatError when they do not rise or are too few to know a rate.
    """
    n = len(time_s)
    if n < 2 or not time_s[-1] > time_s[0]:
        raise FileFormatError(
            "The sample rate cannot be told from the time column.",
            got=f"{n} row(s)" if n < 2 else "a time that does not rise from first to last row",
            allowed="at least two rows with rising time",
            remedy="Export the time column with more digits, or state the rate with --rate.",
        )
    step = (float(time_s[-1]) - float(time_s[0])) / (n - 1)
    ideal = time_s[0] + step * np.arange(n)
    if float(np.max(np.abs(time_s - ideal))) >= 0.51 * step:
        return None
    return float(time_s[0]), clean_rate(1.0 / step)


def _two_level(values: Sequence[FloatArray]) -> bool:
    """True when every column holds only 0 and 1."""
    return all(bool(np.all((v == 0.0) | (v == 1.0))) for v in values)


def _edge_file(
    path: Path,
    names: Sequence[str],
    time_s: FloatArray,
    values: Sequence[FloatArray],
    notes: list[str],
) -> RawFile:
    order = np.argsort(time_s, kind="stable")
    if np.any(np.diff(order) < 0):
        notes.append("Rows were not in order of time and were sorted.")
        time_s, values = time_s[order], [v[order] for v in values]
    notes.append("Times are irregular and columns hold only 0 and 1: read as an edge list.")
    edges = []
    for name, column in zip(names, values, strict=True):
        at = np.flatnonzero(np.diff(column)) + 1
        edges.append(
            RawEdges(
                name, time_s[at], column[at].astype(np.int64), float(time_s[0]), float(time_s[-1])
            )
        )

    def read_block(group: int, start: int, stop: int) -> list[FloatArray]:
        return []

    return RawFile(path, "edge list CSV", (), read_block, tuple(edges), tuple(notes))


def _regular(
    time_s: FloatArray, values: Sequence[FloatArray]
) -> tuple[FloatArray, list[FloatArray], str]:
    """Values by straight lines on equal steps; gaps of more than five steps become NaN."""
    order = np.argsort(time_s, kind="stable")
    unique = np.concatenate(([True], np.diff(time_s[order]) > 0))
    rows = order[unique]
    old = time_s[rows]
    steps = np.diff(old)
    step = float(np.median(steps))
    count = (old[-1] - old[0]) / step + 1
    if not np.isfinite(count) or count > 20 * len(old) + 1000:
        raise FileFormatError(
            "The times in this CSV file are too irregular to be samples.",
            got=f"steps from {steps.min():.3g} s to {steps.max():.3g} s",
            allowed="nearly equal steps, or an edge list whose columns hold only 0 and 1",
            remedy="Export with a fixed sample rate.",
        )
    grid = old[0] + step * np.arange(int(count))
    left = np.clip(np.searchsorted(old, grid, side="right") - 1, 0, len(steps) - 1)
    gap = (steps[left] > 5 * step) & (grid > old[left])
    new = [np.where(gap, np.nan, np.interp(grid, old, v[rows])) for v in values]
    said = (
        f"Times are irregular (steps {steps.min():.3g} to {steps.max():.3g} s); values were put "
        f"on equal steps of {step:.6g} s, with {int(gap.sum())} samples left as gaps."
    )
    return grid, new, said

"""Columns on one clock: find the time, judge it, and make signals or edge trains.

Every format hands its content over as tables; this is the one place where time is judged.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from ringland.errors import FileFormatError
from ringland.model.provenance import ProvenanceStep
from ringland.readers._raw import FloatArray, RawEdges, RawFile, RawSignal, clean_rate
from ringland.units import try_unit

__all__ = ["Table", "column_reader", "is_time_name", "raw_file", "split_unit"]

WHOLE_ROWS = 4_000_000
"""Tables up to this many rows have every time looked at; longer ones a piece at each end."""
_PIECE_ROWS = 200_000
_FAR_S = 1e6
_TIME_NAME = re.compile(
    r"^(time|t|timestamps?|time[\s_]*stamps?|elapsed[\s_]*time|elapsed|seconds?|secs?|zeit|temps|"
    r"tiempo|tempo|x|x[\s_-]*axis|relative time|rel[\s_]*time|time[\s_]*axis)"
    r"(?:[\s_]+(s|sec|seconds|ms|us|µs|ns|min))?$",
    re.I,
)
_BRACKETS = re.compile(r"^(.*?)[\s_]*[\[(]\s*([^\[\]()]*?)\s*[\])]\s*$")
_SUFFIX = re.compile(r"^(.{2,})_([A-Za-z0-9µ]{1,6})$")

ReadColumns = Callable[[Sequence[int], int, int], list[FloatArray]]


@dataclass(frozen=True, eq=False)
class Table:
    """Columns of equal length on one clock.

    `read` gives the asked columns for rows [start, stop). `time_column` is set when the format
    itself says which column is time. `headerless` tables may have their time recognised by a
    steady rise of the first column. `rate_hz` and `start_s` hold where there is no time column.
    `units`, `full_scales` and `resolutions` have one entry per column, or none at all.
    """

    names: tuple[str, ...]
    count: int
    read: ReadColumns
    units: tuple[str, ...] = ()
    rate_hz: float | None = None
    start_s: float = 0.0
    time_column: int | None = None
    headerless: bool = False
    full_scales: tuple[tuple[float, float] | None, ...] = ()
    resolutions: tuple[float | None, ...] = ()


@dataclass
class _Gathered:
    """What the tables of a file have given so far."""

    signals: list[RawSignal] = field(default_factory=list)
    edges: list[RawEdges] = field(default_factory=list)
    tables: list[Table] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class _Clock:
    """Which column is time (None: none), and its factor to seconds."""

    column: int | None
    factor: float = 1.0
    note: str = ""


def column_reader(columns: Sequence[FloatArray]) -> ReadColumns:
    """A `Table.read` for columns that are in memory."""

    def read(wanted: Sequence[int], start: int, stop: int) -> list[FloatArray]:
        return [columns[i][start:stop] for i in wanted]

    return read


def split_unit(title: str) -> tuple[str, str]:
    """("exhaust", "mbar") from "exhaust [mbar]", "exhaust (mbar)" or "exhaust_mbar"."""
    match = _BRACKETS.match(title)
    if match:
        return match.group(1).strip(), match.group(2)
    match = _SUFFIX.match(title)
    if match and (unit := try_unit(match.group(2))) is not None and unit.symbol == match.group(2):
        return match.group(1), match.group(2)
    return title, ""


def is_time_name(name: str) -> bool:
    """True for a name that means time."""
    return bool(_TIME_NAME.match(name.strip()))


def raw_file(
    path: Path,
    format_name: str,
    tables: Sequence[Table],
    *,
    rate_hz: float | None,
    notes: Sequence[str] = (),
    steps: Sequence[ProvenanceStep] = (),
) -> RawFile:
    """The file made of these tables; `rate_hz`, when given, replaces every clock in it; `steps`:
    what the file says of how it came to be."""
    gathered = _Gathered(notes=list(notes))
    # Damaged times may be infinite or absurd: such values are judged below, not warned about.
    with np.errstate(all="ignore"):
        for table in tables:
            if table.count > 0 and table.names:
                _add_table(gathered, table, rate_hz)
    if not gathered.signals and not gathered.edges:
        raise FileFormatError(
            f"This {format_name} file holds no samples.",
            allowed="at least one channel with samples against time",
            remedy="Check that the recording was finished before the file was copied.",
        )
    _from_zero(gathered)
    kept = gathered.tables

    def read_block(group: int, columns: Sequence[int], start: int, stop: int) -> list[FloatArray]:
        return kept[group].read(columns, start, stop)

    name = format_name if gathered.signals else f"edge list {format_name}"
    return RawFile(
        path,
        name,
        tuple(gathered.signals),
        read_block,
        tuple(gathered.edges),
        tuple(dict.fromkeys(gathered.notes)),
        tuple(steps),
    )


def _from_zero(gathered: _Gathered) -> None:
    """Clocks that count from a far-off day would lose precision: count from the first sample."""
    starts = [s.start_s for s in gathered.signals] + [e.start_s for e in gathered.edges]
    first = min(starts)
    if abs(first) < _FAR_S:
        return
    gathered.signals[:] = [replace(s, start_s=s.start_s - first) for s in gathered.signals]
    gathered.edges[:] = [
        RawEdges(e.name, e.time_s - first, e.level_after, e.start_s - first, e.stop_s - first)
        for e in gathered.edges
    ]
    gathered.notes.append(f"Time in the file starts at {first:.6f} s; it is counted from there.")


def _add_table(gathered: _Gathered, table: Table, rate_hz: float | None) -> None:
    clock = _find_clock(table)
    columns = [i for i in range(len(table.names)) if i != clock.column]
    if not columns:
        gathered.notes.append(f"'{table.names[0]}' is a time without any channel beside it.")
        return
    if clock.note:
        gathered.notes.append(clock.note)
    start_s, rate = table.start_s, rate_hz or table.rate_hz
    if clock.column is not None and rate_hz is None:
        timed = _by_its_times(gathered, table, clock, columns)
        if timed is None:
            return
        table, columns, (start_s, rate) = timed
    units = table.units or ("",) * len(table.names)
    group = len(gathered.tables)
    gathered.tables.append(table)
    gathered.signals.extend(
        RawSignal(
            table.names[i], group, i, table.count, rate, units[i], start_s,
            table.full_scales[i] if table.full_scales else None,
            table.resolutions[i] if table.resolutions else None,
        )
        for i in columns
    )  # fmt: skip


def _by_its_times(
    gathered: _Gathered, table: Table, clock: _Clock, columns: list[int]
) -> tuple[Table, list[int], tuple[float, float]] | None:
    """The table with its (start, rate); None when it was an edge list, which is then gathered."""
    times = _times(table, clock)
    if times is None:
        return table, columns, _judge_ends(table, clock)
    table, times = _only_timed_rows(table, times, gathered.notes)
    timing = judge_times(times)
    levels = _edge_values(table, columns, regular=timing is not None)
    if levels is not None:
        names = [table.names[i] for i in columns]
        gathered.edges.extend(_edge_trains(names, times, levels))
        gathered.notes.append(
            "Columns hold only 0 and 1 and rows stand at changes: read as an edge list."
        )
        return None
    if timing is not None:
        return table, columns, timing
    if (timing := _coarse_times(times)) is not None:
        gathered.notes.append(
            "The time column has too few digits for its rate; the rate was taken from the first "
            "and the last row."
        )
        return table, columns, timing
    values = [_floats(v) for v in table.read(columns, 0, table.count)]
    table, timing, said = _on_equal_steps(table, columns, times, values)
    gathered.notes.append(said)
    return table, list(range(len(values))), timing


def _find_clock(table: Table) -> _Clock:
    """The time column: known, by its name, or by its steady rise when there is no header."""
    if table.time_column is not None:
        return _Clock(table.time_column)
    for i, name in enumerate(table.names):
        match = _TIME_NAME.match(name.strip())
        if match is None:
            continue
        text = (table.units[i] if table.units else "") or match.group(2) or ""
        known = try_unit(text or "s")
        if known is None or known.quantity != "time":
            raise FileFormatError(
                f"The unit of the time column '{name}' is not known.",
                got=f"'{text}'",
                allowed="s, ms, us, ns, min",
                remedy="Correct the header of the time column.",
            )
        said = text or "seconds (no unit given)"
        return _Clock(i, known.factor, f"Time is the column '{name}', in {said}.")
    if table.headerless and len(table.names) > 1 and table.count > 2:
        (rise,) = table.read([0], 0, min(table.count, 1000))
        steps = np.diff(rise)
        if np.all(steps > 0) and np.ptp(steps) < 0.5 * float(np.mean(steps)):
            note = (
                "There is no header; the first column rises steadily and was taken as time in "
                "seconds."
            )
            return _Clock(0, 1.0, note)
    return _Clock(None)


def _floats(values: FloatArray) -> FloatArray:
    return np.asarray(values, dtype=np.float64)


def _times(table: Table, clock: _Clock) -> FloatArray | None:
    """All times in seconds, or None for a table too long to look at each."""
    assert clock.column is not None
    if table.count > WHOLE_ROWS:
        return None
    (times,) = table.read([clock.column], 0, table.count)
    return _floats(times) * clock.factor


def _only_timed_rows(table: Table, times: FloatArray, notes: list[str]) -> tuple[Table, FloatArray]:
    """Without the rows whose time is not a number."""
    good = np.isfinite(times)
    if good.all():
        return table, times
    rows = np.flatnonzero(good)
    columns = table.read(list(range(len(table.names))), 0, table.count)
    notes.append(f"{table.count - len(rows)} rows without a time were left out.")
    kept = column_reader([_floats(c)[rows] for c in columns])
    return replace(table, count=len(rows), read=kept), times[rows]


def _no_rate(got: str) -> FileFormatError:
    return FileFormatError(
        "The sample rate cannot be told from the time column.",
        got=got,
        allowed="at least two rows with rising time",
        remedy="Export the time column with more digits, or state the rate with --rate.",
    )


def judge_times(times: FloatArray) -> tuple[float, float] | None:
    """(start, rate) when the times are equally spaced within half a step, else None.

    Raises FileFormatError when they do not rise or are too few to know a rate.
    """
    n = len(times)
    if n < 2:
        raise _no_rate(f"{n} row(s)")
    step = (float(times[-1]) - float(times[0])) / (n - 1)
    if not step > 0 or not np.isfinite(step):
        raise _no_rate("a time that does not rise from the first row to the last")
    worst = float(np.max(np.abs(times - times[0] - step * np.arange(n))))
    if worst >= 0.51 * step:
        return None
    return float(times[0]), clean_rate(1.0 / step)


def _coarse_times(times: FloatArray) -> tuple[float, float] | None:
    """(start, rate) for times printed so coarsely that neighbours are often equal, else None."""
    steps = np.diff(times)
    rising = steps[steps > 0]
    if len(rising) == 0 or np.any(steps < 0) or len(rising) > 0.95 * len(steps):
        return None
    digit = float(rising.min())
    step = (float(times[-1]) - float(times[0])) / len(steps)
    worst = float(np.max(np.abs(times - times[0] - step * np.arange(len(times)))))
    if float(rising.max()) > 1.5 * digit or worst > 0.51 * step + 1.01 * digit:
        return None
    return float(times[0]), clean_rate(1.0 / step)


def _judge_ends(table: Table, clock: _Clock) -> tuple[float, float]:
    """(start, rate) of a long table from a piece at its start, middle and end, which must lie on
    one straight line."""
    assert clock.column is not None
    count = table.count
    places = (0, count // 2, count - _PIECE_ROWS)
    pieces = [
        _floats(table.read([clock.column], at, at + _PIECE_ROWS)[0]) * clock.factor for at in places
    ]
    first_s, last_s = float(pieces[0][0]), float(pieces[-1][-1])
    step = (last_s - first_s) / (count - 1)
    worst = max(
        float(np.max(np.abs(piece - first_s - step * (at + np.arange(len(piece))))))
        for at, piece in zip(places, pieces, strict=True)
    )
    if not step > 0 or not worst < 0.51 * step:
        raise FileFormatError(
            "The times in this long file are not equally spaced.",
            got=f"{count} rows from {first_s:g} s to {last_s:g} s",
            allowed="equal steps of time from the first row to the last",
            remedy="Export with a fixed sample rate, or in parts of a few minutes.",
        )
    return first_s, clean_rate(1.0 / step)


def _edge_values(table: Table, columns: Sequence[int], *, regular: bool) -> list[FloatArray] | None:
    """The columns when this is an edge list, else None: only 0 and 1, at irregular times, or
    with a change in nearly every row (which no sampled signal has)."""
    if regular:
        few = [_floats(v) for v in table.read(columns, 0, min(table.count, 64))]
        if len(few[0]) < 4 or not _two_level(few) or not _change_everywhere(few):
            return None
    values = [_floats(v) for v in table.read(columns, 0, table.count)]
    if not _two_level(values) or (regular and not _change_everywhere(values)):
        return None
    return values


def _two_level(values: Sequence[FloatArray]) -> bool:
    return all(bool(np.all((v == 0.0) | (v == 1.0))) for v in values)


def _change_everywhere(values: Sequence[FloatArray]) -> bool:
    changes = np.any([np.diff(v) != 0 for v in values], axis=0)
    return bool(np.count_nonzero(changes) >= 0.7 * len(changes))


def _edge_trains(
    names: Sequence[str], times: FloatArray, values: Sequence[FloatArray]
) -> list[RawEdges]:
    order = np.argsort(times, kind="stable")
    times = times[order]
    first_s, last_s = float(times[0]), float(times[-1])
    trains = []
    for name, column in zip(names, values, strict=True):
        levels = column[order].astype(np.int64)
        at = np.flatnonzero(np.diff(levels)) + 1
        trains.append(RawEdges(name, times[at], levels[at], first_s, last_s))
    return trains


def _on_equal_steps(
    table: Table, columns: Sequence[int], times: FloatArray, values: Sequence[FloatArray]
) -> tuple[Table, tuple[float, float], str]:
    """Values by straight lines on equal steps; gaps of more than five steps become NaN."""
    order = np.argsort(times, kind="stable")
    rows = order[np.concatenate(([True], np.diff(times[order]) > 0))]
    old = times[rows]
    steps = np.diff(old)
    step = float(np.median(steps))
    count = (old[-1] - old[0]) / step + 1
    if not np.isfinite(count) or count > 20 * len(old) + 1000:
        raise FileFormatError(
            "The times in this file are too irregular to be samples.",
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
    units = tuple(table.units[i] for i in columns) if table.units else ()
    names = tuple(table.names[i] for i in columns)
    return (
        Table(names, len(grid), column_reader(new), units),
        (float(old[0]), clean_rate(1.0 / step)),
        said,
    )

"""CSV as instruments export it: find the table, its separator, header, units and clock."""

import csv
import re
from collections import Counter
from dataclasses import dataclass
from functools import lru_cache

from ringland.readers._raw import NotThisFormat
from ringland.readers._table import split_unit
from ringland.units import try_unit

__all__ = ["CsvLayout", "decode_head", "find_layout"]

_HEAD_LINES = 400
_CONTROLS = bytes(c for c in range(32) if c not in (9, 10, 12, 13))
_NUMBER = re.compile(
    r"\s*[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?\s*$|\s*[+-]?(nan|inf|infinity)\s*$", re.I
)
_CLOCK = re.compile(r"\s*(\d{4}-\d\d-\d\d[T ])?\d{1,2}:\d\d:\d\d([.,]\d+)?Z?\s*$")
_RATE = re.compile(
    r"(?:sampl\w*[\s_]*(?:rate|freq\w*)|^\s*rate|^\s*fs)(?:_hz)?\b\D*?([\d.]+(?:[eE][+-]?\d+)?)\s*"
    r"([kKM]?)\s*(?:hz|s/s|sa/s|sps|samples)?",
    re.I,
)
_INTERVAL = re.compile(
    r"(?:sampl\w*[\s_]*(?:interval|period|time)|^\s*interval|^\s*dt|^\s*delta[\s_]*t)\b\D*?"
    r"([\d.]+(?:[eE][+-]?\d+)?)\s*(ms|us|µs|ns|s)?",
    re.I,
)
_INTERVAL_UNIT = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "ns": 1e-9}


@dataclass(frozen=True)
class CsvLayout:
    """Where the numbers are and what the columns are called.

    `width` counts the columns of the file, `live` are those with something in them; `names` and
    `units` have one entry for each of these ("" when the file gives none). `data_offset` counts
    bytes of the decoded text in UTF-8 from its start.
    """

    separator: str
    decimal_comma: bool
    width: int
    live: tuple[int, ...]
    data_offset: int
    names: tuple[str, ...]
    units: tuple[str, ...]
    clock_text: bool
    padded: bool
    rate_hz: float | None


def decode_head(head: bytes) -> tuple[str, str, str | None]:
    """(text, encoding, note) of the first bytes of a text file; NotThisFormat for binary data."""
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return head[: len(head) // 2 * 2].decode("utf-16", "ignore"), "utf-16", None
    if b"\0" in head:
        raise NotThisFormat("it holds zero bytes, so it is not text")
    if len(head) - len(head.translate(None, _CONTROLS)) > len(head) // 50:
        raise NotThisFormat("it holds control characters, so it is not text")
    if head.startswith(b"\xef\xbb\xbf"):
        head = head[3:]
    # The last character may be cut in two by the end of the head.
    for cut in range(4):
        try:
            return head[: len(head) - cut].decode("utf-8"), "utf-8", None
        except UnicodeDecodeError:
            continue
    note = "The text is not UTF-8; it was read as Latin-1, so accented letters in names may be off."
    return head.decode("latin-1"), "latin-1", note


def _is_number(cell: str, decimal_comma: bool) -> bool:
    if decimal_comma:
        if "." in cell:
            return False
        cell = cell.replace(",", ".", 1)
    return bool(_NUMBER.match(cell))


def _cells(line: str, separator: str) -> list[str]:
    if '"' in line:
        line_cells = next(csv.reader([line], delimiter=separator), [])
        return [c.strip() for c in line_cells] or [""]
    return [c.strip() for c in line.split(separator)]


def _numeric_row(cells: list[str], decimal_comma: bool) -> bool:
    """True for a row of numbers; empty cells are gaps, the first may be a clock time."""
    numbers = 0
    for i, cell in enumerate(cells):
        if not cell:
            continue
        if _is_number(cell, decimal_comma):
            numbers += 1
        elif i > 0 or not _CLOCK.match(cell):
            return False
    return numbers > 0


def _table_start(lines: list[str], separator: str, decimal_comma: bool) -> tuple[int, int, int]:
    """(first line, columns, rows) of the table: the commonest width of number rows, from the
    first place where such rows are the rule. A damaged line inside does not cut it short."""
    widths = []
    for line in lines:
        cells = _cells(line, separator)
        widths.append(len(cells) if _numeric_row(cells, decimal_comma) else 0)
    counts = Counter(w for w in widths if w)
    if not counts:
        return 0, 0, 0
    width, rows = max(counts.items(), key=lambda item: (item[1], item[0]))
    hits = [i for i, w in enumerate(widths) if w == width]
    start = next(
        (i for i in hits if 2 * widths[i : i + 6].count(width) >= len(widths[i : i + 6])), hits[0]
    )
    return start, width, rows


def _dialect(lines: list[str]) -> tuple[str, bool, int, int]:
    """(separator, decimal comma, first data line, columns) that explains most rows."""
    best: tuple[int, int] = (0, 0)
    found: tuple[str, bool, int, int] | None = None
    for separator, comma in ((",", False), (";", False), (";", True), ("\t", False), ("\t", True)):
        if separator != "," and not any(separator in line for line in lines):
            continue
        start, width, rows = _table_start(lines, separator, comma)
        score = (rows, width)
        if rows and score > best:
            best, found = score, (separator, comma, start, width)
    if found is None:
        raise NotThisFormat("no table of numbers found in the first lines")
    return found


def _titles(
    lines: list[str], start: int, width: int, separator: str
) -> tuple[list[str], list[str], int]:
    """Names, units and the number of header lines, from the lines above the table."""
    above: list[tuple[int, list[str]]] = []
    for i in range(start - 1, -1, -1):
        cells = _cells(lines[i].lstrip("#").lstrip("%"), separator)
        if cells == [""]:
            continue
        if len(cells) != width or not any(cells):
            break
        above.append((i, cells))
        if len(above) == 3:
            break
    if not above:
        return [""] * width, [""] * width, start
    # The top line of up to two carries names; a units line sits just above the numbers.
    if len(above) >= 2 and _looks_like_units(above[0][1]):
        units = [c.strip("[]() ") for c in above[0][1]]
        names = [split_unit(c)[0] for c in above[1][1]]
        return names, units, above[1][0]
    pairs = [split_unit(c) for c in above[0][1]]
    return [p[0] for p in pairs], [p[1] for p in pairs], above[0][0]


def _looks_like_units(cells: list[str]) -> bool:
    filled = [c for c in cells if c]
    bracketed = all(c[0] in "[(" and c[-1] in "])" for c in filled)
    short = all(len(c.strip("[]() ")) <= 6 for c in filled)
    return bool(filled) and (bracketed or (short and _unit_words(filled) >= len(filled) / 2))


def _unit_words(cells: list[str]) -> int:
    return sum(try_unit(c) is not None or c in ("-", "counts") for c in cells)


def _stated_rate(preamble: list[str]) -> float | None:
    """A sample rate or interval written in the lines above the table."""
    for line in preamble:
        text = line.replace('"', "").lstrip("#% ")
        if (m := _RATE.search(text)) is not None:
            try:
                value = float(m.group(1))
            except ValueError:
                continue
            return value * {"": 1.0, "k": 1e3, "m": 1e6}[m.group(2).lower()] or None
        if (m := _INTERVAL.search(text)) is not None:
            try:
                step = float(m.group(1)) * _INTERVAL_UNIT[(m.group(2) or "s").lower()]
            except ValueError:
                continue
            return 1.0 / step if step > 0 else None
    return None


@lru_cache(maxsize=1)  # asked twice for every file: to sniff it and to open it
def find_layout(text: str) -> CsvLayout:
    """The layout of the table in the head of a CSV; NotThisFormat when there is none."""
    lines = text.splitlines()[:_HEAD_LINES]
    if len(lines) > 2 and len(lines) < _HEAD_LINES and not text.endswith(("\n", "\r")):
        lines = lines[:-1] or lines  # the last line may be cut by the end of the head
    separator, comma, start, width = _dialect(lines)
    filled = _filled_columns(lines[start : start + 100], separator, width)
    first = _first_row(lines, start, (separator, comma), filled)
    names, units, top = _titles(lines, first, width, separator)
    live = tuple(i for i in range(width) if i in filled or (names[i] and first == start))
    return CsvLayout(
        separator=separator,
        decimal_comma=comma,
        width=width,
        live=live,
        data_offset=_byte_offset(text, first),
        names=tuple(names[i] for i in live),
        units=tuple(units[i] for i in live),
        clock_text=live[0] == 0 and bool(_CLOCK.match(_cells(lines[first], separator)[0])),
        padded=any(re.search(rf"[ ]+({re.escape(separator)}|$)", ln) for ln in lines[first:]),
        rate_hz=_stated_rate(lines[: max(top, start)]),
    )


def _filled_columns(rows: list[str], separator: str, width: int) -> set[int]:
    """Columns with anything in them: not those behind a separator that ends every line."""
    cells = [c for c in (_cells(row, separator) for row in rows) if len(c) == width]
    return {i for i in range(width) if any(row[i] for row in cells)}


def _first_row(lines: list[str], start: int, dialect: tuple[str, bool], filled: set[int]) -> int:
    """Where the numbers begin, when settings stand in other columns beside the first rows."""
    separator, comma = dialect
    while start > 0:
        cells = _cells(lines[start - 1], separator)
        inside = [cells[i] for i in filled if i < len(cells)]
        if len(cells) <= max(filled) or not all(_is_number(c, comma) for c in inside):
            return start
        start -= 1
    return start


def _byte_offset(text: str, line_number: int) -> int:
    """Bytes (UTF-8) before a line."""
    kept = text.splitlines(keepends=True)[:line_number]
    return len("".join(kept).encode("utf-8"))

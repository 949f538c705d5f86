"""Parquet, by polars: one column per channel, rows read a window at a time."""

from collections.abc import Sequence
from pathlib import Path

from ringland.readers._guard import reading
from ringland.readers._raw import FloatArray, NotThisFormat, RawFile
from ringland.readers._table import Table, raw_file, split_unit

__all__ = ["NAME", "open_raw", "sniff"]

NAME = "Parquet"


def sniff(path: Path, head: bytes) -> None:
    """Returns for Parquet data, else raises NotThisFormat."""
    if head[:4] != b"PAR1":
        raise NotThisFormat("it does not start with PAR1")


def open_raw(path: Path, rate_hz: float | None = None) -> RawFile:
    """Open a Parquet file with a time column, or with a stated rate."""
    import polars as pl

    notes = []
    with reading(NAME):
        frame = pl.scan_parquet(path)
        schema = frame.collect_schema()
        columns = [n for n, t in schema.items() if t.is_numeric() or t == pl.Boolean]
        count = int(frame.select(pl.len()).collect().item())
        comment = pl.read_parquet_metadata(path).get("notes")
        left = [n for n in schema.names() if n not in columns]
    if comment:
        notes.append(f"Comment in the file: {comment}")
    if left:
        notes.append(f"Columns without numbers were left out: {', '.join(left[:10])}.")

    def read(wanted: Sequence[int], start: int, stop: int) -> list[FloatArray]:
        names = [columns[i] for i in wanted]
        with reading(NAME):
            block = (
                pl.scan_parquet(path)
                .select(pl.col(n).cast(pl.Float64) for n in names)
                .slice(start, stop - start)
                .collect()
            )
        return [block[n].fill_null(float("nan")).to_numpy() for n in names]

    pairs = [split_unit(n) for n in columns]
    table = Table(tuple(p[0] for p in pairs), count, read, tuple(p[1] for p in pairs))
    return raw_file(path, NAME, [table], rate_hz=rate_hz, notes=notes)

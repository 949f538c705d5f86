"""Every table as a file that other programs read: CSV or Parquet."""

import os
from pathlib import Path
from typing import Any, Literal

from sqlalchemy import Float, Integer, Table, select

from ringland.errors import SettingError
from ringland.history.schema import TABLES, audit
from ringland.history.store import Store

__all__ = ["export_tables"]

_BLOCK = 20_000
_STARTS_A_FORMULA = r"^[=+\-@\t\r]"


def export_tables(
    store: Store, folder: Path, *, form: Literal["csv", "parquet"] = "csv"
) -> tuple[Path, ...]:
    """One file per table, and the audit log, deleted rows too; their paths.

    In CSV, text that a spreadsheet would take for a formula gets a ' in front; Parquet has it as it
    is. Raises SettingError when the folder cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return tuple(_write(store, t, folder, form) for t in (*TABLES.values(), audit))
    except OSError as error:
        raise SettingError(
            "The tables could not be written.", got=f"{folder}: {error.strerror or error}",
            remedy="Name a folder that can be written to.",
        ) from error  # fmt: skip


def _write(store: Store, table: Table, folder: Path, form: str) -> Path:
    import polars as pl

    types: dict[str, Any] = {
        c.name: pl.Float64 if isinstance(c.type, Float)
        else pl.Int64 if isinstance(c.type, Integer) else pl.String
        for c in table.columns
    }  # fmt: skip
    with store.reading() as connection:
        found = connection.execution_options(yield_per=_BLOCK).execute(
            select(table).order_by(table.c.id)
        )
        frames = [
            pl.DataFrame([tuple(row) for row in block], schema=types, orient="row")
            for block in found.partitions(_BLOCK)
        ]
    frame = pl.concat(frames) if frames else pl.DataFrame(schema=types)
    path = folder / f"{table.name}.{form}"
    temporary = folder / f".{table.name}.{form}.new"
    if form == "csv":
        frame.with_columns(_guarded(pl, n) for n, t in types.items() if t is pl.String).write_csv(
            temporary
        )
    else:
        frame.write_parquet(temporary)
    os.replace(temporary, path)
    return path


def _guarded(pl: Any, name: str) -> Any:
    """Text with a ' before what a spreadsheet would compute."""
    text = pl.col(name)
    marked = pl.concat_str(pl.lit("'"), text)
    return pl.when(text.str.contains(_STARTS_A_FORMULA)).then(marked).otherwise(text).alias(name)

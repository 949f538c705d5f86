"""Formats that hold one table: CSV, Parquet, WAV; and the choice of format by suffix."""

import io
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ringland.errors import SettingError
from ringland.model import Recording
from ringland.writers._layout import column_names, edge_rows, one_clock, written_names
from ringland.writers.grouped import write_hdf5, write_mdf, write_npz

if TYPE_CHECKING:
    import polars as pl

__all__ = ["SUFFIXES", "write_recording"]


def write_recording(recording: Recording, path: Path | str) -> None:
    """Write a recording; the suffix of `path` decides the format (see `SUFFIXES`).

    Channels are named by their role where they have one. Notes of the recording go along where
    the format has room for a comment. Raises SettingError when the format cannot hold it or the
    file cannot be written.
    """
    path = Path(path)
    writer = _WRITERS.get(path.suffix.lower())
    if writer is None:
        raise SettingError(
            f"No format is known for the file name '{path.name}'.",
            got=path.suffix or "no suffix",
            allowed=", ".join(SUFFIXES),
            remedy="Choose one of these endings.",
        )
    if not recording.channels and not recording.edges:
        raise SettingError(
            "There is nothing to write: the recording has no channel.",
            remedy="Record or import at least one channel first.",
        )
    if not path.parent.is_dir():
        raise _unwritable(path, f"no folder '{path.parent.name}'")
    # Written beside and then moved, so that a half-written file never carries the name.
    beside = path.with_name(f"{path.stem}.unfinished{path.suffix}")
    try:
        writer(recording, beside)
        beside.replace(path)
    except (OSError, RuntimeError) as error:
        raise _unwritable(path, getattr(error, "strerror", None) or str(error)) from error
    finally:
        beside.unlink(missing_ok=True)


def _unwritable(path: Path, got: str) -> SettingError:
    return SettingError(
        f"The file '{path.name}' cannot be written.",
        got=got,
        allowed="an existing folder that may be written",
        remedy="Check the folder and that the disk has room.",
    )


def _frame(recording: Recording, format_name: str) -> "pl.DataFrame":
    import polars as pl

    rate_hz, start_s, count = one_clock(recording, format_name)
    names, _ = written_names(recording)
    # Rounded to 1 ps, so that a time prints as 0.00003 and not 0.000030000000000000004.
    columns = {"time": np.round(start_s + np.arange(count) / rate_hz, 12)}
    for title, channel in zip(column_names(names, recording.channels), recording.channels,
                              strict=True):  # fmt: skip
        columns[title] = channel.samples
    return pl.DataFrame(columns)


def _write_csv(recording: Recording, path: Path) -> None:
    """Notes as # lines, a header, then rows; an edge list when there are only edge trains."""
    text = io.BytesIO()
    for note in recording.notes:
        text.write(("# " + " ".join(note.split()) + "\n").encode())
    if recording.channels:
        _frame(recording, "CSV").write_csv(text)
    else:
        text.write(_edge_list(recording).encode())
    path.write_bytes(text.getvalue())


def _edge_list(recording: Recording) -> str:
    """One row per moment at which any train changes, with all levels from then on."""
    _, names = written_names(recording)
    rows = [edge_rows(train) for train in recording.edges]
    times = np.unique(np.concatenate([t for t, _ in rows]))
    columns = []
    for at, levels in rows:
        place = np.searchsorted(at, times, side="right") - 1
        columns.append(levels[np.maximum(place, 0)])
    lines = [",".join(["time", *names])]
    lines += [
        ",".join([repr(float(t)), *(str(int(c[i])) for c in columns)]) for i, t in enumerate(times)
    ]
    return "\n".join(lines) + "\n"


def _write_parquet(recording: Recording, path: Path) -> None:
    frame = _frame(recording, "Parquet")
    frame.write_parquet(path, metadata={"notes": "\n".join(recording.notes)})


def _write_wav(recording: Recording, path: Path) -> None:
    """32 bit float scaled to +-1; the comment says what 1 stands for on each channel."""
    import soundfile

    rate_hz, _, _ = one_clock(recording, "WAV")
    if rate_hz != round(rate_hz) or not 1 <= rate_hz < 2**31:
        raise SettingError(
            "A WAV file needs a whole number of samples per second.",
            got=f"{rate_hz} Hz",
            allowed="1, 2, 3 ... samples per second",
            remedy="Write HDF5 (.h5) or MDF (.mf4) instead.",
        )
    names, _ = written_names(recording)
    columns, scales = [], []
    for name, channel in zip(names, recording.channels, strict=True):
        largest = float(np.nanmax(np.abs(channel.samples), initial=0.0))
        inside = channel.unit == "1" and largest <= 1.0
        scale = 1.0 if inside or largest == 0.0 or not np.isfinite(largest) else largest
        columns.append(channel.samples / scale)
        scales.append(f"{name} [{channel.unit}] x {scale!r}")
    said = "; ".join(f"channel {i + 1}: {text}" for i, text in enumerate(scales))
    with soundfile.SoundFile(
        str(path), "w", int(rate_hz), len(columns), subtype="FLOAT", format="WAV"
    ) as file:
        file.comment = " | ".join([said, *(" ".join(n.split()) for n in recording.notes)])
        file.write(np.column_stack(columns).astype(np.float32))


_WRITERS: dict[str, Callable[[Recording, Path], None]] = {
    ".csv": _write_csv,
    ".h5": write_hdf5,
    ".hdf5": write_hdf5,
    ".mf4": write_mdf,
    ".npz": write_npz,
    ".parquet": _write_parquet,
    ".wav": _write_wav,
}
SUFFIXES: tuple[str, ...] = tuple(_WRITERS)
"""File name endings that can be written."""

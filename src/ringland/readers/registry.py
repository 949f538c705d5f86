"""The table of formats, and opening a file by its content."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from ringland.errors import FileFormatError, SettingError
from ringland.model import Recording
from ringland.readers import csv, hdf5, matlab, mdf, numpy_arrays, parquet, tdms, wav
from ringland.readers._map import ChannelMap, load_map
from ringland.readers._raw import HIGHEST_RATE_HZ, LOWEST_RATE_HZ, NotThisFormat, RawFile
from ringland.readers._roles import parse_role
from ringland.readers._source import FileSource, make_source

__all__ = ["FORMATS", "Format", "open_recording", "read_recording"]

_HEAD_BYTES = 1 << 16


@dataclass(frozen=True)
class Format:
    """One row of the table. `sniff` returns or raises NotThisFormat; `needs` is the package that
    opens it."""

    name: str
    suffixes: tuple[str, ...]
    sniff: Callable[[Path, bytes], None]
    open_raw: Callable[[Path, float | None], RawFile]
    needs: str


FORMATS: tuple[Format, ...] = (
    Format(wav.NAME, (".wav", ".rf64", ".w64"), wav.sniff, wav.open_raw, "soundfile"),
    Format(mdf.NAME, (".mf4", ".mdf", ".dat"), mdf.sniff, mdf.open_raw, "asammdf"),
    Format(tdms.NAME, (".tdms",), tdms.sniff, tdms.open_raw, "nptdms"),
    Format(matlab.NAME, (".mat",), matlab.sniff, matlab.open_raw, "scipy"),
    Format(hdf5.NAME, (".h5", ".hdf5", ".mat"), hdf5.sniff, hdf5.open_raw, "h5py"),
    Format(numpy_arrays.NAME, (".npy", ".npz"), numpy_arrays.sniff, numpy_arrays.open_raw, "numpy"),
    Format(parquet.NAME, (".parquet",), parquet.sniff, parquet.open_raw, "polars"),
    Format(csv.NAME, (".csv", ".txt", ".tsv"), csv.sniff, csv.open_raw, "polars"),
)
"""Formats in the order they are tried."""


def open_recording(
    path: Path | str,
    *,
    roles: Mapping[str, str] | None = None,
    map_file: Path | None = None,
    rate_hz: float | None = None,
) -> FileSource:
    """Open a recording file to read it window by window.

    `roles` maps a role ("exhaust") to a channel name or 1-based number; `map_file` says the same
    in a small TOML or JSON file with scales; `rate_hz` is the sample rate where the file has none
    (it replaces the clock of the file). Raises FileFormatError when no reader takes the file or
    it is damaged, ChannelError when a named channel is missing or two claim one role,
    SettingError for a wrong role, map or rate.
    """
    path = Path(path)
    given = {parse_role(role): name for role, name in (roles or {}).items()}
    channel_map = load_map(map_file) if map_file is not None else ChannelMap()
    rate_hz = channel_map.rate_hz if rate_hz is None else rate_hz
    if rate_hz is not None and not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise SettingError(
            "The stated sample rate is outside what a recorder can do.",
            got=f"{rate_hz:g} Hz",
            allowed=f"{LOWEST_RATE_HZ:g} to {HIGHEST_RATE_HZ:g} Hz",
            remedy="State the rate in samples per second.",
        )
    head = _read_head(path)
    chosen = _choose(path, head)
    try:
        raw = chosen.open_raw(path, rate_hz)
    except ImportError as error:
        raise FileFormatError(
            f"This is a {chosen.name} file, and the package that reads it is not installed.",
            got=str(error),
            allowed=f"the package {chosen.needs}",
            remedy=f"Install it: python -m pip install {chosen.needs}",
        ) from error
    return make_source(raw, channel_map, given)


def read_recording(
    path: Path | str,
    *,
    roles: Mapping[str, str] | None = None,
    map_file: Path | None = None,
    rate_hz: float | None = None,
) -> Recording:
    """The whole file in memory; arguments and errors as `open_recording`."""
    return open_recording(path, roles=roles, map_file=map_file, rate_hz=rate_hz).read_all()


def _read_head(path: Path) -> bytes:
    """The first bytes; FileFormatError for a missing, empty or unreadable file."""
    remedy = "Check the name of the file, and that the recorder had finished writing it."
    if path.is_dir():
        raise FileFormatError(f"'{path.name}' is a folder, not a recording file.", remedy=remedy)
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
    except (OSError, ValueError) as error:
        raise FileFormatError(
            f"The file '{path.name}' cannot be opened.",
            got=getattr(error, "strerror", None) or str(error),
            remedy=remedy,
        ) from error
    if not head:
        raise FileFormatError(f"The file '{path.name}' is empty.", got="0 bytes", remedy=remedy)
    return head


def _choose(path: Path, head: bytes) -> Format:
    tried = []
    for candidate in FORMATS:
        try:
            candidate.sniff(path, head)
        except NotThisFormat as reason:
            tried.append(f"not {candidate.name}: {reason}")
        else:
            return candidate
    raise FileFormatError(
        f"No reader takes the file '{path.name}'.",
        got="\n    ".join(tried),
        allowed=", ".join(f.name for f in FORMATS),
        remedy="Export the recording as CSV or WAV, or check that the file is complete.",
    )

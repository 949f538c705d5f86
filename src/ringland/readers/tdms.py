"""TDMS, by npTDMS: a waveform per channel, or a time channel in the group."""

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ringland.readers._guard import reading
from ringland.readers._raw import FloatArray, NotThisFormat, RawFile, clean_rate
from ringland.readers._table import Table, is_time_name, raw_file, split_unit

__all__ = ["NAME", "open_raw", "sniff"]

NAME = "TDMS"


def sniff(path: Path, head: bytes) -> None:
    """Returns for a TDMS segment lead-in, else raises NotThisFormat."""
    if head[:4] != b"TDSm":
        raise NotThisFormat("it does not start with a TDMS segment")


def open_raw(path: Path, rate_hz: float | None = None) -> RawFile:
    """Open a TDMS file; channels are read with their scaling applied, a window at a time."""
    from nptdms import TdmsFile

    tables: list[Table] = []
    notes = []
    with reading(NAME) as heard, path.open("rb") as data, TdmsFile.open(data) as file:
        names = [channel.name for group in file.groups() for channel in group.channels()]
        repeated = {name for name, times in Counter(names).items() if times > 1}
        for group in file.groups():
            by_clock: dict[tuple[Any, ...], list[Any]] = {}
            has_time = any(is_time_name(split_unit(c.name)[0]) for c in group.channels())
            for channel in group.channels():
                if len(channel) == 0 or channel.dtype.kind not in "fiub":
                    continue
                clock = _clock(channel)
                if has_time and clock[0] is None:
                    clock = (None, 0.0)
                by_clock.setdefault((*clock, len(channel)), []).append(channel)
            for (rate, start_s, count), channels in by_clock.items():
                if count * max(c.dtype.itemsize for c in channels) > path.stat().st_size:
                    raise ValueError(f"a channel claims {count} samples, more than the file holds")
                tables.append(_table(path, channels, repeated, (rate, start_s)))
    if any("less data than expected" in line for line in heard):
        notes.append("The file ends before its last segment is complete; what is there was read.")
    return raw_file(path, NAME, tables, rate_hz=rate_hz, notes=notes)


def _clock(channel: Any) -> tuple[float | None, float]:
    """(rate, start) from the waveform properties; a rate of None when there are none."""
    step = channel.properties.get("wf_increment")
    if not isinstance(step, int | float) or not step > 0:
        return None, 0.0
    start = channel.properties.get("wf_start_offset", 0.0)
    return 1.0 / float(step), float(start) if isinstance(start, int | float) else 0.0


def _table(
    path: Path, channels: list[Any], repeated: set[str], clock: tuple[float | None, float]
) -> Table:
    from nptdms import TdmsFile

    places = [(c.group_name, c.name) for c in channels]
    pairs = [split_unit(c.name) for c in channels]
    names = tuple(
        f"{group}/{short}" if full in repeated else short
        for (group, full), (short, _) in zip(places, pairs, strict=True)
    )
    units = tuple(
        str(c.properties.get("unit_string", "") or unit)
        for c, (_, unit) in zip(channels, pairs, strict=True)
    )

    def read(wanted: Sequence[int], start: int, stop: int) -> list[FloatArray]:
        with reading(NAME), path.open("rb") as data, TdmsFile.open(data) as file:
            return [
                np.asarray(
                    file[places[i][0]][places[i][1]].read_data(start, stop - start),
                    dtype=np.float64,
                )
                for i in wanted
            ]

    rate, start_s = clock
    return Table(
        names, len(channels[0]), read, units, None if rate is None else clean_rate(rate), start_s
    )

"""What all formats share: names, one clock, edge trains as rows."""

from collections.abc import Sequence

import numpy as np

from ringland.errors import SettingError
from ringland.model import Channel, ChannelRole, EdgeTrain, Recording

__all__ = ["column_names", "edge_rows", "one_clock", "written_names"]

_ANY_CLOCK = "HDF5 (.h5) or MDF (.mf4), which hold channels on different clocks and edges"


def written_names(recording: Recording) -> tuple[list[str], list[str]]:
    """Names for channels and edge trains: the role where there is one, else the channel's name.

    Raises SettingError when two would have the same name.
    """
    names = [_name(c.role, c.name) for c in recording.channels]
    names += [_name(e.role, e.name) for e in recording.edges]
    names = [n.replace("/", "_").replace("[", "(").replace("]", ")") for n in names]
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise SettingError(
            "Two channels would be written under one name.",
            got=", ".join(twice),
            allowed="names and roles that differ",
            remedy="Rename one of the channels, or leave it out.",
        )
    split = len(recording.channels)
    return names[:split], names[split:]


def _name(role: ChannelRole, name: str) -> str:
    return (name if role is ChannelRole.UNASSIGNED else role.value) or "channel"


def column_names(names: Sequence[str], channels: Sequence[Channel]) -> list[str]:
    """ "exhaust [Pa]": the unit in brackets, nothing for bare numbers."""
    return [
        name if c.unit in ("1", "") else f"{name} [{c.unit}]"
        for name, c in zip(names, channels, strict=True)
    ]


def one_clock(recording: Recording, format_name: str) -> tuple[float, float, int]:
    """(rate, start, count) shared by all channels; SettingError when they differ or there are
    edge trains, which a table on one clock cannot hold."""
    channels = recording.channels
    if not channels:
        raise SettingError(
            f"There is no sampled channel to write as {format_name}.",
            got=f"{len(recording.edges)} edge trains",
            allowed="at least one sampled channel",
            remedy=f"Use {_ANY_CLOCK}.",
        )
    clocks = {(c.rate_hz, c.start_s, len(c.samples)) for c in channels}
    if len(clocks) > 1 or recording.edges:
        raise SettingError(
            f"A {format_name} file has one clock for everything.",
            got=f"{len(clocks)} clocks and {len(recording.edges)} edge trains",
            allowed="channels of one rate, start and length, and no edge trains",
            remedy=f"Use {_ANY_CLOCK}.",
        )
    return clocks.pop()


def edge_rows(train: EdgeTrain) -> tuple["np.ndarray[tuple[int], np.dtype[np.float64]]",
                                         "np.ndarray[tuple[int], np.dtype[np.uint8]]"]:  # fmt: skip
    """(times, levels) with a row for the level at the start and one for the end of the train."""
    first = 1 - int(train.level_after[0]) if len(train.level_after) else 0
    last = int(train.level_after[-1]) if len(train.level_after) else 0
    times = np.concatenate(([train.start_s], train.time_s, [train.stop_s]))
    levels = np.concatenate(([first], train.level_after, [last])).astype(np.uint8)
    # A change at the very start or end already has its row.
    keep = np.ones(len(times), dtype=bool)
    keep[0] = len(times) < 2 or times[0] < times[1]
    keep[-1] = times[-1] > times[-2]
    return times[keep], levels[keep]

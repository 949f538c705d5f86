"""Recordings held ready to be drawn: opened once from the kept original, least recently used out.

Samples are held as float32: a hundredth of a millimetre of the screen is coarser.
"""

import json
import threading
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ringland.errors import BadInput
from ringland.history import RecordingRow
from ringland.model import ChannelRole, EdgeTrain, Recording
from ringland.web.instrument.pyramid import FloatArray, Pyramid, make_pyramid, min_max

__all__ = ["Lane", "Traces", "TracesOf", "lanes_of", "open_lanes", "window"]

MOST_BYTES = 1_500_000_000
"""Held at once, all recordings together; the one in use is always held."""
MOST_SAMPLES = 250_000_000
"""Of one recording, all channels together."""


@dataclass(frozen=True, eq=False)
class Lane:
    """One channel ready to be drawn. Sample i is at `start_s` + i / `rate_hz`.

    `pyramid` None for a channel of edges; it then has `edges`.
    """

    name: str
    role: ChannelRole
    unit: str
    start_s: float
    stop_s: float
    rate_hz: float | None
    low: float
    high: float
    pyramid: Pyramid | None = None
    edges: EdgeTrain | None = None


@dataclass(frozen=True, eq=False)
class TracesOf:
    """All lanes of one recording."""

    lanes: tuple[Lane, ...]
    start_s: float
    stop_s: float
    notes: tuple[str, ...]

    @property
    def size_bytes(self) -> int:
        """Memory taken by the samples."""
        return sum(lane.pyramid.size_bytes for lane in self.lanes if lane.pyramid is not None)


def lanes_of(recording: Recording) -> TracesOf:
    """Lanes in the order of the file, edge trains last."""
    lanes = []
    for channel in recording.channels:
        pyramid = make_pyramid(channel.samples.astype(np.float32))
        every = np.array([0]), np.array([channel.samples.size])
        low, high = min_max(pyramid, *every) if channel.samples.size else (np.zeros(1),) * 2
        lanes.append(
            Lane(
                channel.name,
                channel.role,
                channel.unit,
                channel.start_s,
                channel.start_s + channel.duration_s,
                channel.rate_hz,
                float(np.nan_to_num(low[0])),
                float(np.nan_to_num(high[0])),
                pyramid,
            )
        )
    for train in recording.edges:
        lanes.append(
            Lane(
                train.name, train.role, "1", train.start_s, train.stop_s, None, 0.0, 1.0,
                edges=train,
            )
        )  # fmt: skip
    return TracesOf(tuple(lanes), recording.start_s, recording.stop_s, recording.notes)


def open_lanes(path: Path, row: RecordingRow) -> TracesOf:
    """Read the original with what was said of its channels. Raises the errors of the readers."""
    from ringland.readers import open_recording

    source = open_recording(path, roles=json.loads(row.roles) or None, rate_hz=row.rate_hz)
    samples = sum(c.sample_count or 0 for c in source.channels)
    if samples > MOST_SAMPLES:
        raise BadInput(
            "The recording is too long to be shown as one.",
            got=f"{samples} samples in all channels",
            allowed=f"up to {MOST_SAMPLES}",
            remedy="Cut it into shorter files and keep those beside it.",
        )
    return lanes_of(source.read_all())


def window(lane: Lane, start_s: float, stop_s: float, width: int) -> FloatArray:
    """(2, width): least and greatest in each of `width` equal parts of [start_s, stop_s).

    NaN where the lane has no sample.
    """
    bounds_s = np.linspace(start_s, stop_s, width + 1)
    if lane.edges is not None:
        return _edges(lane.edges, bounds_s)
    assert lane.pyramid is not None and lane.rate_hz is not None
    count = lane.pyramid.low[0].size
    place = np.ceil((bounds_s - lane.start_s) * lane.rate_hz - 1e-6)
    number = np.clip(place, 0, count).astype(np.int64)
    return np.stack(min_max(lane.pyramid, number[:-1], number[1:]))


def _edges(
    train: EdgeTrain, bounds_s: "np.ndarray[tuple[int], np.dtype[np.float64]]"
) -> FloatArray:
    """Level of a two-level channel; both levels where it changes."""
    if train.time_s.size == 0:
        return np.full((2, bounds_s.size - 1), np.nan, dtype=np.float32)
    after = np.searchsorted(train.time_s, bounds_s, side="right")
    before = np.append(1 - train.level_after[:1], train.level_after)
    level = before[after[:-1]].astype(np.float32)
    changes = after[1:] > after[:-1]
    found = np.stack([np.where(changes, 0.0, level), np.where(changes, 1.0, level)])
    known = (bounds_s[1:] > train.start_s) & (bounds_s[:-1] < train.stop_s)
    return np.where(known, found, np.nan).astype(np.float32)


class Traces:
    """Lanes by recording, bounded in memory. Safe from several threads; opens one at a time."""

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self._most_bytes = most_bytes
        self._held: OrderedDict[str, TracesOf] = OrderedDict()
        self._lock = threading.Lock()
        self._opening = threading.Lock()

    def get(self, path: Path, row: RecordingRow) -> TracesOf:
        """The lanes of a recording, opened if need be."""
        key = f"{row.sha256} {row.roles} {row.rate_hz}"
        found = self._find(key)
        if found is not None:
            return found
        with self._opening:
            found = self._find(key) or open_lanes(path, row)
            with self._lock:
                self._held[key] = found
                while len(self._held) > 1 and self.size_bytes > self._most_bytes:
                    self._held.popitem(last=False)
        return found

    @property
    def size_bytes(self) -> int:
        """Memory taken by all that is held."""
        return sum(one.size_bytes for one in self._held.values())

    def _find(self, key: str) -> TracesOf | None:
        with self._lock:
            if key in self._held:
                self._held.move_to_end(key)
            return self._held.get(key)

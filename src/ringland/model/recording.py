"""What was recorded: sampled channels, edge trains, and where they came from."""

from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Protocol

from ringland.model._arrays import FloatArray, IntArray, read_only, read_only_int
from ringland.model.provenance import Provenance

__all__ = [
    "Channel",
    "ChannelInfo",
    "ChannelRole",
    "Condition",
    "EdgeTrain",
    "Recording",
    "RecordingSource",
    "SourceInfo",
]


class ChannelRole(StrEnum):
    """What a channel measures. The values are the names used in files and on the command line."""

    EXHAUST = "exhaust"
    EXHAUST_2 = "exhaust_2"
    CRANKCASE = "crankcase"
    IGNITION = "ignition"
    INTAKE = "intake"
    STARTER_CURRENT = "starter_current"
    CRANK_TOOTH = "crank_tooth"
    CAM = "cam"
    SOUND = "sound"
    UNASSIGNED = "unassigned"


class Condition(StrEnum):
    """How the engine was run while recording."""

    IDLE = "idle"
    HELD = "held"
    CRANKING = "cranking"
    SNAP = "snap"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class ChannelInfo:
    """What is known of a channel before its samples are read. `rate_hz` None for edges."""

    name: str
    role: ChannelRole
    unit: str
    rate_hz: float | None
    sample_count: int | None
    role_reason: str = ""


@dataclass(frozen=True, eq=False)
class Channel:
    """A uniformly sampled channel.

    `samples` shape (n,), in `unit` ("Pa", "V", "A" or "1" for bare counts); `rate_hz` in hertz;
    sample i is at `start_s` + i / rate_hz. `full_scale` is (low, high) of the recorder's range in
    `unit`, None when not known; `resolution` the size of one count.
    `role_reason` says how the role was decided.
    """

    name: str
    role: ChannelRole
    samples: FloatArray
    rate_hz: float
    unit: str = "1"
    start_s: float = 0.0
    full_scale: tuple[float, float] | None = None
    resolution: float | None = None
    role_reason: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "samples", read_only(self.samples))

    @property
    def duration_s(self) -> float:
        """Number of samples over the rate."""
        return len(self.samples) / self.rate_hz


@dataclass(frozen=True, eq=False)
class EdgeTrain:
    """A two-level channel known by its changes.

    `time_s` shape (n,), non-decreasing; `level_after` shape (n,), 0 or 1, the level from that
    moment on. The train is known from `start_s` to `stop_s`.
    """

    name: str
    role: ChannelRole
    time_s: FloatArray
    level_after: IntArray
    start_s: float
    stop_s: float
    role_reason: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "time_s", read_only(self.time_s))
        object.__setattr__(self, "level_after", read_only_int(self.level_after))


@dataclass(frozen=True)
class SourceInfo:
    """The file or instrument behind a recording. `sha256` None for a live source."""

    name: str
    format: str
    size_bytes: int | None = None
    sha256: str | None = None


@dataclass(frozen=True, eq=False)
class Recording:
    """One recording: any mix of sampled channels and edge trains on one clock."""

    channels: tuple[Channel, ...]
    edges: tuple[EdgeTrain, ...] = ()
    source: SourceInfo = field(default_factory=lambda: SourceInfo("in memory", "memory"))
    condition: Condition = Condition.UNKNOWN
    speed_hint_rpm: float | None = None
    notes: tuple[str, ...] = ()
    provenance: Provenance = field(default_factory=Provenance)

    def channel(self, role: ChannelRole) -> Channel | None:
        """The sampled channel with this role, or None."""
        return next((c for c in self.channels if c.role is role), None)

    def edge_train(self, role: ChannelRole) -> EdgeTrain | None:
        """The edge train with this role, or None."""
        return next((e for e in self.edges if e.role is role), None)

    @property
    def start_s(self) -> float:
        """Earliest moment on any channel."""
        starts = [c.start_s for c in self.channels] + [e.start_s for e in self.edges]
        return min(starts, default=0.0)

    @property
    def stop_s(self) -> float:
        """Latest moment on any channel."""
        stops = [c.start_s + c.duration_s for c in self.channels] + [e.stop_s for e in self.edges]
        return max(stops, default=0.0)

    @property
    def duration_s(self) -> float:
        """Span from the earliest to the latest moment."""
        return self.stop_s - self.start_s

    def with_condition(
        self, condition: Condition, speed_hint_rpm: float | None = None
    ) -> "Recording":
        """The same recording, with what the technician said about how the engine was run."""
        return replace(self, condition=condition, speed_hint_rpm=speed_hint_rpm)


class RecordingSource(Protocol):
    """A recording that can be read window by window, so that an hour fits in little memory."""

    @property
    def source(self) -> SourceInfo:
        """The file behind it."""

    @property
    def channels(self) -> tuple[ChannelInfo, ...]:
        """What channels there are, with roles already decided."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What was decided while opening (roles, units, rates), to be said aloud."""

    @property
    def start_s(self) -> float:
        """First moment."""

    @property
    def duration_s(self) -> float:
        """Length of the longest channel."""

    def read(self, start_s: float, stop_s: float) -> Recording:
        """The window [start_s, stop_s) as a recording on the same clock."""

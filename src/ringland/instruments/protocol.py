"""What every instrument does, and the frozen types that pass between it and the rest.

An instrument is described, configured, armed, fetched from until enough, and stopped. Samples come
in blocks that carry the number of their first sample by the instrument's own count, so that a loss
shows, and the host's monotonic clock at arrival, which no change of the wall clock can move.
"""

from dataclasses import dataclass, field
from typing import Protocol, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ringland.errors import RinglandError
from ringland.model import ChannelRole

__all__ = [
    "Block",
    "Ended",
    "InputInfo",
    "Instrument",
    "InstrumentFault",
    "InstrumentInfo",
    "LiveChannel",
    "Samples",
    "SetUp",
    "Wanted",
    "WantedInput",
]

Samples: TypeAlias = NDArray[np.float32]


class InstrumentFault(RinglandError):
    """An instrument is not there, does not answer, or refuses a setting."""

    exit_status = 2


@dataclass(frozen=True)
class InputInfo:
    """One input. `unit` of what it gives; `range_choices` the spans it can be set to, empty when
    fixed or not known; `ac_corner_hz` of an input that blocks steady voltage, None when it does not
    or when that is not known (`note` says which)."""

    name: str
    unit: str = "V"
    range_choices: tuple[tuple[float, float], ...] = ()
    ac_corner_hz: float | None = None
    note: str = ""


@dataclass(frozen=True)
class InstrumentInfo:
    """What an instrument is and can do. `rates_hz` (lowest, highest), None when not known. `which`:
    its serial number, or the label a person gave it; "" where neither is known, and two of the same
    title cannot be told apart."""

    id: str
    title: str
    inputs: tuple[InputInfo, ...]
    rates_hz: tuple[float, float] | None = None
    notes: tuple[str, ...] = ()
    which: str = ""


@dataclass(frozen=True)
class WantedInput:
    """An input to record: its name or 1-based number, what it measures, and the span wanted.

    A sample becomes `gain` * value + `offset` in `unit` (None: the instrument's own unit).
    """

    input: str
    role: ChannelRole
    full_scale: tuple[float, float] | None = None
    gain: float = 1.0
    offset: float = 0.0
    unit: str | None = None


@dataclass(frozen=True)
class Wanted:
    """Settings asked for."""

    rate_hz: float
    inputs: tuple[WantedInput, ...]


@dataclass(frozen=True)
class LiveChannel:
    """A channel as it will be recorded; fields as in `ringland.model.Channel`. `input`: the
    instrument's own name of it, "" where that is not known."""

    name: str
    role: ChannelRole
    unit: str = "V"
    full_scale: tuple[float, float] | None = None
    resolution: float | None = None
    ac_corner_hz: float | None = None
    input: str = ""


@dataclass(frozen=True)
class SetUp:
    """What the instrument will really do. All channels share one clock. `instrument`: its address,
    `title` what it calls itself, `which` as in `InstrumentInfo`."""

    instrument: str
    rate_hz: float
    channels: tuple[LiveChannel, ...]
    notes: tuple[str, ...] = ()
    title: str = ""
    which: str = ""


@dataclass(frozen=True, eq=False)
class Block:
    """Samples that arrived together.

    `samples` (n, channels), float32, read-only, in each channel's unit. `first` number of the first
    sample since arming, by the instrument's count; `arrived_s` host monotonic clock.
    """

    first: int
    samples: Samples
    arrived_s: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "samples", _read_only(self.samples))

    @property
    def stop(self) -> int:
        """Number of the sample after the last."""
        return self.first + len(self.samples)


@dataclass(frozen=True)
class Ended:
    """No more samples will come. `fault` True when that was not asked for."""

    reason: str
    fault: bool = field(default=False)


class Instrument(Protocol):
    """The whole of it. Methods raise InstrumentFault with what to do; `stop` never raises."""

    def describe(self) -> InstrumentInfo:
        """Inputs and rates, without changing anything."""

    def configure(self, wanted: Wanted) -> SetUp:
        """Set rate and inputs; returns what will really be done, which may differ."""

    def arm(self) -> None:
        """Start taking samples; sample 0 is the first after this."""

    def fetch(self, timeout_s: float) -> Block | Ended | None:
        """The next block; None when none came in this time."""

    def stop(self) -> None:
        """End and free everything; may be called twice."""


def _read_only(values: ArrayLike) -> Samples:
    array = np.asarray(values, dtype=np.float32)
    if array.ndim != 2:
        raise ValueError(f"a block has samples by channels, got shape {array.shape}")
    if array.flags.writeable or array.base is not None or not array.flags.c_contiguous:
        array = np.array(array, dtype=np.float32, order="C")
        array.flags.writeable = False
    return array

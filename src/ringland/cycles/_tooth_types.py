"""What a tooth wheel showed."""

from dataclasses import dataclass

from ringland.model import ToothWheel
from ringland.model._arrays import FloatArray, IntArray, read_only, read_only_int

__all__ = ["ToothResult", "ToothSpan"]


@dataclass(frozen=True, eq=False)
class ToothSpan:
    """Teeth while the crank turned without a break.

    `time_s`, `angle_deg`, `speed_rpm`, `speed_se_rpm` (n,): angle counts from the first tooth
    after the gap in some cycle. `mark_s` (m,): start of each revolution. `lost` are angle spans
    in which the count of teeth did not come out. `cycle_known`: the cam told which of the two
    revolutions of the cycle is which.
    """

    time_s: FloatArray
    angle_deg: FloatArray
    speed_rpm: FloatArray
    speed_se_rpm: FloatArray
    mark_s: FloatArray
    teeth_per_revolution: IntArray
    lost: tuple[tuple[float, float], ...]
    cycle_known: bool

    def __post_init__(self) -> None:
        for name in ("time_s", "angle_deg", "speed_rpm", "speed_se_rpm", "mark_s"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        count = read_only_int(self.teeth_per_revolution)
        object.__setattr__(self, "teeth_per_revolution", count)


@dataclass(frozen=True, eq=False)
class ToothResult:
    """A wheel and the turning it saw; `spans` in time order, the crank at rest between them."""

    wheel: ToothWheel
    rising: bool
    spans: tuple[ToothSpan, ...]
    edge_jitter_s: float
    angle_se_deg: float
    teeth_even: bool
    notes: tuple[str, ...]

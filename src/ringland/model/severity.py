"""How large a fault is, as found by simulating it again: the size, and the curves that show it."""

from dataclasses import dataclass

from ringland.model._arrays import FloatArray, read_only
from ringland.model.estimate import Estimate
from ringland.model.recording import ChannelRole

__all__ = ["LEAST_SIZED_PROBABILITY", "CycleOverlay", "SeverityFit"]

LEAST_SIZED_PROBABILITY = 0.15
"""Below this a cause is not worth a simulation to find how large it is."""

_ARRAYS = (
    "angle_deg", "measured", "measured_low", "measured_high",
    "simulated", "simulated_low", "simulated_high", "sound",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class CycleOverlay:
    """One channel over one engine cycle, each array (points,), unit of the channel.

    `angle_deg` counts from the firing top dead centre of the first cylinder in the firing order
    (or from where the recording's zero is). `measured` is the mean over cycles, with the 5 % and
    95 % points over cycles; `simulated` what the engine with the fault would give through the path
    that fits best, with the 90 % band of what sound cylinders differ by; `sound` the same without
    the fault. All are cut to the `harmonics` of the cycle that the path was found for, mean out.
    """

    channel: str
    role: ChannelRole
    unit: str
    harmonics: int
    angle_deg: FloatArray
    measured: FloatArray
    measured_low: FloatArray
    measured_high: FloatArray
    simulated: FloatArray
    simulated_low: FloatArray
    simulated_high: FloatArray
    sound: FloatArray

    def __post_init__(self) -> None:
        for name in _ARRAYS:
            object.__setattr__(self, name, read_only(getattr(self, name)))


@dataclass(frozen=True, eq=False)
class SeverityFit:
    """Severity of one cause: `estimate` with its 90 % interval, or unknown with the reason.

    `method`: "counted" (misfires), "fitted" or "". `overlays`: measured and simulated cycle at that
    severity (empty when counted or not fitted). `notes`: what widens the interval.
    """

    failure_mode: str
    firing_position: int | None
    cylinder: int | None
    estimate: Estimate
    method: str = ""
    overlays: tuple[CycleOverlay, ...] = ()
    notes: tuple[str, ...] = ()

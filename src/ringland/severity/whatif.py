"""What if this fault were there: its cycle over the measured one, quick enough for a slider."""

from collections.abc import Callable
from dataclasses import dataclass

from ringland.errors import UnusableRecording
from ringland.model import Analysis, CycleOverlay, Estimate
from ringland.severity.emulator import FaultCycles, simulate_fault
from ringland.severity.fit import FaultFit, fit_fault
from ringland.severity.measured import MeasuredChannel, measured_channels, why_not
from ringland.severity.overlay import overlay, simulated_cycle
from ringland.simulator.faults import FAULT_KINDS, Fault, check_faults

__all__ = ["WhatIf", "prepare_what_if", "what_if", "what_if_cycles"]

_SIMULATING = 0.8  # of the time


@dataclass(frozen=True, eq=False)
class WhatIf:
    """One fault prepared for any severity up to `most`; `fit` says which severity the recording
    fits best."""

    kind: str
    cylinders: tuple[int, ...]
    unit: str
    most: float
    channels: tuple[MeasuredChannel, ...]
    cycles: FaultCycles
    fit: FaultFit

    @property
    def estimate(self) -> Estimate:
        """The severity that fits the recording, if this is the fault."""
        return self.fit.estimate


def prepare_what_if(
    analysis: Analysis, fault: Fault, *, progress: Callable[[float], None] | None = None
) -> WhatIf:
    """Simulate the fault at a few severities and find the path (about two seconds).

    `progress` is called with the fraction done and may raise to stop. Raises UnusableRecording
    when the recording cannot be compared, SettingError for a fault the engine cannot have.
    """
    check_faults((fault,), analysis.engine.cylinders)
    reason = why_not(analysis)
    if reason is not None or analysis.cycles is None:
        raise UnusableRecording(
            "The simulation cannot be laid over this recording.",
            got=reason or "no cycles",
            remedy="Record at idle or a held speed, exhaust or crankcase, for ten seconds.",
        )
    speed = analysis.cycles.mean_speed_rpm.value
    assert speed is not None  # measured_channels has none otherwise
    channels = measured_channels(analysis)
    cycles = simulate_fault(
        analysis.engine,
        fault.kind,
        fault.cylinders,
        speed_rpm=speed,
        progress=None if progress is None else lambda done: progress(_SIMULATING * done),
    )
    fit = fit_fault(
        channels,
        cycles,
        progress=None
        if progress is None
        else lambda done: progress(_SIMULATING + (1.0 - _SIMULATING) * done),
    )
    limits = FAULT_KINDS[fault.kind]
    return WhatIf(fault.kind, fault.cylinders, limits.unit, limits.most, channels, fit.cycles, fit)


def what_if(prepared: WhatIf, severity: float) -> tuple[CycleOverlay, ...]:
    """Measured and simulated cycle of every channel at this severity, with bands."""
    return tuple(
        overlay(channel, index, prepared.cycles, prepared.fit.best, severity)
        for index, channel in enumerate(prepared.channels)
    )


def what_if_cycles(prepared: WhatIf, severity: float) -> dict[str, list[float]]:
    """The simulated cycle alone, per channel, as plain numbers: what a slider asks for.

    A millisecond or two; angles as in `CycleOverlay.angle_deg`.
    """
    best = prepared.fit.best
    return {
        channel.signal.channel: simulated_cycle(
            channel, path, prepared.cycles, best.unknown, severity
        ).tolist()
        for channel, path in zip(prepared.channels, best.paths, strict=True)
    }

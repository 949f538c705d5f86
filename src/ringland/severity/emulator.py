"""One fault of one engine at every severity, from a few simulated ones.

Equations: docs/theory/severity.md. Everything is kept as harmonics of the cycle.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ringland.model import EngineSpec
from ringland.model._arrays import FloatArray
from ringland.severity.source import SourceCycle, calm, steady_cycle
from ringland.severity.unknowns import engine_at, unknowns_of, usual_engine
from ringland.simulator.faults import FAULT_KINDS, Fault
from ringland.simulator.parameters import SimulatedEngine, with_healthy_spread

__all__ = ["HARMONICS", "FaultCycles", "recentred", "simulate_fault", "spectrum", "turned"]

ComplexArray = NDArray[np.complex128]
Progress = Callable[[float], None]

HARMONICS = 60
"""Harmonics of the cycle that are kept."""

_STEPS = (0.0, 0.1, 0.3, 0.6, 1.0)  # simulated severities, of the most the kind can have
_MIDDLE = 2
_SPREAD_ENGINES = 8
_RANDOM_CYCLES = 50  # misfires come at random: the average needs many cycles
_MOST_FAULT_SHARE = 1.5


def spectrum(cycle: FloatArray) -> ComplexArray:
    """Harmonics 0 .. HARMONICS of cycles (..., angles); the modulus is the amplitude."""
    lines = np.fft.rfft(cycle, axis=-1)[..., : HARMONICS + 1]
    return np.asarray(lines * (2.0 / cycle.shape[-1]))


@dataclass(frozen=True, eq=False)
class FaultCycles:
    """Harmonics of the source, rows: exhaust of each outlet, then the crankcase.

    `severity` (s,) simulated, rising from 0; `lines` (s, rows, harmonics). `unknown` names the
    unknowns (q,); `sound_change`, `fault_change` (q, rows, harmonics): what one standard deviation
    of each does to the sound and to the faulty engine; `lines` are of the engine with the unknowns
    at `centre` (q,). `spread` (m, rows, harmonics): engines
    whose cylinders differ as sound ones do, less the usual one.
    """

    kind: str
    cylinders: tuple[int, ...]
    speed_rpm: float
    engine: EngineSpec
    severity: FloatArray
    lines: ComplexArray
    unknown: tuple[str, ...]
    sound_change: ComplexArray
    fault_change: ComplexArray
    spread: ComplexArray
    centre: FloatArray

    def at(self, severity: float) -> ComplexArray:
        """(rows, harmonics) at any severity, by monotone cubic interpolation (eq 2)."""
        return _interpolated(self.severity, self.lines, severity)

    def change_at(self, lines: ComplexArray) -> ComplexArray:
        """(q, rows, harmonics): what the unknowns do where the source is `lines` (eq 2)."""
        middle = self.lines[_MIDDLE] - self.lines[0]
        size = (np.abs(middle[:, 1:]) ** 2).sum(axis=1)
        along = (np.conj(middle[:, 1:]) * (lines - self.lines[0])[:, 1:]).sum(axis=1).real
        ratio: FloatArray = np.asarray(along / np.maximum(size, 1e-300), dtype=np.float64)
        share = np.clip(ratio, -0.5, _MOST_FAULT_SHARE).reshape(-1, 1)
        return np.asarray((1.0 - share) * self.sound_change + share * self.fault_change)


def _interpolated(steps: FloatArray, lines: ComplexArray, severity: float) -> ComplexArray:
    """Fritsch and Butland's monotone cubic (scipy's PCHIP), real and imaginary parts."""
    from scipy.interpolate import pchip_interpolate

    parts = np.concatenate([lines.real, lines.imag], axis=-1)
    found = np.asarray(pchip_interpolate(steps, parts, severity, axis=0), dtype=np.float64)
    return np.asarray(found[..., : lines.shape[-1]] + 1j * found[..., lines.shape[-1] :])


def simulate_fault(
    engine: EngineSpec,
    kind: str,
    cylinders: tuple[int, ...],
    *,
    speed_rpm: float,
    progress: Progress | None = None,
) -> FaultCycles:
    """Simulate the fault at a few severities, and what the engine's unknowns do to it.

    `progress` is called with the fraction done and may raise to stop. Raises SettingError for a
    fault the engine cannot have.
    """
    usual = calm(usual_engine(engine))
    unknowns = unknowns_of(engine)
    total = len(_STEPS) + 2 * len(unknowns) + _SPREAD_ENGINES
    done = 0
    cycles = _RANDOM_CYCLES if kind == "misfire" else 4

    def run(simulated: SimulatedEngine, severity: float = 0.0) -> ComplexArray:
        nonlocal done
        faults = (Fault(kind, cylinders, float(severity)),) if severity else ()
        cycle = steady_cycle(
            simulated, speed_rpm=speed_rpm, faults=faults, cycles=cycles if severity else 4
        )
        done += 1
        if progress is not None:
            progress(done / total)
        return _rows(cycle)

    steps = np.array(_STEPS) * FAULT_KINDS[kind].most
    lines = np.array([run(usual, s) for s in steps])
    changed = [calm(u.change(usual, 1.0)) for u in unknowns]
    sound = np.array([run(e) for e in changed]) - lines[0]
    # too random to differ: the change of the sound engine stands for both
    faulty = sound if kind == "misfire" else (
        np.array([run(e, steps[_MIDDLE]) for e in changed]) - lines[_MIDDLE]
    )  # fmt: skip
    spread = np.array(
        [run(with_healthy_spread(usual, seed=seed)) for seed in range(_SPREAD_ENGINES)]
    )
    return FaultCycles(
        kind, cylinders, speed_rpm, engine, steps, lines, tuple(u.id for u in unknowns),
        sound, faulty, spread - lines[0], np.zeros(len(unknowns)),
    )  # fmt: skip


def recentred(cycles: FaultCycles, unknown: FloatArray) -> FaultCycles:
    """The fault simulated anew in the engine the recording points to (eq 9).

    What the unknowns do is kept from the usual engine.
    """
    engine = calm(engine_at(cycles.engine, tuple(unknown)))
    lines = []
    for severity in cycles.severity:
        faults = (Fault(cycles.kind, cycles.cylinders, float(severity)),) if severity else ()
        count = _RANDOM_CYCLES if severity and cycles.kind == "misfire" else 4
        cycle = steady_cycle(engine, speed_rpm=cycles.speed_rpm, faults=faults, cycles=count)
        lines.append(_rows(cycle))
    return replace(cycles, lines=np.array(lines), centre=np.asarray(unknown))


def _rows(cycle: SourceCycle) -> ComplexArray:
    return np.concatenate([spectrum(cycle.exhaust_kg_s), spectrum(cycle.crankcase_pa[None])])


def turned(spread: ComplexArray, harmonic: NDArray[np.int64], engine: EngineSpec) -> ComplexArray:
    """Samples (m', k) of the healthy spread, each engine turned to every firing position.

    Scaled so that the sum of their outer products is the covariance.
    """
    if not engine.even_firing:
        return np.asarray(spread / math.sqrt(len(spread)))
    angles = np.asarray(engine.firing_angles_deg)
    turn = np.exp(-2j * np.pi * harmonic[None, :] * angles[:, None] / engine.cycle_deg)
    samples = (spread[:, None, :] * turn[None]).reshape(-1, len(harmonic))
    return np.asarray(samples / math.sqrt(len(samples)))

"""How large a leak is by the starter's current: how much lower its cylinder's hump is.

Far less is unknown than on the way from a pulse to its sensor: the engine, its starter, and how
fast it turned, which was measured. Equations 11 to 13 of docs/theory/severity.md.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ringland.cycles.trigger import ADVANCE_GUESS_DEG
from ringland.cylinders.cranked import turned_by_starter
from ringland.cylinders.starter import hump_sizes
from ringland.model import (
    Analysis,
    ChannelRole,
    Condition,
    EngineSpec,
    PhaseSource,
    RecordedEvidence,
    SymptomTable,
)
from ringland.model._arrays import FloatArray
from ringland.severity.fit import severity_steps
from ringland.severity.source import calm
from ringland.severity.unknowns import (
    BORE_OVER_STROKE,
    SIZE,
    Unknown,
    unknowns_of,
    usual_engine,
)
from ringland.simulator.faults import FAULT_KINDS, Fault
from ringland.simulator.parameters import SimulatedEngine
from ringland.simulator.run import simulate

__all__ = [
    "HUMP_DISCREPANCY",
    "SEALS",
    "SIZE_UNTOLD_DISCREPANCY",
    "Z90",
    "HumpReading",
    "hump_discrepancy",
    "hump_evidence",
    "hump_reading",
]

SEALS = frozenset({"ring_leak", "scored_bore", "exhaust_valve_leak", "inlet_valve_leak"})
"""Kinds whose size is an area that gas leaves compression by."""

HUMP_DISCREPANCY, SIZE_UNTOLD_DISCREPANCY = 0.1, 0.28
"""As MODEL_DISCREPANCY, for this evidence, where the size of the engine is told and where neither
geometry nor displacement is: set on development cases (seeds 777 and 778)."""

Z90 = 1.6448536269514722
"""Half a 90 % interval in standard errors."""

_METRIC = "starter_relative_compression"
_STEPS = (0.0, 0.03, 0.1, 0.25, 0.5, 1.0)  # simulated severities, of the most the kind can have
_SECONDS = 3.5
_RATE_HZ = 4000.0
_STEP_DEG = 0.85
_SOUND_SPREAD = 0.04  # humps of sound cylinders about their mean, and what the model leaves out
_SPEED_ERROR = 0.01


@dataclass(frozen=True)
class HumpReading:
    """One cylinder's hump less the median of the others, over the mean hump, with its standard
    error; and how fast the starter turned the engine. `by_wheel`: the crank angle was known within
    the cycle, from its tooth wheel."""

    deviation: float
    error: float
    speed_rpm: float
    by_wheel: bool = False


def hump_reading(
    found: Analysis | RecordedEvidence, cylinder: int | None, position: int
) -> HumpReading | None:
    """The hump of one cylinder in a recording of the starter at work; None where it shows none.

    Of another recording than the one that was ranked the cylinder must be known by its number;
    of the same one the firing position is enough (`cylinder` None).
    """
    if isinstance(found, RecordedEvidence):
        if found.condition is not Condition.CRANKING or found.speed_rpm is None:
            return None
        if cylinder is None or found.numbers is None or cylinder not in found.numbers:
            return None
        return _read(
            found.symptoms,
            found.numbers.index(cylinder) + 1,
            found.speed_rpm,
            by_wheel=ChannelRole.CRANK_TOOTH in found.roles,
        )
    speed = None if found.cycles is None else found.cycles.mean_speed_rpm.value
    if found.symptoms is None or found.cycles is None or speed is None:
        return None
    if not turned_by_starter(found.recording.condition, found.cycles):
        return None  # a start: it soon ran faster than the starter turns
    by_wheel = found.cycles.phase_source is PhaseSource.TOOTH_WHEEL
    return _read(found.symptoms, position, speed, by_wheel=by_wheel)


def _read(
    symptoms: SymptomTable, position: int, speed_rpm: float, *, by_wheel: bool
) -> HumpReading | None:
    for symptom in symptoms.symptoms:
        if (symptom.metric, symptom.firing_position) == (_METRIC, position):
            away = symptom.deviation
            if away.value is not None and away.low is not None and away.high is not None:
                error = (away.high - away.low) / (2.0 * Z90)
                return HumpReading(away.value, error, speed_rpm, by_wheel)
    return None


def hump_discrepancy(engine: EngineSpec) -> float:
    """Model discrepancy of this evidence for an engine described like this."""
    told = engine.geometry is not None or engine.displacement_m3 is not None
    return HUMP_DISCREPANCY if told else SIZE_UNTOLD_DISCREPANCY


def hump_evidence(
    engine: EngineSpec,
    kind: str,
    cylinder: int,
    reading: HumpReading,
    *,
    progress: Callable[[float], None] | None = None,
) -> FloatArray:
    """(s,) log p(hump, speed | severity) at `severity_steps(kind)` (eq 12).

    `progress` is called with the fraction done and may raise to stop. Raises SettingError for a
    fault the engine cannot have.
    """
    usual = calm(usual_engine(engine))
    unknowns = (*_unknowns(engine), *_STARTER)
    total, done = len(_STEPS) + 1 + len(unknowns), 0

    def run(simulated: SimulatedEngine, severity: float) -> FloatArray:
        nonlocal done
        fault = Fault(kind, (cylinder,), severity)
        found = _simulated(simulated, fault, cylinder, by_wheel=reading.by_wheel)
        done += 1
        if progress is not None:
            progress(done / total)
        return found

    from scipy.interpolate import pchip_interpolate

    steps, severity = np.array(_STEPS) * FAULT_KINDS[kind].most, severity_steps(kind)
    seen = np.array([run(usual, float(s)) for s in steps])
    expected = np.asarray(pchip_interpolate(steps, seen, severity, axis=0))
    near = float(severity[np.argmin(np.abs(expected[:, 0] - reading.deviation))])
    middle = run(usual, near)
    change = np.array([run(calm(u.change(usual, 1.0)), near) for u in unknowns]) - middle
    variance = change.T @ change
    variance[0, 0] += reading.error**2 + _SOUND_SPREAD**2
    variance[1, 1] += _SPEED_ERROR**2
    left = np.array([reading.deviation, math.log(reading.speed_rpm)]) - expected
    result: FloatArray = -0.5 * (left * np.linalg.solve(variance, left.T).T).sum(axis=1)
    return result


def _unknowns(engine: EngineSpec) -> tuple[Unknown, ...]:
    """Those of the pulses. Where neither bore and stroke nor the displacement are told, the size is
    as wide open as engines are: the same hole is a larger leak in a smaller cylinder."""
    known = unknowns_of(engine)
    if engine.geometry is not None or engine.displacement_m3 is not None:
        return known
    return (SIZE, BORE_OVER_STROKE, *(u for u in known if u.id not in ("bore", "stroke")))


def _simulated(
    engine: SimulatedEngine, fault: Fault, cylinder: int, *, by_wheel: bool
) -> FloatArray:
    """(2,) the cylinder's hump less the median of the others, and the logarithm of the speed.

    Without a tooth wheel the crank angle runs evenly from one pulse of the trigger to the next, as
    in the recording.
    """
    run = simulate(
        engine,
        condition="cranking",
        seconds=_SECONDS,
        faults=(fault,) if fault.severity else (),
        rate_hz=_RATE_HZ,
        step_deg=_STEP_DEG,
    )
    angle_deg = run.crank_angle_deg if by_wheel else _evenly(run.crank_angle_deg, engine.spec)
    humps = hump_sizes(run.starter_current_a, angle_deg, run.rate_hz, engine.spec)
    at = engine.spec.firing_order.index(cylinder)
    away = float(humps[at] - np.nanmedian(np.delete(humps, at)))
    return np.array([away, math.log(float(run.speed_rpm.mean()))])


def _evenly(angle_deg: FloatArray, engine: EngineSpec) -> FloatArray:
    """The crank angle (n,) as a trigger once a cycle tells it; before the first and after the last
    pulse at the speed of the cycle beside."""
    order = engine.firing_order
    first = engine.firing_angles_deg[order.index(engine.trigger_cylinder or order[0])]
    advance = engine.trigger_advance_deg
    mark = first - (ADVANCE_GUESS_DEG if advance is None else advance)
    begin = math.ceil((angle_deg[0] - mark) / engine.cycle_deg)
    end = math.floor((angle_deg[-1] - mark) / engine.cycle_deg)
    pulses = mark + engine.cycle_deg * np.arange(begin, end + 1)
    if len(pulses) < 2:
        return angle_deg
    place = np.interp(pulses, angle_deg, np.arange(len(angle_deg)))
    where = np.arange(len(angle_deg))
    even = np.interp(where, place, pulses)
    for edge, outside in ((0, where < place[0]), (-1, where > place[-1])):
        near = (0, 1) if edge == 0 else (-2, -1)
        rate = (pulses[near[1]] - pulses[near[0]]) / (place[near[1]] - place[near[0]])
        even[outside] = pulses[edge] + rate * (where[outside] - place[edge])
    return np.asarray(even)


def _starter(**factors: float) -> Callable[[SimulatedEngine, float], SimulatedEngine]:
    def change(e: SimulatedEngine, z: float) -> SimulatedEngine:
        new = {name: getattr(e.engine, name) * factor**z for name, factor in factors.items()}
        return replace(e, engine=replace(e.engine, **new))

    return change


_STARTER = (
    Unknown("battery", _starter(starter_emf_v=math.exp(0.04), battery_ohm=math.exp(0.3))),
    Unknown("starter's strength", _starter(starter_stall_a=math.exp(0.25))),
    Unknown("starter's speed", _starter(starter_free_rad_s=math.exp(0.12))),
)
"""Spreads: common practice, no source."""

"""The severity of the leading causes of an analysis, in physical units."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from ringland.model import (
    LEAST_SIZED_PROBABILITY,
    Analysis,
    Cause,
    Estimate,
    SeverityFit,
    unknown,
)
from ringland.severity.fit import MODEL_DISCREPANCY, severity_from_all
from ringland.severity.humps import (
    SEALS,
    Z90,
    HumpReading,
    hump_discrepancy,
    hump_evidence,
    hump_reading,
)
from ringland.severity.kinds import KIND_OF_MODE
from ringland.severity.measured import why_not
from ringland.severity.whatif import prepare_what_if, what_if
from ringland.simulator.faults import FAULT_KINDS, Fault
from ringland.units import percent

__all__ = ["fit_severity", "with_severity"]

_MISFIRE = "ignition_misfire"


def fit_severity(
    analysis: Analysis, cause: Cause, *, progress: Callable[[float], None] | None = None
) -> SeverityFit:
    """The severity of one cause (eqs 1 to 13 of docs/theory/severity.md).

    Recordings of the starter at work that were ranked together with this one count for leaks. A
    misfire rate is the counted one with its Wilson interval. Never raises for want of data: the
    estimate then says why. `progress` may raise to stop.
    """
    mode, position = cause.failure_mode, cause.firing_position

    def result(estimate: Estimate, method: str = "") -> SeverityFit:
        return SeverityFit(mode, position, cause.cylinder, estimate, method)

    if mode == _MISFIRE:
        return result(_counted(analysis, position), "counted")
    kind = KIND_OF_MODE.get(mode)
    unit = cause.severity.unit if kind is None else FAULT_KINDS[kind].unit
    if kind is None:
        return result(unknown(unit, "no simulation has this fault with a severity in this unit"))
    if position is None:
        return result(unknown(unit, "the place of the fault is not known"))
    # numbers may be unknown; the firing order still says who fires when
    cylinder = analysis.engine.firing_order[position - 1]
    fault = Fault(kind, (cylinder,), FAULT_KINDS[kind].least)
    readings = _humps(analysis, cause) if kind in SEALS else ()
    reason = why_not(analysis)
    if reason is not None and not readings:
        return result(unknown(unit, reason))
    parts = len(readings) + (reason is None)
    told, notes, prepared = [], list(_notes(analysis)), None
    if reason is None:
        prepared = prepare_what_if(analysis, fault, progress=_part(progress, 0, parts))
        told.append((prepared.fit.log_evidence, MODEL_DISCREPANCY))
    for number, (name, reading) in enumerate(readings, start=parts - len(readings)):
        at = _part(progress, number, parts)
        evidence = hump_evidence(analysis.engine, kind, cylinder, reading, progress=at)
        if not np.isfinite(evidence).all():
            notes.append(f"{name}: not counted, for no whole cycle of such a start was simulated.")
            continue
        told.append((evidence, hump_discrepancy(analysis.engine)))
        notes.append(f"The starter's current counts too ({name}): {_in_words(reading)}")
    if not told:
        return result(unknown(unit, "no whole cycle of such a start was simulated"))
    estimate = severity_from_all(kind, told)
    assert estimate.value is not None  # a fit always has one
    curves = () if prepared is None else what_if(prepared, estimate.value)
    return SeverityFit(mode, position, cause.cylinder, estimate, "fitted", curves, tuple(notes))


def _in_words(reading: HumpReading) -> str:
    """The hump with its 90 % interval."""
    size, half = abs(reading.deviation), Z90 * reading.error
    side = "below" if reading.deviation < 0 else "above"
    return (
        f"this cylinder's hump lies {percent(size)} ({percent(size - half)} to "
        f"{percent(size + half)}) {side} the others'."
    )


def _humps(analysis: Analysis, cause: Cause) -> tuple[tuple[str, HumpReading], ...]:
    """What recordings of the starter at work show of the cause's cylinder, by their names: this
    one, and those that were ranked together with it."""
    assert cause.firing_position is not None
    if not analysis.engine.even_firing:
        return ()  # humps that overlap unevenly are told apart, but not to the per cent
    found = []
    own = hump_reading(analysis, None, cause.firing_position)
    if own is not None:
        found.append((analysis.recording.source.name, own))
    joined = () if analysis.diagnosis is None else analysis.diagnosis.recordings
    for one in joined:
        if one.evidence is not None and not one.earlier:
            other = hump_reading(one.evidence, cause.cylinder, cause.firing_position)
            if other is not None:
                found.append((one.name, other))
    return tuple(found)


def _counted(analysis: Analysis, position: int | None) -> Estimate:
    counts = analysis.cylinders.misfires if analysis.cylinders is not None else ()
    found = [m for m in counts if m.firing_position == position]
    if not found:
        return unknown("1", "missing pulses of this cylinder were not counted")
    return max(found, key=lambda m: m.cycles).rate


def _notes(analysis: Analysis) -> tuple[str, ...]:
    notes = []
    if analysis.engine.geometry is None and analysis.engine.displacement_m3 is None:
        notes.append(
            "Bore, stroke and compression ratio are not described: those of a usual engine were "
            "taken, and the interval is wider for it. Say at least its displacement."
        )
    elif analysis.engine.geometry is None:
        notes.append(
            "Bore, stroke and compression ratio are not described: those of a usual engine of this "
            "displacement were taken."
        )
    if analysis.engine.fuel.value == "unknown":
        notes.append("The fuel is not described: petrol was taken.")
    return tuple(notes)


def with_severity(
    analysis: Analysis,
    *,
    causes: int = 1,
    progress: Callable[[float], None] | None = None,
) -> Analysis:
    """The analysis with the severity of its leading causes fitted.

    The first `causes` of those at 15 % and above are fitted (about two seconds each on one core);
    misfire rates cost nothing. What cannot be fitted keeps the severity it had; `fits` holds every
    attempt, with the curves or the reason.
    """
    diagnosis = analysis.diagnosis
    if diagnosis is None:
        return analysis
    leading = [c for c in diagnosis.causes if c.probability >= LEAST_SIZED_PROBABILITY][:causes]
    fits: list[SeverityFit] = []
    fitted: dict[int, Cause] = {}
    for number, cause in enumerate(leading):
        fit = fit_severity(analysis, cause, progress=_part(progress, number, len(leading)))
        fits.append(fit)
        if fit.estimate.known or not cause.severity.known:
            fitted[id(cause)] = replace(cause, severity=fit.estimate)
    if not fits:
        return analysis
    changed = tuple(fitted.get(id(c), c) for c in diagnosis.causes)
    return replace(
        analysis,
        diagnosis=replace(diagnosis, causes=changed),
        fits=tuple(fits),
        provenance=analysis.provenance.then("severity.with_severity", causes=len(fits)),
    )


def _part(
    progress: Callable[[float], None] | None, number: int, total: int
) -> Callable[[float], None] | None:
    if progress is None:
        return None
    return lambda done: progress((number + done) / total)

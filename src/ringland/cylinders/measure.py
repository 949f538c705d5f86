"""All that is measured in the crank-angle domain, in order."""

import numpy as np
from numpy.typing import NDArray

from ringland.cylinders.angle import angle_signal
from ringland.cylinders.assign import assignments, path_delay
from ringland.cylinders.crank_ripple import crank_ripple
from ringland.cylinders.crankcase import crankcase_terms
from ringland.cylinders.misfire import FoundKinds, count_misfires, find_kinds
from ringland.cylinders.missing_pulse import place_by_missing
from ringland.cylinders.orders import order_spectrum
from ringland.cylinders.shares import PulsePlace, cylinder_share, place_blow_down, place_pulse
from ringland.cylinders.starter import starter_ripple
from ringland.model import (
    AngleSignal,
    ChannelRole,
    Condition,
    CrankRipple,
    CycleSet,
    CylinderSet,
    CylinderShare,
    EngineSpec,
    MisfireCount,
    OrderSpectrum,
    PathDelay,
    PhaseSource,
    Recording,
    arrival_prior,
)

__all__ = ["measure_cylinders"]

FloatArray = NDArray[np.float64]

_ANGLE_ROLES = (
    ChannelRole.EXHAUST,
    ChannelRole.EXHAUST_2,
    ChannelRole.CRANKCASE,
    ChannelRole.INTAKE,
    ChannelRole.SOUND,
)
_OUTLET = {ChannelRole.EXHAUST: 1, ChannelRole.EXHAUST_2: 2}
_INDUCTION_PEAK_DEG = 440.0  # greatest piston speed of the induction stroke, about 80 deg in
_FEWEST_CYCLES = 3


def measure_cylinders(
    recording: Recording, engine: EngineSpec, cycles: CycleSet, *, skip: tuple[str, ...] = ()
) -> CylinderSet:
    """Every channel in the crank-angle domain, and what it says of each cylinder.

    Channels named in `skip` (unusable) are left out. Never raises for want of data: what cannot be
    measured is missing and `notes` says why.
    """
    notes: list[str] = []
    signals: list[AngleSignal] = []
    spectra: list[OrderSpectrum] = []
    delays: list[PathDelay] = []
    shares: list[CylinderShare] = []
    misfires: list[MisfireCount] = []
    terms = None
    speed = _mean_speed(cycles)
    for role in _ANGLE_ROLES:
        channel = recording.channel(role)
        if channel is None or channel.name in skip:
            continue
        signal = angle_signal(channel, cycles)
        if isinstance(signal, str):
            notes.append(f"{channel.name}: {signal}")
            continue
        signals.append(signal)
        positions = _positions(role, engine)
        heard = np.array([engine.firing_angles_deg[p - 1] for p in positions])
        if not positions:
            notes.append(f"{channel.name}: the engine description has no cylinder on this outlet")
            continue
        spectra.append(order_spectrum(signal, heard, engine.cycle_deg))
        if len(signal.values) < _FEWEST_CYCLES:
            notes.append(
                f"{channel.name}: {len(signal.values)} cycles are too few to judge cylinders"
            )
            continue
        if role in _OUTLET:
            prior = arrival_prior(engine, speed)
            place = place_blow_down(signal, heard, engine.cycle_deg, prior.height_deg, prior.sd_deg)
            place, kinds = _with_missing(signal, place, heard, engine, cycles)
            delays.append(path_delay(channel.name, place.arrival_deg, heard, engine, cycles))
            share = cylinder_share(signal, positions, heard, engine.cycle_deg, place)
            shares.append(share)
            misfires.extend(count_misfires(signal, share, kinds))
        elif role is ChannelRole.CRANKCASE:
            terms = crankcase_terms(signal, engine)
        elif role is ChannelRole.INTAKE and engine.strokes == 4:
            place = place_pulse(-signal.mean, heard, engine.cycle_deg, _INDUCTION_PEAK_DEG)
            shares.append(cylinder_share(signal, positions, heard, engine.cycle_deg, place))
    ripples = _ripples(recording, engine, cycles, notes)
    return CylinderSet(
        signals=tuple(signals),
        spectra=tuple(spectra),
        delays=tuple(delays),
        assignments=assignments(engine, cycles, tuple(delays)),
        shares=tuple(shares),
        misfires=tuple(misfires),
        notes=tuple(notes),
        stroke_terms=terms,
        ripples=ripples,
        provenance=cycles.provenance.then("cylinders.measure_cylinders", channels=len(signals)),
    )


def _with_missing(
    signal: AngleSignal,
    place: PulsePlace,
    heard_deg: FloatArray,
    engine: EngineSpec,
    cycles: CycleSet,
) -> tuple[PulsePlace, FoundKinds | None]:
    """Which pulses are missing, and the place of blow-downs once that is known: a pulse that comes
    and goes shows where it begins."""
    durations = None
    if cycles.phase_source is not PhaseSource.PULSES:
        durations = np.array([c.stop_s - c.start_s for c in cycles.cycles])
    kinds = find_kinds(signal, place.arrival_deg, heard_deg, durations)
    clearest = None if kinds is None else kinds.clearest
    if kinds is None or clearest is None:
        return place, kinds
    moved = place_by_missing(
        kinds.pulses[clearest],
        clearest,
        heard_deg=heard_deg,
        arrival_deg=place.arrival_deg,
        prior=arrival_prior(engine, _mean_speed(cycles)),
        cycle_deg=engine.cycle_deg,
    )
    if moved is None:
        return place, kinds
    return PulsePlace(moved, True), find_kinds(signal, moved, heard_deg, durations)


def _positions(role: ChannelRole, engine: EngineSpec) -> tuple[int, ...]:
    outlet = _OUTLET.get(role)
    if outlet is None or engine.outlet_count == 1:
        positions = tuple(range(1, engine.cylinders + 1))
    else:
        positions = engine.positions_on_outlet(sorted(set(engine.outlets))[outlet - 1])
    return tuple(
        p for p in positions if engine.firing_order[p - 1] not in engine.inactive_cylinders
    )


def _mean_speed(cycles: CycleSet) -> float:
    value = cycles.mean_speed_rpm.value
    return float(np.median(cycles.speed_rpm)) if value is None else value


def _ripples(
    recording: Recording, engine: EngineSpec, cycles: CycleSet, notes: list[str]
) -> tuple[CrankRipple, ...]:
    out = []
    if cycles.phase_source is PhaseSource.TOOTH_WHEEL:
        found = crank_ripple(cycles, engine, condition=recording.condition)
        if isinstance(found, str):
            notes.append(f"crank speed: {found}")
        else:
            out.append(found)
    current = recording.channel(ChannelRole.STARTER_CURRENT)
    if current is not None and recording.condition in (Condition.CRANKING, Condition.UNKNOWN):
        found = starter_ripple(current, engine, cycles=cycles)
        if isinstance(found, str):
            notes.append(f"{current.name}: {found}")
        else:
            out.append(found)
    return tuple(out)

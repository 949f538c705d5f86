"""All that is measured in the crank-angle domain, in order."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ringland.cylinders.angle import angle_signal
from ringland.cylinders.assign import assignments, path_delay
from ringland.cylinders.crank_cycle import crank_speed_cycles
from ringland.cylinders.crank_ripple import crank_ripple
from ringland.cylinders.crankcase import crankcase_terms
from ringland.cylinders.misfire import (
    FoundKinds,
    count_misfires,
    find_kinds,
    none_beside_only_if_sure,
)
from ringland.cylinders.missing_pulse import late_by, place_by_missing
from ringland.cylinders.orders import order_spectrum
from ringland.cylinders.shares import PulsePlace, cylinder_share, place_blow_down, place_pulse
from ringland.cylinders.starter import starter_ripple
from ringland.model import (
    AngleSignal,
    Assignment,
    ChannelRole,
    Condition,
    CrankPhase,
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
    Reference,
    arrival_prior,
    turn_cycles,
)

__all__ = ["measure_and_turn", "measure_cylinders"]

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
_ELSEWHERE = (1.0 / 3.0, -1.0 / 3.0)  # of a firing interval


def measure_cylinders(
    recording: Recording, engine: EngineSpec, cycles: CycleSet, *, skip: tuple[str, ...] = ()
) -> CylinderSet:
    """Every channel in the crank-angle domain, and what it says of each cylinder.

    Channels named in `skip` (unusable) are left out. Never raises for want of data: what cannot be
    measured is missing and `notes` says why.
    """
    return _measured(recording, engine, cycles, skip, anchored=_is_anchored(cycles))[0]


def measure_and_turn(
    recording: Recording, engine: EngineSpec, cycles: CycleSet, *, skip: tuple[str, ...] = ()
) -> tuple[CycleSet, CylinderSet]:
    """`measure_cylinders`, and the cycles it counts in.

    Where the crank angle counts from an arbitrary start, that start is a guess from the shape of
    the pulses. A pulse that comes and goes shows where it begins, one that differs from the others
    where it stands: then the cycles are turned so that one of the positions expects its pulse
    there, and measured once more. See docs/theory/separation.md.
    """
    anchored = _is_anchored(cycles)
    cylinders, late_deg = _measured(recording, engine, cycles, skip, anchored=anchored)
    if anchored or late_deg is None:
        return cycles, cylinders
    turned = turn_cycles(cycles, -late_deg)
    again = _measured(recording, engine, turned, skip, anchored=True)[0]
    return turned, replace(again, notes=(*again.notes, _TURNED))


_TURNED = (
    "without a trigger, firing positions were put where the pulse that differs most from the "
    "others begins"
)


def _is_anchored(cycles: CycleSet) -> bool:
    """Whether the crank angle counts from something that was measured."""
    return cycles.reference is not Reference.ARBITRARY


def _measured(
    recording: Recording,
    engine: EngineSpec,
    cycles: CycleSet,
    skip: tuple[str, ...],
    *,
    anchored: bool,
) -> tuple[CylinderSet, float | None]:
    """Everything there is to measure, and by how many degrees the pulse that tells it best is heard
    later than a position expects its own; None where none tells it."""
    notes: list[str] = []
    signals: list[AngleSignal] = []
    spectra: list[OrderSpectrum] = []
    delays: list[PathDelay] = []
    shares: list[CylinderShare] = []
    misfires: list[MisfireCount] = []
    late: list[tuple[bool, float, float]] = []  # missing before weak, clearest first, by how much
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
            sd_deg = prior.sd_deg if anchored else None
            place = place_blow_down(signal, heard, engine.cycle_deg, prior.height_deg, sd_deg)
            if place.moved:
                late.append((False, place.clear, place.arrival_deg - prior.height_deg))
            place, kinds = _with_missing(signal, place, heard, engine, cycles, anchored=anchored)
            delays.append(path_delay(channel.name, place.arrival_deg, heard, engine, cycles))
            share = cylinder_share(signal, positions, heard, engine.cycle_deg, place)
            shares.append(share)
            misfires.extend(count_misfires(signal, share, kinds))
            if kinds is not None and (column := kinds.clearest) is not None:
                begins = float(heard[column]) + kinds.pulses[column].begins_deg
                by = late_by(begins, heard, prior, engine.cycle_deg)
                late.append((True, float(kinds.separation[column]), by))
        elif role is ChannelRole.CRANKCASE:
            terms = crankcase_terms(signal, engine)
        elif role is ChannelRole.INTAKE and engine.strokes == 4:
            place = place_pulse(-signal.mean, heard, engine.cycle_deg, _INDUCTION_PEAK_DEG)
            shares.append(cylinder_share(signal, positions, heard, engine.cycle_deg, place))
    ripples = _ripples(recording, engine, cycles, notes)
    assigned = assignments(engine, cycles, tuple(delays))
    cylinders = CylinderSet(
        signals=(*signals, *_speed_over_cycle(ripples, cycles, engine, notes)),
        spectra=tuple(spectra),
        delays=tuple(delays),
        assignments=assigned,
        shares=tuple(shares),
        misfires=_only_if_sure(misfires, shares, assigned),
        notes=tuple(notes),
        stroke_terms=terms,
        ripples=ripples,
        provenance=cycles.provenance.then("cylinders.measure_cylinders", channels=len(signals)),
    )
    return cylinders, max(late)[2] if late else None


def _only_if_sure(
    misfires: Sequence[MisfireCount],
    shares: Sequence[CylinderShare],
    assigned: Sequence[Assignment],
) -> tuple[MisfireCount, ...]:
    """The counts of every channel, each beside its neighbours."""
    sure = {a.firing_position: a.probability for a in assigned if a.cylinder is not None}
    found: list[MisfireCount] = []
    for channel in dict.fromkeys(m.channel for m in misfires):
        heard = next(s.positions for s in shares if s.channel == channel)
        own = [m for m in misfires if m.channel == channel]
        found += none_beside_only_if_sure(own, sure, heard)
    return tuple(found)


def _with_missing(
    signal: AngleSignal,
    place: PulsePlace,
    heard_deg: FloatArray,
    engine: EngineSpec,
    cycles: CycleSet,
    *,
    anchored: bool,
) -> tuple[PulsePlace, FoundKinds | None]:
    """Which pulses are missing, and the place of blow-downs once that is known: a pulse that comes
    and goes shows where it begins."""
    durations = None
    if cycles.phase_source is not PhaseSource.PULSES:
        durations = np.array([c.stop_s - c.start_s for c in cycles.cycles])
    kinds = find_kinds(signal, place.arrival_deg, heard_deg, durations)
    arrival_deg = place.arrival_deg
    if not anchored and kinds is not None and kinds.clearest is None:
        # where they are looked for may be anywhere in the firing interval
        for share in _ELSEWHERE:
            other_deg = (arrival_deg + share * engine.cycle_deg / len(heard_deg)) % engine.cycle_deg
            other = find_kinds(signal, other_deg, heard_deg, durations)
            if other is not None and other.clearest is not None:
                kinds, arrival_deg = other, other_deg
                break
    clearest = None if kinds is None else kinds.clearest
    if kinds is None or clearest is None:
        return place, kinds
    moved = place_by_missing(
        kinds.pulses[clearest],
        clearest,
        heard_deg=heard_deg,
        arrival_deg=arrival_deg,
        prior=arrival_prior(engine, _mean_speed(cycles)),
        cycle_deg=engine.cycle_deg,
    )
    if moved is None:
        return PulsePlace(arrival_deg, place.moved), kinds
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


def _speed_over_cycle(
    ripples: Sequence[CrankRipple], cycles: CycleSet, engine: EngineSpec, notes: list[str]
) -> list[AngleSignal]:
    """The crank's speed while the engine runs, where there is a tooth wheel."""
    found = (r.segment(CrankPhase.RUNNING) for r in ripples if r.unit == "rpm")
    running = next((s for s in found if s is not None), None)
    if running is None:
        return []
    signal = crank_speed_cycles(cycles, engine, running_from_s=running.start_s)
    if isinstance(signal, str):
        notes.append(f"crank speed over the cycle: {signal}")
        return []
    return [signal]


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

"""Crank-speed ripple from a tooth wheel: order lines, relative compression, torque swing."""

import numpy as np

from ringland.cylinders._swing import (
    GRID_DEG,
    Swing,
    dip_sizes,
    levelled,
    mean_extreme_deg,
    order_lines,
    position_estimates,
    windows,
)
from ringland.cylinders._tooth_error import corrected_angle_deg, gaps_filled, tooth_errors_deg
from ringland.model import (
    Condition,
    CrankPhase,
    CrankRipple,
    CycleSet,
    EngineSpec,
    Estimate,
    PhaseSource,
    Reference,
    RippleSegment,
    unknown,
)
from ringland.model._arrays import FloatArray

__all__ = ["TEETH_PER_STROKE", "crank_ripple", "local_mean", "speed_of_wheel"]

FASTEST_CRANKING_RPM = 500.0
"""A starter does not turn an engine faster (common practice, no source: 150 to 300 rpm)."""

_STEADY = 0.05
_FIRES = 0.15
TEETH_PER_STROKE = 4.0
"""Fewer do not show how the speed swings within a stroke (own heuristic)."""
_INERTIA_RPM = 1200.0
_INERTIA_TEXT = (
    "above idle the inertia of the pistons is as large as one expansion: only the order lines tell"
)
_TOOTH_ERROR = 0.01
"""Standard error of a share left by tooth spacing and by the gap (own heuristic)."""


def crank_ripple(
    cycles: CycleSet, engine: EngineSpec, *, condition: Condition = Condition.UNKNOWN
) -> CrankRipple | str:
    """Ripple of the crank speed, cranking and running parts apart; a string says why not.

    Needs a `CycleSet` from a tooth wheel with at least 4 teeth per firing interval. Speed is
    taken from tooth to tooth at the middle of each interval, and in straight lines between; teeth
    that the wheel lacks are timed by a polynomial through their neighbours first.
    """
    if cycles.phase_source is not PhaseSource.TOOTH_WHEEL:
        return "the crank angle does not come from a tooth wheel, so it shows no ripple"
    stroke = engine.cycle_deg / engine.cylinders
    spacing = float(np.median(np.diff(cycles.angle_deg)))
    if stroke / spacing < TEETH_PER_STROKE:
        return f"one tooth every {spacing:.0f} deg is too coarse for the ripple of a firing stroke"
    error_deg = tooth_errors_deg(cycles)
    swing = speed_of_wheel(cycles)
    level = local_mean(swing.value, stroke)
    segments = []
    for phase, start, stop in _phases(level, swing, engine, condition):
        part = Swing(swing.start_deg + GRID_DEG * start, swing.value[start:stop])
        segment = _segment(part, phase, cycles, engine)
        if segment is not None:
            segments.append(segment)
    if not segments:
        return "no part of the recording is steady for one whole cycle"
    known = cycles.reference is Reference.CYLINDER
    return CrankRipple(
        channel="crank speed",
        unit="rpm",
        segments=tuple(segments),
        positions_known=known,
        reason=cycles.reference_reason
        if known
        else "firing position 1 is an arbitrary start: " + cycles.reference_reason,
        notes=_notes(segments, error_deg),
    )


def speed_of_wheel(cycles: CycleSet) -> Swing:
    """Crank speed in rpm on the grid, from tooth to tooth; teeth that the wheel lacks are filled
    in."""
    time_s, angle = cycles.time_s, corrected_angle_deg(cycles)
    if cycles.wheel is not None:
        time_s, angle = gaps_filled(time_s, angle, 360.0 / cycles.wheel.slots)
    speed = np.diff(angle) / np.diff(time_s) / 6.0
    middle = 0.5 * (angle[1:] + angle[:-1])
    start = np.ceil(middle[0] / GRID_DEG) * GRID_DEG
    grid = np.arange(start, middle[-1], GRID_DEG)
    return Swing(float(start), np.interp(grid, middle, speed))


def local_mean(value: FloatArray, span_deg: float) -> FloatArray:
    """Mean over so many degrees around each point of the grid: over a firing stroke or a cycle, so
    that the ripple drops out."""
    width = max(1, round(span_deg / GRID_DEG))
    if len(value) <= width:
        return np.full(len(value), float(np.mean(value)))
    total = np.cumsum(np.concatenate(([0.0], value)))
    means = (total[width:] - total[:-width]) / width
    before = (len(value) - len(means)) // 2
    return np.asarray(np.pad(means, (before, len(value) - len(means) - before), mode="edge"))


def _phases(
    level: FloatArray, swing: Swing, engine: EngineSpec, condition: Condition
) -> list[tuple[CrankPhase, int, int]]:
    """(phase, first, last + 1) on the grid: the steady cranking, and what follows the first fire.

    Cranking is the first stretch of one revolution within 5 % of its own mean at a speed that a
    starter can reach; it lasts until the mean over one stroke leaves it by 15 %.
    """
    turn = round(360.0 / GRID_DEG)
    limit = FASTEST_CRANKING_RPM if condition is not Condition.CRANKING else 1e9
    if condition in {Condition.IDLE, Condition.HELD, Condition.SNAP}:
        limit = 0.0
    begin = None
    for start in range(0, max(1, len(level) - turn), 4):
        part = level[start : start + turn]
        mean = float(np.mean(part))
        if mean > limit:
            break
        if np.all(np.abs(part / mean - 1.0) < _STEADY):
            begin, plateau = start, mean
            break
    if begin is None:
        return [(CrankPhase.RUNNING, 0, len(level))]
    plateau = float(np.median(level[begin : begin + 2 * turn]))
    inside = np.abs(level / plateau - 1.0) < _STEADY
    begin = int(np.argmax(inside[begin:])) + begin
    left = np.flatnonzero(np.abs(level[begin:] / plateau - 1.0) > _FIRES)
    end = begin + int(left[0]) if len(left) else len(level)
    if len(left):  # the expansion that carried the mean away began one stroke before
        end = max(begin + 1, end - round(engine.cycle_deg / engine.cylinders / GRID_DEG))
    found = [(CrankPhase.CRANKING, begin, end)]
    if len(left) and len(level) - end > 2 * turn and np.median(level[end:]) > 1.3 * plateau:
        found.append((CrankPhase.RUNNING, end, len(level)))
    return found


def _segment(
    part: Swing, phase: CrankPhase, cycles: CycleSet, engine: EngineSpec
) -> RippleSegment | None:
    per_cycle = round(engine.cycle_deg / GRID_DEG)
    count = len(part.value) // per_cycle
    if count < 1:
        return None
    whole = Swing(part.start_deg, part.value[: count * per_cycle])
    extreme = mean_extreme_deg(whole, engine, low=True)
    mean = float(np.mean(whole.value))
    averaged = np.mean(whole.value.reshape(count, -1), axis=0)
    bounds = cycles.time_at(np.array([part.start_deg, part.angle_deg[-1]]))
    fast = float(np.quantile(part.value, 0.9)) > _INERTIA_RPM
    if phase is CrankPhase.CRANKING:
        sizes = levelled(dip_sizes(windows(part, engine, extreme), squared=True), engine)
    else:
        sizes = levelled(_rises(part, engine, extreme), engine)
    return RippleSegment(
        phase=phase,
        start_s=float(bounds[0]),
        stop_s=float(bounds[1]),
        cycles=count,
        mean=_mean_speed(whole, cycles, count, engine),
        peak_to_peak=Estimate.from_se(
            float(np.ptp(averaged)) / mean, _tooth_noise(cycles, bounds) / mean, "1"
        ),
        orders=order_lines(whole, engine),
        strength=(unknown("1", _INERTIA_TEXT),) * engine.cylinders
        if fast and phase is CrankPhase.RUNNING
        else position_estimates(sizes, engine.cylinders, _TOOTH_ERROR),
        extreme_deg=Estimate.from_se(extreme, cycles.angle_se_deg + GRID_DEG / 4.0, "deg")
        if np.isfinite(extreme)
        else unknown("deg", "no ripple"),
    )


def _mean_speed(whole: Swing, cycles: CycleSet, count: int, engine: EngineSpec) -> Estimate:
    ends = np.array([whole.start_deg, whole.start_deg + count * engine.cycle_deg])
    ends = np.clip(ends, cycles.angle_deg[0], cycles.angle_deg[-1])
    times = cycles.time_at(ends)
    rpm = float((ends[1] - ends[0]) / (times[1] - times[0]) / 6.0)
    return Estimate.from_se(rpm, rpm * (1e-4 + cycles.angle_se_deg / float(np.ptp(ends))), "rpm")


def _tooth_noise(cycles: CycleSet, bounds: FloatArray) -> float:
    inside = (cycles.time_s >= bounds[0]) & (cycles.time_s <= bounds[1])
    return float(np.median(cycles.speed_se_rpm[inside])) if np.any(inside) else 0.0


def _rises(part: Swing, engine: EngineSpec, extreme: float) -> list[tuple[int, float]]:
    """Kinetic energy gained in each expansion: speed squared at the mean crest less at the dip."""
    stroke = engine.cycle_deg / engine.cylinders
    half = 0.5 * stroke
    energy = Swing(part.start_deg, part.value**2)
    grid, first, last = energy.angle_deg, energy.angle_deg[0], energy.angle_deg[-1]
    reach = max(GRID_DEG, 0.08 * stroke)
    near = np.arange(-reach, reach + 0.5 * GRID_DEG, GRID_DEG)
    sizes = []
    for cycle in range(int(first // engine.cycle_deg), int(last // engine.cycle_deg) + 1):
        for position, firing in enumerate(engine.firing_angles_deg):
            dip = cycle * engine.cycle_deg + firing + extreme
            if dip - reach < first or dip + half + reach > last:
                continue
            low = float(np.mean(np.interp(dip + near, grid, energy.value)))
            high = float(np.mean(np.interp(dip + half + near, grid, energy.value)))
            sizes.append((position, (high - low) / (0.5 * (high + low))))
    return sizes


def _notes(segments: list[RippleSegment], error_deg: FloatArray) -> tuple[str, ...]:
    notes = [
        f"the tooth edge at {slot * 360 / len(error_deg):.0f} deg of each revolution comes "
        f"{error_deg[slot]:+.1f} deg late: corrected"
        for slot in np.flatnonzero(error_deg)
    ]
    for segment in segments:
        if segment.phase is CrankPhase.CRANKING:
            notes.append(
                f"cranking from {segment.start_s:.2f} s to {segment.stop_s:.2f} s: "
                "dips are compression, relative to the other positions only"
            )
        else:
            notes.append(
                f"running from {segment.start_s:.2f} s to {segment.stop_s:.2f} s: "
                "swings are torque less the inertia of the pistons"
            )
    return tuple(notes)

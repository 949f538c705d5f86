"""A signal that swings once per firing stroke: order lines, and each position's share."""

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from ringland.model import EngineSpec, Estimate, OrderLine, unknown
from ringland.model._arrays import FloatArray

__all__ = [
    "GRID_DEG",
    "Swing",
    "dip_sizes",
    "levelled",
    "mean_extreme_deg",
    "order_lines",
    "position_estimates",
    "windows",
]

GRID_DEG = 3.0
_TOP_ORDERS = 4
_WIDEST = 0.8
"""Half interval, as a share of the mean position, beyond which nothing is said of a position."""


@dataclass(frozen=True, eq=False)
class Swing:
    """A signal on an even grid of crank angle: `value` (n,) at `start_deg` + i * GRID_DEG."""

    start_deg: float
    value: FloatArray

    @property
    def angle_deg(self) -> FloatArray:
        """Unwrapped crank angle of each value."""
        return np.asarray(self.start_deg + GRID_DEG * np.arange(len(self.value)))


def order_lines(swing: Swing, engine: EngineSpec) -> tuple[OrderLine, ...]:
    """Amplitude of each line as a fraction of the mean, over the whole cycles of the swing.

    With three cycles or more a Hann window is used, which a drift of the mean does not leak
    through; with fewer none. `noise`: from the scatter of the line over single cycles.
    """
    per_cycle = round(engine.cycle_deg / GRID_DEG)
    cycles = len(swing.value) // per_cycle
    if cycles < 1:
        return ()
    value = swing.value[: cycles * per_cycle]
    angle = np.deg2rad(swing.angle_deg[: cycles * per_cycle])
    mean = float(np.mean(value))
    weight = np.hanning(len(value) + 1)[:-1] if cycles >= 3 else np.ones(len(value))
    base = 0.5 if engine.strokes == 4 else 1.0
    shared_step = engine.cylinders * base
    lines = []
    for i in range(1, 1 + round(_TOP_ORDERS * max(1.0, engine.cylinders / 2.0) / base)):
        order = i * base
        turn = np.exp(-1j * order * angle)
        line = 2.0 * np.sum(weight * (value - mean) * turn) / weight.sum() / mean
        single = 2.0 * np.mean((value / mean * turn).reshape(cycles, -1), axis=1)
        noise = float(np.std(single, ddof=1) / np.sqrt(cycles)) if cycles > 1 else float("nan")
        shared = engine.even_firing and abs(order / shared_step - round(order / shared_step)) < 1e-6
        lines.append(
            OrderLine(order, float(np.abs(line)), float(np.angle(line)), noise, bool(shared))
        )
    return tuple(lines)


def mean_extreme_deg(swing: Swing, engine: EngineSpec, *, low: bool) -> float:
    """Angle to add to the firing angles to meet the mean dip (`low`) or hump of each stroke.

    Found as the phase of the swing over all firing angles at once. Of the angles that fit
    equally well (an even-firing engine repeats every firing interval) the one nearest to top
    dead centre is given, because that is where a compression has slowed the crank most; where
    angle zero is arbitrary, so is that choice.
    """
    angle = np.deg2rad(swing.angle_deg)
    flat = swing.value - np.mean(swing.value)
    if engine.even_firing:
        order = engine.cylinders * 360.0 / engine.cycle_deg
        phase = float(np.angle(np.sum(flat * np.exp(-1j * order * angle))))
        at = -phase / order + (np.pi / order if low else 0.0)
        step = 360.0 / order
        return float((np.rad2deg(at) + 0.5 * step) % step - 0.5 * step)
    offsets = np.arange(-0.5 * engine.cycle_deg, 0.5 * engine.cycle_deg, GRID_DEG)
    gaps = np.diff([*engine.firing_angles_deg, engine.cycle_deg])
    sharpness = 2.0 * np.pi / np.deg2rad(float(np.mean(gaps)))
    sign = -1.0 if low else 1.0
    score = np.zeros(len(offsets))
    for i, offset in enumerate(offsets):
        for firing in engine.firing_angles_deg:
            from_it = (swing.angle_deg - firing - offset + 0.5 * engine.cycle_deg) % (
                engine.cycle_deg
            ) - 0.5 * engine.cycle_deg
            near = np.abs(from_it) < 0.5 * float(np.min(gaps))
            score[i] += sign * float(
                np.mean(flat[near] * np.cos(sharpness * np.deg2rad(from_it[near])))
            )
    good = offsets[score >= 0.95 * score.max()]
    nearest = good[np.abs(good) <= np.min(np.abs(good)) + 15.0]
    inside = np.isin(offsets, nearest)
    return float(offsets[inside][int(np.argmax(score[inside]))])


def windows(
    swing: Swing, engine: EngineSpec, extreme_deg: float
) -> list[tuple[int, int, FloatArray]]:
    """(cycle, firing position - 1, values) of every whole window around an extreme."""
    gaps = np.diff([*engine.firing_angles_deg, engine.cycle_deg])
    half = int(0.5 * float(np.min(gaps)) / GRID_DEG)
    first = int(np.floor(swing.start_deg / engine.cycle_deg)) - 1
    last = int(np.ceil(swing.angle_deg[-1] / engine.cycle_deg)) + 1
    grid = swing.angle_deg
    found = []
    for cycle in range(first, last + 1):
        for position, firing in enumerate(engine.firing_angles_deg):
            centre = cycle * engine.cycle_deg + firing + extreme_deg
            at = centre + GRID_DEG * np.arange(-half, half + 1)
            if at[0] < grid[0] or at[-1] > grid[-1]:
                continue
            found.append((cycle, position, np.interp(at, grid, swing.value)))
    return found


def position_estimates(
    sizes: list[tuple[int, float]], positions: int, systematic: float
) -> tuple[Estimate, ...]:
    """Mean size of each position over the mean of all, 90 % interval.

    `sizes` are (position, size) in time order. A drift that all positions share is taken out.
    The scatter over cycles is pooled over the positions (Student's t); `systematic` is a standard
    error that averaging does not reduce.
    """
    place = np.array([p for p, _ in sizes], dtype=np.int64)
    size = np.array([v for _, v in sizes])
    count = np.bincount(place, minlength=positions)
    if len(sizes) == 0 or np.any(count == 0):
        why = "not every firing position was seen in this part of the recording"
        return tuple(unknown("1", why) for _ in range(positions))
    freedom = len(size) - positions - 1
    if freedom < 2:
        why = "too few cycles to know the scatter"
        return tuple(unknown("1", why) for _ in range(positions))
    moment = np.arange(len(size)) - 0.5 * (len(size) - 1)
    design = np.column_stack([np.eye(positions)[place], moment])
    fitted = np.linalg.lstsq(design, size, rcond=None)[0]
    pooled = float(np.sum((size - design @ fitted) ** 2)) / freedom
    means = fitted[:positions]
    whole = float(np.mean(means))
    if whole <= 0.0:
        return tuple(unknown("1", "no swing at firing frequency") for _ in range(positions))
    quantile = float(stdtrit(freedom, 0.95))
    own = 1.0 - 1.0 / positions  # a position is also part of the mean it is compared with
    half = np.hypot(quantile * np.sqrt(pooled / count * own) / whole, 1.645 * systematic)
    if float(np.median(half)) > _WIDEST:
        why = "the swing is lost in the scatter from cycle to cycle"
        return tuple(unknown("1", why) for _ in range(positions))
    return tuple(
        Estimate(float(m / whole), float(m / whole - h), float(m / whole + h), "1")
        for m, h in zip(means, half, strict=True)
    )


def dip_sizes(
    found: list[tuple[int, int, FloatArray]], *, squared: bool
) -> list[tuple[int, float]]:
    """(position, size) of the swing in each window, in the unit of the (squared) signal.

    Each window is freed of its straight line and projected on the mean shape of all windows.
    """
    if not found:
        return []
    shape_of = np.array([v**2 if squared else v for _, _, v in found])
    x = np.linspace(-1.0, 1.0, shape_of.shape[1])
    slope = shape_of @ x / (x @ x)
    flat = shape_of - shape_of.mean(axis=1, keepdims=True) - slope[:, None] * x
    shape = flat.mean(axis=0)
    power = float(shape @ shape)
    if power <= 0.0:
        return []
    return [(p, float(f @ shape) / power) for (_, p, _), f in zip(found, flat, strict=True)]


def levelled(sizes: list[tuple[int, float]], engine: EngineSpec) -> list[tuple[int, float]]:
    """The same with the mean of positions that have alike gaps before and after brought to the mean
    of all: where strokes follow one another unevenly their swings overlap unevenly.

    A position whose gaps no other has stays as it is; even firing changes nothing.
    """
    if engine.even_firing or not sizes:
        return sizes
    angles = np.asarray(engine.firing_angles_deg)
    after = np.diff([*angles, engine.cycle_deg])
    alike: dict[tuple[float, float], list[int]] = {}
    for position, gap in enumerate(after):
        before = float(after[position - 1])
        alike.setdefault((round(before, 1), round(float(gap), 1)), []).append(position)
    mean_of = {p: float(np.mean([v for q, v in sizes if q == p])) for p, _ in sizes}
    whole = float(np.mean(list(mean_of.values())))
    factor = dict.fromkeys(mean_of, 1.0)
    for members in alike.values():
        own = [mean_of[p] for p in members if p in mean_of]
        if len(own) > 1 and np.mean(own) > 0.0:
            factor |= dict.fromkeys(members, whole / float(np.mean(own)))
    return [(p, v * factor[p]) for p, v in sizes]

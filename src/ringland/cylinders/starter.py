"""Relative compression from the humps of the starter's current."""

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
from ringland.model import (
    Channel,
    CrankPhase,
    CrankRipple,
    CycleSet,
    EngineSpec,
    Estimate,
    Reference,
    RippleSegment,
)
from ringland.model._arrays import FloatArray

__all__ = ["hump_sizes", "starter_ripple"]

_SLOWEST_RPM = 60.0
_FASTEST_RPM = 500.0
_SMOOTH_S = 0.004
_DRAWS = 0.3
_REGULAR = 0.35
_SYSTEMATIC = 0.01


def starter_ripple(
    current: Channel, engine: EngineSpec, *, cycles: CycleSet | None = None
) -> CrankRipple | str:
    """Size of the current hump of each compression, 1 = the mean; a string says why not.

    With `cycles` the current is laid over that crank angle. Without, the humps themselves count
    the firing strokes (even-firing engines only), and firing position 1 is an arbitrary hump.
    The rush of current before the engine turns steadily is left out. Unit of `mean`: that of the
    channel. A clamp that faces the wrong way (negative current) is turned round.
    """
    samples = current.samples
    good = np.isfinite(samples)
    if np.count_nonzero(good) < 64 or current.rate_hz <= 0.0:
        return "the starter current holds too few samples"
    value = np.interp(np.arange(len(samples)), np.flatnonzero(good), samples[good])
    if np.median(value) < 0.0 or -np.min(value) > np.max(value):
        value = -value
    value = _mean_around(value, max(1, round(_SMOOTH_S * current.rate_hz)))
    time_s = current.start_s + np.arange(len(value)) / current.rate_hz
    span = _drawing(value, current.rate_hz)
    if span is None:
        return "the starter draws no steady current"
    value, time_s = value[span[0] : span[1]], time_s[span[0] : span[1]]
    notes: tuple[str, ...] = ()
    if cycles is None:
        counted = _count_humps(value, time_s, engine)
        if isinstance(counted, str):
            return counted
        knots_s, knots_deg = counted
        rpm = float((knots_deg[-1] - knots_deg[0]) / (knots_s[-1] - knots_s[0]) / 6.0)
        notes = (f"crank speed from the humps of the current: {rpm:.0f} rpm",)
    else:
        inside = (cycles.time_s >= time_s[0]) & (cycles.time_s <= time_s[-1])
        if np.count_nonzero(inside) < 3:
            return "the crank angle does not cover the part in which the starter draws current"
        knots_s, knots_deg = cycles.time_s[inside], cycles.angle_deg[inside]
    swing = _on_angle(value, time_s, knots_s, knots_deg)
    return _result(current, engine, swing, cycles, (knots_s, knots_deg, notes))


def hump_sizes(
    current: FloatArray, angle_deg: FloatArray, rate_hz: float, engine: EngineSpec
) -> FloatArray:
    """(positions,) size of each compression's hump over the mean of all, of a current (n,) whose
    crank angle (n,) is known at every sample: a simulated one. NaN where a position has no whole
    hump."""
    value = _mean_around(current, max(1, round(_SMOOTH_S * rate_hz)))
    start = float(np.ceil(angle_deg[0] / GRID_DEG) * GRID_DEG)
    grid = np.arange(start, angle_deg[-1], GRID_DEG)
    swing = Swing(start, np.interp(grid, angle_deg, value))
    extreme = mean_extreme_deg(swing, engine, low=False)
    sizes = levelled(dip_sizes(windows(swing, engine, extreme), squared=False), engine)
    by_position: list[list[float]] = [[] for _ in range(engine.cylinders)]
    for position, size in sizes:
        by_position[position].append(size)
    mean = np.array([np.mean(own) if own else np.nan for own in by_position])
    relative: FloatArray = mean / np.nanmean(mean)
    return relative


def _mean_around(value: FloatArray, width: int) -> FloatArray:
    if width < 2 or len(value) <= width:
        return value
    total = np.cumsum(np.concatenate(([0.0], value)))
    means = (total[width:] - total[:-width]) / width
    before = (len(value) - len(means)) // 2
    return np.asarray(np.pad(means, (before, len(value) - len(means) - before), mode="edge"))


def _drawing(value: FloatArray, rate_hz: float) -> tuple[int, int] | None:
    """First and last + 1 sample of the steady draw, the rush at the start left out."""
    slow = _mean_around(value, max(1, round(0.25 * rate_hz)))
    high = float(np.quantile(slow, 0.9))
    on = slow > _DRAWS * high
    if high <= 0.0 or np.ptp(value) <= 0.0:
        return None
    edges = np.flatnonzero(np.diff(np.concatenate(([0], on.astype(np.int8), [0]))))
    spans = edges.reshape(-1, 2)
    first, last = (int(v) for v in spans[np.argmax(spans[:, 1] - spans[:, 0])])
    if first > 0:  # the rush: until the slow mean has come down to 1.3 times its later level
        level = float(np.median(slow[first + (last - first) // 2 : last]))
        calm = np.flatnonzero(slow[first:last] < 1.3 * level)
        calm = calm[calm > round(0.3 * rate_hz)]
        if len(calm) == 0:
            return None
        first += int(calm[0])
    if last < len(value):
        last -= round(0.125 * rate_hz)
    return (first, last) if last - first > round(0.5 * rate_hz) else None


def _count_humps(
    value: FloatArray, time_s: FloatArray, engine: EngineSpec
) -> tuple[FloatArray, FloatArray] | str:
    """Times of the hump tops and the crank angle that each stands for."""
    if not engine.even_firing:
        return "an uneven-firing engine needs a trigger or tooth signal to tell its humps apart"
    stroke = engine.cycle_deg / engine.cylinders
    step_s = float(time_s[1] - time_s[0])
    shortest = stroke / (6.0 * _FASTEST_RPM) / step_s
    longest = stroke / (6.0 * _SLOWEST_RPM) / step_s
    flat = value - _mean_around(value, max(3, round(longest)))
    period = _period(flat, shortest, min(longest, 0.4 * len(flat)))
    if period is None:
        return "no regular humps in the starter current"
    smooth = _mean_around(flat, max(1, round(period / 5.0)))
    tops = _tops(smooth, period)
    gaps = np.diff(tops)
    if len(gaps) < engine.cylinders:
        return "fewer humps in the starter current than one cycle holds"
    regular = np.abs(np.log(gaps / np.median(gaps))) < _REGULAR
    edges = np.flatnonzero(np.diff(np.concatenate(([0], regular.astype(np.int8), [0]))))
    spans = edges.reshape(-1, 2)
    if len(spans) == 0:
        return "no regular humps in the starter current"
    first, last = (int(v) for v in spans[np.argmax(spans[:, 1] - spans[:, 0])])
    if last - first < engine.cylinders:
        return "the humps of the starter current are too irregular to count"
    tops = tops[first : last + 1]
    knots: FloatArray = time_s[0] + tops * step_s
    return knots, np.asarray(stroke * np.arange(len(knots)), dtype=np.float64)


def _period(flat: FloatArray, shortest: float, longest: float) -> float | None:
    """Samples between humps: the first peak of the autocorrelation near its greatest."""
    size = 1 << int(np.ceil(np.log2(2 * len(flat))))
    spectrum = np.abs(np.fft.rfft(flat, size)) ** 2
    alike = np.fft.irfft(spectrum)[: len(flat)]
    if alike[0] <= 0.0:
        return None
    lags = np.arange(len(flat))
    alike = alike / alike[0] * len(flat) / np.maximum(1, len(flat) - lags)
    low, high = max(2, int(shortest)), min(int(longest) + 1, len(flat) - 1)
    if high - low < 3:
        return None
    middle = alike[low:high]
    peaks = low + 1 + np.flatnonzero((middle[1:-1] >= middle[:-2]) & (middle[1:-1] > middle[2:]))
    if len(peaks) == 0 or alike[peaks].max() < 0.3:
        return None
    return float(peaks[alike[peaks] >= 0.8 * alike[peaks].max()][0])


def _tops(smooth: FloatArray, period: float) -> FloatArray:
    """Fractional sample of the top of every hump, at least 0.6 periods apart."""
    reach = max(1, round(0.3 * period))
    found: list[float] = []
    i = reach
    while i < len(smooth) - reach:
        window = smooth[i - reach : i + reach + 1]
        if smooth[i] == window.max() and smooth[i] > 0.0:
            found.append(_parabola_top(smooth, i, max(1, reach // 2)))
            i += reach
        i += 1
    return np.array(found)


def _parabola_top(smooth: FloatArray, i: int, half: int) -> float:
    low, high = max(0, i - half), min(len(smooth), i + half + 1)
    x = np.arange(low, high) - float(i)
    if len(x) < 3:
        return float(i)
    c, b, a = np.polynomial.polynomial.polyfit(x, smooth[low:high], 2)
    del c
    return float(i - np.clip(0.5 * b / a, -half, half)) if a < 0.0 else float(i)


def _on_angle(
    value: FloatArray, time_s: FloatArray, knots_s: FloatArray, knots_deg: FloatArray
) -> Swing:
    start = float(np.ceil(knots_deg[0] / GRID_DEG) * GRID_DEG)
    grid = np.arange(start, knots_deg[-1], GRID_DEG)
    return Swing(start, np.interp(np.interp(grid, knots_deg, knots_s), time_s, value))


def _result(
    current: Channel,
    engine: EngineSpec,
    swing: Swing,
    cycles: CycleSet | None,
    knots: tuple[FloatArray, FloatArray, tuple[str, ...]],
) -> CrankRipple | str:
    per_cycle = round(engine.cycle_deg / GRID_DEG)
    count = len(swing.value) // per_cycle
    if count < 1:
        return "the starter current does not span one whole cycle"
    whole = Swing(swing.start_deg, swing.value[: count * per_cycle])
    by_cycle = whole.value.reshape(count, -1)
    mean = float(np.mean(whole.value))
    error = float(np.std(by_cycle.mean(axis=1), ddof=1) / np.sqrt(count)) if count > 1 else 0.0
    extreme = mean_extreme_deg(whole, engine, low=False)
    sizes = levelled(dip_sizes(windows(swing, engine, extreme), squared=False), engine)
    known = cycles is not None and cycles.reference is Reference.CYLINDER
    averaged = by_cycle.mean(axis=0)
    scatter = float(np.mean(np.std(by_cycle, axis=0))) / np.sqrt(count)
    segment = RippleSegment(
        phase=CrankPhase.CRANKING,
        start_s=float(np.interp(swing.start_deg, knots[1], knots[0])),
        stop_s=float(np.interp(swing.angle_deg[-1], knots[1], knots[0])),
        cycles=count,
        mean=Estimate.from_se(mean, error, current.unit),
        peak_to_peak=Estimate.from_se(
            float(np.ptp(averaged)) / abs(mean), 1.4 * scatter / abs(mean), "1"
        ),
        orders=order_lines(whole, engine),
        strength=position_estimates(sizes, engine.cylinders, _SYSTEMATIC),
        extreme_deg=Estimate.from_se(extreme, GRID_DEG, "deg"),
    )
    if cycles is None:
        reason = "no trigger: firing position 1 is the first hump counted, cylinders are not known"
    else:
        reason = cycles.reference_reason
    return CrankRipple(current.name, current.unit, (segment,), known, reason, knots[2])

"""Which hook-up explains the averaged cycles best: the one described, or one with a fault?

Each hook-up says which lines the pulses of a channel can show at idle; the measured ones are held
against many drawn ones (docs/theory/hook_up.md). What no sound hook-up explains well is not blamed
on anything. Only lines that equal cylinders make are looked at, so that a weak cylinder is not
taken for a hose.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringland.live._crankcase_answers import crankcase_answers
from ringland.live._exhaust_answers import exhaust_answers, hose_answers
from ringland.model import AngleSignal, ChannelRole, EngineSpec, Fuel

__all__ = ["Explained", "explain"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Positions = tuple[int, ...]

_HIGHEST_HZ = 150.0
_MOST_LINES = 6
_STANDS_OUT = 4.0
_PATTERN = 0.2  # |pattern|^2 of a line that all cylinders of the channel make together
_LOG_SD, _ANGLE_SD = 0.3, 0.4  # how near a drawn hook-up must come, neper and radian
_FLOOR = 0.03  # of the largest line: what the drawn hook-ups leave out
_ALIKE_RAD = 0.2
_FADED = 0.5
_BEST_AT_LEAST = -15.0
_EXPLAINS = -5.0  # a hose is only blamed when it explains what is seen itself
_EXHAUSTS = (ChannelRole.EXHAUST, ChannelRole.EXHAUST_2)


@dataclass(frozen=True)
class Explained:
    """Log likelihoods over that of the hook-up as described, None where it was not compared.

    `hoses` by channel, where one explains what is seen; `places` by (firing positions that the
    trigger is late, outlets exchanged), only those that leave a trace. `known` False: no hook-up
    explains what is seen.
    """

    known: bool
    swapped: float | None
    hoses: dict[str, float]
    places: dict[tuple[int, bool], float]


@dataclass(frozen=True, eq=False)
class _Lines:
    """Lines of one channel, before they are given to cylinders."""

    order: NDArray[np.int64]
    frequency_hz: FloatArray
    value: ComplexArray
    error: FloatArray


def explain(
    signals: dict[ChannelRole, AngleSignal], engine: EngineSpec, cycle_s: float
) -> Explained:
    """Compare the hook-ups of a four-stroke at idle whose crank angle is known."""
    diesel = None if engine.fuel is Fuel.UNKNOWN else engine.fuel is Fuel.DIESEL
    heard = {r: _positions(engine, r) for r in (*_EXHAUSTS, ChannelRole.CRANKCASE)}
    right: dict[ChannelRole, float] = {}
    hoses: dict[str, float] = {}
    nearest: list[float] = []
    exhausts: dict[ChannelRole, tuple[_Lines, ComplexArray]] = {}
    for role in _EXHAUSTS:
        lines = _lines(signals.get(role), heard[role], engine, cycle_s)
        if lines is None:
            continue
        drawn = exhaust_answers(lines.order, lines.frequency_hz, diesel)
        exhausts[role] = lines, drawn
        right[role], as_named = _fit(lines, drawn, heard[role], engine)
        damping = hose_answers(lines.frequency_hz)
        damped, as_damped = _fit(lines, drawn * damping, heard[role], engine)
        if as_damped > _EXPLAINS:
            hoses[signals[role].channel] = damped - right[role]
        nearest.append(max(as_named, as_damped))
    swapped, as_swapped = _swapped(signals, heard, engine, cycle_s, right.get(ChannelRole.EXHAUST))
    places, as_placed = _places(exhausts, heard, engine, sum(right.values()))
    top = max(min(nearest, default=-np.inf), as_swapped, as_placed)
    return Explained(top > _BEST_AT_LEAST, swapped, hoses, places)


def _positions(engine: EngineSpec, role: ChannelRole) -> Positions:
    outlets = sorted(set(engine.outlets))
    if role is ChannelRole.CRANKCASE or len(outlets) == 1:
        return tuple(range(1, engine.cylinders + 1))
    return engine.positions_on_outlet(outlets[_EXHAUSTS.index(role)])


def _pattern(engine: EngineSpec, heard: Positions, order: NDArray[np.int64]) -> ComplexArray:
    """Mean of exp(-i k angle) over the cylinders heard, (lines,)."""
    angle = np.array([engine.firing_angles_deg[p - 1] for p in heard])
    turn = np.exp(-2j * np.pi * order[:, None] * angle[None, :] / engine.cycle_deg)
    return np.asarray(turn.mean(axis=1))


def _lines(
    signal: AngleSignal | None, heard: Positions, engine: EngineSpec, cycle_s: float
) -> _Lines | None:
    """The first lines above the noise that these cylinders make together; None without one."""
    if signal is None:
        return None
    points = signal.values.shape[1]
    order = np.arange(1, min(points // 2, int(_HIGHEST_HZ * cycle_s) + 1))
    rows = np.fft.rfft(signal.values, axis=1)[:, order] * (2.0 / points)
    value = rows.mean(axis=0)
    error = np.std(rows, axis=0) / np.sqrt(len(rows))
    pattern = np.abs(_pattern(engine, heard, order))
    seen = np.flatnonzero((pattern**2 > _PATTERN) & (np.abs(value) > _STANDS_OUT * error))
    seen = seen[:_MOST_LINES]
    if not seen.size:
        return None
    return _Lines(order[seen], order[seen] / cycle_s, value[seen], error[seen])


def _fit(
    lines: _Lines, drawn: ComplexArray, heard: Positions, engine: EngineSpec
) -> tuple[float, float]:
    """Log of the mean likelihood over the drawn hook-ups, and the best log likelihood.

    The gain is free; amplitudes are compared in neper, angles by the von Mises form.
    """
    pattern = _pattern(engine, heard, lines.order)
    one = lines.value / pattern
    size = np.abs(one)
    loose = np.square(np.hypot(lines.error / np.abs(pattern), _FLOOR * size.max()) / size)
    weight = 1.0 / (_LOG_SD**2 + loose)
    off = np.log(size)[None, :] - np.log(np.abs(drawn))
    off = off - (off @ weight / weight.sum())[:, None]
    turn = np.cos(np.angle(one[None, :] / drawn)) - 1.0
    log = -0.5 * np.square(off) @ weight + turn @ (1.0 / (_ANGLE_SD**2 + loose))
    top = float(log.max())
    return top + float(np.log(np.exp(log - top).mean())), top


def _swapped(
    signals: dict[ChannelRole, AngleSignal],
    heard: dict[ChannelRole, Positions],
    engine: EngineSpec,
    cycle_s: float,
    right: float | None,
) -> tuple[float | None, float]:
    """Exhaust and crankcase exchanged against as named, and how near the best drawn one comes.

    Each meaning has its own set of lines where a channel is to hear one of two outlets."""
    exhaust, crankcase = ChannelRole.EXHAUST, ChannelRole.CRANKCASE
    if right is None or crankcase not in signals:
        return None, -np.inf
    diesel = engine.fuel is Fuel.DIESEL
    unknown = None if engine.fuel is Fuel.UNKNOWN else diesel
    fits = []
    for channel, meaning in (
        (crankcase, crankcase),
        (exhaust, crankcase),
        (crankcase, exhaust),
    ):
        lines = _lines(signals[channel], heard[meaning], engine, cycle_s)
        if lines is None:
            return None, -np.inf
        drawn = (
            crankcase_answers(lines.order, lines.frequency_hz, diesel)
            if meaning is crankcase
            else exhaust_answers(lines.order, lines.frequency_hz, unknown)
        )
        fits.append(_fit(lines, drawn, heard[meaning], engine))
    named = fits[0][0]
    return fits[1][0] + fits[2][0] - right - named, fits[1][1] + fits[2][1]


def _places(
    exhausts: dict[ChannelRole, tuple[_Lines, ComplexArray]],
    heard: dict[ChannelRole, Positions],
    engine: EngineSpec,
    right: float,
) -> tuple[dict[tuple[int, bool], float], float]:
    """Trigger so many positions late, or outlets exchanged, where that leaves a trace; and how near
    the best drawn one comes, per channel."""
    hook_ups = [(late, False) for late in range(1, engine.cylinders)]
    if len(exhausts) == 2 and engine.outlet_count == 2:
        hook_ups.append((0, True))
    places: dict[tuple[int, bool], float] = {}
    nearest = -np.inf
    for late, exchanged in hook_ups:
        fits, trace = [], False
        for role, (lines, drawn) in exhausts.items():
            other = _EXHAUSTS[1 - _EXHAUSTS.index(role)] if exchanged else role
            # with the trigger late, what is counted as position p - late is p
            moved = tuple((p - 1 - late) % engine.cylinders + 1 for p in heard[other])
            change = _pattern(engine, moved, lines.order) / _pattern(
                engine, heard[role], lines.order
            )
            if np.any(np.abs(change) < _FADED):
                break  # these lines could not be there
            trace |= bool(np.any(np.abs(np.angle(change)) > _ALIKE_RAD))
            fits.append(_fit(lines, drawn, moved, engine))
        else:
            if trace:
                places[late, exchanged] = sum(f[0] for f in fits) - right
                nearest = max(nearest, min(f[1] for f in fits))
    return places, nearest

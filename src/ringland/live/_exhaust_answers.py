"""What a sound tailpipe hook-up can make of an engine's pulses, line by line.

Many exhaust lines are drawn from the ranges in use (docs/theory/hook_up.md); each answers with its
own resonances and delay. Plane waves, transfer matrices from the open end back to the collector
(Munjal, Acoustics of Ducts and Mufflers, ch. 2; from memory), the losses and the end as in
docs/theory/gas_path.md.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["exhaust_answers", "hose_answers"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

DRAWS = 3000
_AMBIENT_K, _AMBIENT_PA = 293.0, 101_325.0
_GAS = 290.64  # J/(kg K), stoichiometric exhaust
_END = 0.6133  # end correction over radius; Levine and Schwinger 1948
_END_RESISTOR = 1.5045
_PRANDTL = 0.71
_IDLE_FLOW_M3_S = 0.02  # sets the drag of the pipe, which grows with the flow
_EXHAUST_OPENS_DEG = 133.0
_HOSE_LOG_HZ = (math.log(2.0), math.log(40.0))


@dataclass(frozen=True, eq=False)
class _Lines:
    """Drawn exhaust lines; sections (draws, 7): pipe, box, pipe, box, pipe, box, pipe, length 0
    where there is none."""

    length_m: FloatArray
    diameter_m: FloatArray
    resistance: FloatArray
    temperature_k: FloatArray
    last: NDArray[np.int64]
    inside_m: FloatArray
    collector_m3: FloatArray
    slope: FloatArray
    opens_later_deg: FloatArray
    burn: FloatArray  # (draws, 3) uniform numbers behind blow-down, refill and overlap
    corner_hz: FloatArray


@lru_cache(maxsize=1)
def _lines() -> _Lines:
    """The draws, always the same ones."""
    rng = np.random.default_rng(20_731)
    count = DRAWS

    def span(low: float, high: float, size: int) -> FloatArray:
        return np.asarray(rng.uniform(low, high, size))

    total = span(1.5, 6.0, count)
    length = np.zeros((count, 7))
    diameter = np.repeat(span(0.035, 0.075, count)[:, None], 7, axis=1)
    resistance = np.zeros((count, 7))
    catalyst, boxes = rng.random(count) < 0.7, rng.integers(0, 3, count)
    length[:, 1] = 0.15 * catalyst
    resistance[:, 1] = catalyst * 10.0 ** span(3.5, 5.0, count)
    diameter[:, 1] *= 2.2
    for column, there in ((3, boxes >= 1), (5, boxes >= 2)):
        length[:, column] = there * span(0.20, 0.45, count)
        diameter[:, column] *= span(2.0, 4.0, count)
    for column in (5, 3, 1):  # boxes take no more than half of the way
        length[length.sum(axis=1) > 0.5 * total, column] = 0.0
    resistance *= length > 0.0
    runs = np.column_stack([np.ones(count), length[:, [1, 3, 5]] > 0.0])
    share = rng.gamma(4.0, size=(count, 4)) * runs
    share /= share.sum(axis=1, keepdims=True)
    straight = total - length.sum(axis=1) - 0.15 * runs.sum(axis=1)
    last = 3 - np.argmax(runs[:, ::-1] > 0.0, axis=1)
    pipes = (0.15 + share * straight[:, None]) * runs
    row = np.arange(count)
    pipes[row, last] = np.maximum(pipes[row, last], 0.45)  # takes the sensor
    length[:, [0, 2, 4, 6]] = pipes
    middle = np.cumsum(length, axis=1) - 0.5 * length
    excess = span(350.0, 800.0, count) - _AMBIENT_K
    cooled = excess[:, None] * np.exp(-middle / span(4.0, 40.0, count)[:, None])
    return _Lines(
        length, diameter, resistance, _AMBIENT_K + cooled, 2 * last,
        np.minimum(span(0.06, 0.40, count), 0.9 * pipes[row, last]),
        span(0.2e-3, 2.0e-3, count), span(0.0, 1.0, count), 4.0 * rng.standard_normal(count),
        rng.random((count, 3)), np.exp(span(*_HOSE_LOG_HZ, count)),
    )  # fmt: skip


def exhaust_answers(
    order: NDArray[np.int64], frequency_hz: FloatArray, diesel: bool | None
) -> ComplexArray:
    """(draws, lines): what one cylinder at idle gives at the sensor, firing top dead centre at 0.

    `order` (lines,) multiples of the cycle rate of a four-stroke, `frequency_hz` (lines,).
    `diesel` None when the fuel is not known: every other draw is one.
    """
    lines = _lines()
    sensor = (1j * frequency_hz[None, :] / 30.0) ** -lines.slope[:, None]
    return _outflow(order, diesel, lines) * _transfer(frequency_hz, lines) * sensor


def hose_answers(frequency_hz: FloatArray) -> ComplexArray:
    """(draws, lines): a damp or blocked hose before the sensor, two equal low-passes."""
    ratio = frequency_hz[None, :] / _lines().corner_hz[:, None]
    return np.asarray((1.0 + 1j * ratio) ** -2)


def _outflow(order: NDArray[np.int64], diesel: bool | None, lines: _Lines) -> ComplexArray:
    """Lines of the gas leaving one cylinder: what the piston pushes out, with a blow-down (diesel),
    or, throttled, a small one, the gas drawn back at the bottom and again in valve overlap."""
    angle = np.arange(720.0)
    turn = np.radians(angle)
    rod = 3.3
    pushed = -np.gradient(0.5 * (rod + 1.0 - np.cos(turn) - np.sqrt(rod**2 - np.sin(turn) ** 2)))
    pushed /= (1.0 + np.exp((192.0 - angle) / 11.0)) * (1.0 + np.exp((angle - 352.0) / 2.0))
    pushed[(angle <= 120.0) | (angle >= 420.0)] = 0.0
    wave = np.exp(-2j * np.pi * np.outer(order, angle) / 720.0)

    def bump(at_deg: float, sd_deg: float) -> ComplexArray:
        shape = np.exp(-0.5 * ((angle - at_deg) / sd_deg) ** 2)
        return np.asarray(wave @ (shape / shape.sum()))[None, :]

    opens, part = _EXHAUST_OPENS_DEG, lines.burn
    later = np.exp(-2j * np.pi * order[None, :] * lines.opens_later_deg[:, None] / 720.0)
    compressed = (0.1 + 0.4 * part[:, :1]) * bump(opens + 28.0, 12.0) * later
    throttled = (
        0.12 * part[:, :1] * bump(opens + 12.0, 6.0)
        - (0.05 + 0.2 * part[:, 1:2]) * bump(opens + 29.0, 14.0)
    ) * later
    throttled = throttled - (0.02 + 0.08 * part[:, 2:]) * bump(361.0, 5.0)  # fmt: skip
    other = np.arange(DRAWS)[:, None] % 2 == 0 if diesel is None else np.full((1, 1), diesel)
    whole = np.asarray(wave @ (pushed / pushed.sum()))[None, :]
    return np.asarray(whole + np.where(other, compressed, throttled))


def _transfer(frequency_hz: FloatArray, lines: _Lines) -> ComplexArray:
    """Pressure at the sensor over flow into the collector, (draws, lines)."""
    omega = 2.0 * np.pi * frequency_hz[None, :]
    kelvin = lines.temperature_k
    gamma = np.interp(kelvin, (300.0, 700.0, 1000.0), (1.37094, 1.32361, 1.29336))
    speed, density = np.sqrt(gamma * _GAS * kelvin), _AMBIENT_PA / (_GAS * kelvin)
    radius = 0.5 * lines.diameter_m
    area = np.pi * radius**2
    viscosity = 1.458e-6 * kelvin**1.5 / (kelvin + 110.4)
    loss = np.sqrt(np.pi * viscosity / density) / (radius * speed)
    loss *= 1.0 + (gamma - 1.0) / np.sqrt(_PRANDTL)
    admittance = area / (density * speed)
    row = np.arange(DRAWS)

    def along(at: ComplexArray, pick: NDArray[np.int64], length: FloatArray) -> ComplexArray:
        turn = 1j * omega / speed[row, pick][:, None]
        wave = (turn + (1.0 + 1.0j) * loss[row, pick][:, None] * np.sqrt(frequency_hz)) * length[
            :, None
        ]
        y, cosh, sinh = admittance[row, pick][:, None], np.cosh(wave), np.sinh(wave)
        here = (cosh * at[0] + sinh / y * at[1], y * sinh * at[0] + cosh * at[1])
        return np.asarray(np.stack(here), dtype=np.complex128)

    last = lines.last
    inertia = _END * (radius / speed)[row, last][:, None]
    end = 1j * omega * inertia / (1.0 + 1j * omega * inertia / _END_RESISTOR)
    first: ComplexArray = np.asarray(end / admittance[row, last][:, None], dtype=np.complex128)
    state: ComplexArray = np.asarray(np.stack([first, np.ones_like(first)]), dtype=np.complex128)
    state = along(state, last, lines.inside_m)
    heard = state[0]
    for i in range(6, -1, -1):
        pick = np.full(DRAWS, i)
        state[0] = state[0] + _resistance(lines, density, area, i)[:, None] * state[1]
        rest = lines.length_m[:, i] - np.where(last == i, lines.inside_m, 0.0)
        state = along(state, pick, np.maximum(rest, 0.0))
    store = (lines.collector_m3 / (1.33 * _AMBIENT_PA))[:, None]
    return np.asarray(heard / (state[1] + 1j * omega * store * state[0]))


def _resistance(lines: _Lines, density: FloatArray, area: FloatArray, i: int) -> FloatArray:
    """Of the brick and of the drag at idle flow, at the end of section `i`, Pa s/m3."""
    after = area[:, min(i + 1, 6)]
    step = np.where(after != area[:, i], 0.9 / np.minimum(after, area[:, i]) ** 2, 0.0)
    friction = 0.03 * lines.length_m[:, i] / lines.diameter_m[:, i] / area[:, i] ** 2
    jet = np.where(lines.last == i, 1.0 / area[:, i] ** 2, 0.0)
    drag = 0.5 * density[:, i] * (friction + step + jet) * _IDLE_FLOW_M3_S
    return np.asarray(lines.resistance[:, i] + np.where(lines.length_m[:, i] > 0.0, drag, 0.0))

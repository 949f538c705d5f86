"""Pressure waves in a line of pipe sections.

A pipe is a pair of delay lines, one for each direction of travel, with losses put together at the
end of each section and scattering where sections meet. Plane waves, no mean-flow convection, one
gas temperature per section: valid below the first cross mode (about 0.58 c / diameter, several
kilohertz in a tailpipe) and at Mach numbers well below one. Equations: docs/theory/gas_path.md.

Pressures here are gauge (over ambient) and flows are volume flows at the local density unless a
name says kg.
"""

import math
from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from ringland.errors import SettingError

__all__ = [
    "AIR_GAS_CONSTANT",
    "AMBIENT_PA",
    "END_CORRECTION",
    "MIN_DELAY_SAMPLES",
    "End",
    "Gas",
    "Line",
    "LineState",
    "PipeSection",
    "build_line",
    "drive_flow",
    "drive_pressure",
    "exhaust_gamma",
    "gas_at",
    "line_arrivals",
    "line_push",
    "new_state",
    "sound_speed_m_s",
]

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

AMBIENT_PA = 101_325.0
# Levine and Schwinger, Phys. Rev. 73 (1948) 383: unflanged pipe, low frequency, per radius.
END_CORRECTION = 0.6133
# Low-frequency radiation resistance of the unflanged pipe is (ka)^2 / 4 (same paper); with the end
# correction in parallel with a resistor r, its real part is (END_CORRECTION ka)^2 / r.
_RADIATION_RESISTOR = END_CORRECTION**2 / 0.25
_BURNED_GAS_CONSTANT = 290.64  # J/(kg K), stoichiometric petrol products
AIR_GAS_CONSTANT = 287.05
_PRANDTL = 0.70
_LOSS_POLES_HZ = (8.0, 60.0, 450.0, 3000.0)
MIN_DELAY_SAMPLES = 2.0
_PARTS = 4  # taps of the third-order Lagrange interpolator


class End(IntEnum):
    """What is at the far end of a line."""

    RADIATING = 0  # open, unflanged, with end correction and radiation loss
    PRESSURE_RELEASE = 1  # ideal open end: reflection -1
    VOLUME = 2  # closed with a dead volume (0 = rigid)
    MATCHED = 3  # nothing comes back


@dataclass(frozen=True)
class PipeSection:
    """One straight piece, listed from the engine to the outlet.

    `resistance_pa_s_m3` is a lumped flow resistance at its downstream end (catalyst brick,
    wall-flow filter, perforate). `hole_diameter_m` a leak to the open air at its downstream end.
    `temperature_k` None: the path's own gas temperature there.
    """

    length_m: float
    diameter_m: float
    name: str = "pipe"
    resistance_pa_s_m3: float = 0.0
    hole_diameter_m: float = 0.0
    temperature_k: float | None = None

    def __post_init__(self) -> None:
        if not (self.length_m > 0.0 and self.diameter_m > 0.0):
            raise SettingError(
                f"pipe section '{self.name}' has no length or no bore",
                got=f"length {self.length_m} m, diameter {self.diameter_m} m",
                allowed="both above zero",
            )
        if self.resistance_pa_s_m3 < 0.0 or self.hole_diameter_m < 0.0:
            raise SettingError(
                f"pipe section '{self.name}' has a negative resistance or hole",
                got=f"{self.resistance_pa_s_m3} Pa s/m3, {self.hole_diameter_m} m",
                allowed="zero or more",
            )


class Line(NamedTuple):
    """Constants of a line, plain arrays so that compiled code can take them. S sections."""

    delay: Ints  # (S,) newest tap of the interpolator, samples back
    taps: Array  # (S, 4)
    direct: Array  # (S,) share of the wave that skips the loss poles
    weights: Array  # (S, P) share through each loss pole
    pole_step: Array  # (P,)
    admittance: Array  # (S,) m3/(s Pa)
    resistance: Array  # (S,) at the joint after section i; last unused
    drag: Array  # (S,) Pa s2/m6 there, times the flow's size; last unused
    hole_inertance: Array  # (S,) kg/m4, 0 = no hole at the joint after section i
    hole_loss: Array  # (S,) Pa s2/m6
    end: Array  # (4,) kind, then three coefficients
    dt_s: float


class LineState(NamedTuple):
    """Everything that changes while a line runs."""

    right: Array  # (S, M) ring buffers of waves travelling away from the engine
    left: Array  # (S, M)
    cursor: Ints  # (1,)
    loss_right: Array  # (S, P)
    loss_left: Array  # (S, P)
    arrived_right: Array  # (S,) at the downstream end of each section now
    arrived_left: Array  # (S,) at the upstream end
    hole_flow: Array  # (S,)
    joint_flow: Array  # (S,)
    joint_pressure: Array  # (S,) downstream of the joint after section i; last: at the end
    end: Array  # (2,)


def exhaust_gamma(temperature_k: float) -> float:
    """Ratio of specific heats of stoichiometric petrol exhaust.

    Linear through the GRI-Mech 3.0 frozen-composition values at 400, 700 and 1000 K; within 0.2 %
    of them from 300 to 1100 K.
    """
    return float(np.interp(temperature_k, (300.0, 700.0, 1000.0), (1.37094, 1.32361, 1.29336)))


def sound_speed_m_s(
    temperature_k: float, gamma: float | None = None, gas_constant: float = _BURNED_GAS_CONSTANT
) -> float:
    """sqrt(gamma R T) of exhaust gas, or of another gas when its constants are given."""
    ratio = exhaust_gamma(temperature_k) if gamma is None else gamma
    return math.sqrt(ratio * gas_constant * temperature_k)


class Gas(NamedTuple):
    """What a wave needs to know of the gas it runs in."""

    speed_m_s: float
    density_kg_m3: float
    viscosity_pa_s: float
    gamma: float


def gas_at(temperature_k: float, pressure_pa: float, *, burned: bool) -> Gas:
    """Sound speed, density and viscosity of exhaust (`burned`) or of air."""
    gamma = exhaust_gamma(temperature_k) if burned else 1.40
    constant = _BURNED_GAS_CONSTANT if burned else AIR_GAS_CONSTANT
    # Sutherland's law for air (standard atmosphere constants); exhaust is within a few per cent.
    viscosity = 1.458e-6 * temperature_k**1.5 / (temperature_k + 110.4)
    speed = sound_speed_m_s(temperature_k, gamma, constant)
    return Gas(speed, pressure_pa / (constant * temperature_k), viscosity, gamma)


def _boundary_loss(gas: Gas, radius_m: float) -> float:
    """Kirchhoff's wide-tube attenuation at 1 Hz, Np/m; grows as the root of frequency."""
    layer = math.sqrt(math.pi * gas.viscosity_pa_s / gas.density_kg_m3)
    thermal = 1.0 + (gas.gamma - 1.0) / math.sqrt(_PRANDTL)
    return layer * thermal / (radius_m * gas.speed_m_s)


def _quadratic_loss(here: "_Piece", after: "_Piece", *, last: bool) -> float:
    """Drag of the joint after a section, Pa s2/m6: its wall friction, the change of area, the jet.

    Coefficients of the smaller area's dynamic pressure: friction 0.03 L / D (turbulent, Darcy);
    sudden expansion (1 - A1 / A2)^2 and contraction 0.5 (1 - A2 / A1), White, Fluid Mechanics ch. 6
    (from memory), whichever is larger as the flow goes both ways; 1 for the jet at the outlet, put
    at the last joint.
    """
    own, other = here.area_m2, after.area_m2
    friction = 0.03 * here.section.length_m / here.section.diameter_m / own**2
    small, ratio = min(own, other), min(own, other) / max(own, other)
    change = max((1.0 - ratio) ** 2, 0.5 * (1.0 - ratio)) / small**2
    jet = 1.0 / other**2 if last else 0.0
    if last:
        friction += 0.03 * after.section.length_m / after.section.diameter_m / other**2
    return 0.5 * here.gas.density_kg_m3 * (friction + change + jet)


def _loss_weights(loss_at_1_hz: float, rate_hz: float) -> Array:
    """Shares through the loss poles so that the section's loss follows exp(-(1 + j) a sqrt(f)).

    Shares are >= 0 and sum to <= 1, so the section can never amplify.
    """
    from scipy.optimize import nnls

    frequency: Array = np.geomspace(2.0, min(2000.0, 0.2 * rate_hz), 60)
    target = np.exp(-(1.0 + 1.0j) * loss_at_1_hz * np.sqrt(frequency))
    z1 = np.exp(-2j * math.pi * frequency / rate_hz)
    steps = _pole_steps(rate_hz)
    passed = steps / (1.0 - (1.0 - steps) * z1[:, None])
    columns = 1.0 - passed
    lost = 1.0 - target
    weights, _ = nnls(
        np.vstack([columns.real, columns.imag]), np.concatenate([lost.real, lost.imag])
    )
    return np.asarray(weights / max(1.0, weights.sum()), dtype=np.float64)


def _pole_steps(rate_hz: float) -> Array:
    return 1.0 - np.exp(-2.0 * math.pi * np.asarray(_LOSS_POLES_HZ) / rate_hz)


def _lagrange(delay_samples: float) -> tuple[int, Array]:
    """Newest tap and four weights of the third-order Lagrange interpolator.

    What is pushed in one step is tap 0 of the next, so tap k is k + 1 samples late. The delay lies
    between the middle taps, where the interpolator's gain never exceeds one.
    """
    newest = math.floor(delay_samples) - 2
    d = delay_samples - 1.0 - newest
    nodes = range(_PARTS)
    weights = [math.prod((d - k) / (i - k) for k in nodes if k != i) for i in nodes]
    return newest, np.asarray(weights)


def _end_coefficients(
    end: End, section: tuple[float, float], dt_s: float, volume_term: float
) -> Array:
    """(kind, c1, c2, c3); for a radiating end the bilinear reflection b0, b1, a1."""
    radius_m, speed = section
    if end is End.RADIATING:
        along = END_CORRECTION * radius_m / speed
        across = along / _RADIATION_RESISTOR
        k = 2.0 / dt_s
        scale = (along + across) * k + 1.0
        return np.array(
            [
                float(end),
                ((along - across) * k - 1.0) / scale,
                (-(along - across) * k - 1.0) / scale,
                (1.0 - (along + across) * k) / scale,
            ]
        )
    return np.array([float(end), volume_term, 0.0, 0.0])


@dataclass(frozen=True)
class _Piece:
    """A section with its gas, ready for the line."""

    section: PipeSection
    gas: Gas

    @property
    def travel_s(self) -> float:
        return self.section.length_m / self.gas.speed_m_s

    @property
    def area_m2(self) -> float:
        return math.pi * self.section.diameter_m**2 / 4.0

    @property
    def admittance(self) -> float:
        return self.area_m2 / (self.gas.density_kg_m3 * self.gas.speed_m_s)


def build_line(
    sections: tuple[PipeSection, ...],
    rate_hz: float,
    *,
    temperature_k: float,
    burned: bool = True,
    losses: bool = True,
    end: End = End.RADIATING,
    end_volume_m3: float = 0.0,
    ambient_pa: float = AMBIENT_PA,
) -> Line:
    """Make the constants of a line of sections in series at `rate_hz`.

    Raises SettingError when a section is shorter than two samples of travel: raise the rate.
    """
    pieces = [
        _Piece(s, gas_at(s.temperature_k or temperature_k, ambient_pa, burned=burned))
        for s in sections
    ]
    shortest = min(pieces, key=lambda p: p.travel_s)
    if shortest.travel_s * rate_hz < MIN_DELAY_SAMPLES:
        raise SettingError(
            f"pipe section '{shortest.section.name}' is too short for this rate",
            got=f"{shortest.section.length_m:.3f} m at {rate_hz:.0f} Hz",
            allowed=f"at least {MIN_DELAY_SAMPLES:g} samples of travel",
            remedy=f"use at least {MIN_DELAY_SAMPLES / shortest.travel_s:.0f} Hz",
        )
    count, poles = len(pieces), len(_LOSS_POLES_HZ)
    newest = np.zeros(count, dtype=np.int64)
    taps, weights = np.zeros((count, _PARTS)), np.zeros((count, poles))
    drag, inertance, hole_loss = np.zeros(count), np.zeros(count), np.zeros(count)
    for i, piece in enumerate(pieces):
        section, gas = piece.section, piece.gas
        newest[i], taps[i] = _lagrange(piece.travel_s * rate_hz)
        if losses:
            boundary = _boundary_loss(gas, section.diameter_m / 2.0) * section.length_m
            weights[i] = _loss_weights(boundary, rate_hz)
            if i + 1 < count:
                outlet = i + 2 == count and end is End.RADIATING
                drag[i] = _quadratic_loss(piece, pieces[i + 1], last=outlet)
        if section.hole_diameter_m > 0.0:
            inertance[i], hole_loss[i] = _hole(section.hole_diameter_m, gas.density_kg_m3)
    last = pieces[-1]
    compliance = end_volume_m3 / (last.gas.gamma * ambient_pa)
    return Line(
        delay=newest,
        taps=taps,
        direct=1.0 - weights.sum(axis=1),
        weights=weights,
        pole_step=_pole_steps(rate_hz),
        admittance=np.array([p.admittance for p in pieces]),
        resistance=np.array([p.section.resistance_pa_s_m3 for p in pieces]),
        drag=drag,
        hole_inertance=inertance,
        hole_loss=hole_loss,
        end=_end_coefficients(
            end,
            (last.section.diameter_m / 2.0, last.gas.speed_m_s),
            1.0 / rate_hz,
            2.0 * compliance * rate_hz,
        ),
        dt_s=1.0 / rate_hz,
    )


def _hole(diameter_m: float, density_kg_m3: float) -> tuple[float, float]:
    """Inertance and orifice loss of a hole in a thin wall (1.5 mm, discharge coefficient 0.61)."""
    area = math.pi * diameter_m**2 / 4.0
    length = 1.5e-3 + 0.8 * diameter_m
    return density_kg_m3 * length / area, density_kg_m3 / (2.0 * (0.61 * area) ** 2)


def new_state(line: Line) -> LineState:
    """A line at rest."""
    count, poles = line.weights.shape
    length = 1 << (int(line.delay.max()) + _PARTS).bit_length()
    return LineState(
        right=np.zeros((count, length)),
        left=np.zeros((count, length)),
        cursor=np.zeros(1, dtype=np.int64),
        loss_right=np.zeros((count, poles)),
        loss_left=np.zeros((count, poles)),
        arrived_right=np.zeros(count),
        arrived_left=np.zeros(count),
        hole_flow=np.zeros(count),
        joint_flow=np.zeros(count),
        joint_pressure=np.zeros(count),
        end=np.zeros(2),
    )


@njit(cache=True, error_model="numpy")
def line_arrivals(line: Line, state: LineState) -> float:
    """Start a step: what arrives everywhere now. Returns the wave arriving at the engine end, Pa.

    With it the engine end is a linear load: flow into the pipe = admittance[0] * (p - 2 * wave).
    Buffer lengths are powers of two, so that an index wraps by a mask.
    """
    delay, taps, weights, steps = line.delay, line.taps, line.weights, line.pole_step
    right, left = state.right, state.left
    memory_right, memory_left = state.loss_right, state.loss_left
    mask = right.shape[1] - 1
    position = state.cursor[0]
    for i in range(delay.shape[0]):
        k = position - delay[i]
        k0, k1, k2, k3 = k & mask, (k - 1) & mask, (k - 2) & mask, (k - 3) & mask
        t0, t1, t2, t3 = taps[i, 0], taps[i, 1], taps[i, 2], taps[i, 3]
        coming = t0 * right[i, k0] + t1 * right[i, k1] + t2 * right[i, k2] + t3 * right[i, k3]
        going = t0 * left[i, k0] + t1 * left[i, k1] + t2 * left[i, k2] + t3 * left[i, k3]
        total_right, total_left = line.direct[i] * coming, line.direct[i] * going
        if line.direct[i] < 1.0:
            for p in range(steps.shape[0]):
                memory_right[i, p] += steps[p] * (coming - memory_right[i, p])
                memory_left[i, p] += steps[p] * (going - memory_left[i, p])
                total_right += weights[i, p] * memory_right[i, p]
                total_left += weights[i, p] * memory_left[i, p]
        state.arrived_right[i] = total_right
        state.arrived_left[i] = total_left
    return float(state.arrived_left[0])


@njit(cache=True, error_model="numpy")
def _joint(line: Line, state: LineState, i: int) -> tuple[float, float]:
    """Waves leaving the joint after section i: (back into i, on into i + 1)."""
    a1, a2 = state.arrived_right[i], state.arrived_left[i + 1]
    y1, y2 = line.admittance[i], line.admittance[i + 1]
    if line.hole_inertance[i] > 0.0:
        ratio = line.dt_s / line.hole_inertance[i]
        drag = 1.0 + ratio * line.hole_loss[i] * abs(state.hole_flow[i])
        kept, admitted = state.hole_flow[i] / drag, ratio / drag
        p = (2.0 * y1 * a1 + 2.0 * y2 * a2 - kept) / (y1 + y2 + admitted)
        state.hole_flow[i] = kept + admitted * p
        state.joint_pressure[i] = p
        return p - a1, p - a2
    resistance = line.resistance[i] + line.drag[i] * abs(state.joint_flow[i])
    flow = 2.0 * (a1 - a2) / (1.0 / y1 + 1.0 / y2 + resistance)
    state.joint_flow[i] = flow
    state.joint_pressure[i] = 2.0 * a2 + flow / y2
    return a1 - flow / y1, a2 + flow / y2


@njit(cache=True, error_model="numpy")
def _end(line: Line, state: LineState) -> float:
    """Wave sent back by the far end."""
    last = line.delay.shape[0] - 1
    wave = state.arrived_right[last]
    kind = int(line.end[0])
    if kind == 0:
        back = line.end[1] * wave + line.end[2] * state.end[0] - line.end[3] * state.end[1]
        state.end[0], state.end[1] = wave, back
    elif kind == 1:
        back = -wave
    elif kind == 2:
        y = line.admittance[last]
        # trapezoidal rule on C dp/dt = U; end[0] holds p, end[1] holds U
        p = (2.0 * y * wave + line.end[1] * state.end[0] + state.end[1]) / (y + line.end[1])
        if line.end[1] == 0.0:
            p = 2.0 * wave
        state.end[0], state.end[1] = p, y * (2.0 * wave - p)
        back = p - wave
    else:
        back = 0.0
    state.joint_pressure[last] = wave + back
    return float(back)


@njit(cache=True, error_model="numpy")
def line_push(line: Line, state: LineState, wave: float) -> None:
    """Finish a step: `wave` (p minus what arrived) enters at the engine end."""
    count = line.delay.shape[0]
    position = (state.cursor[0] + 1) & (state.right.shape[1] - 1)
    state.cursor[0] = position
    state.right[0, position] = wave
    for i in range(count - 1):
        back, on = _joint(line, state, i)
        state.left[i, position] = back
        state.right[i + 1, position] = on
    state.left[count - 1, position] = _end(line, state)


@njit(cache=True, error_model="numpy")
def drive_flow(
    line: Line, state: LineState, flow_m3_s: Array, compliance: float, station: int
) -> tuple[Array, Array]:
    """Push a volume flow into a collector of `compliance` (V / (gamma p0), m3/Pa) and the line.

    Returns (pressure in the collector, pressure after section `station`), both shaped like the
    flow.
    """
    count = flow_m3_s.shape[0]
    collector, heard = np.empty(count), np.empty(count)
    stiffness = 2.0 * compliance / line.dt_s
    y = line.admittance[0]
    pressure, net = 0.0, 0.0
    for n in range(count):
        back = line_arrivals(line, state)
        new = (flow_m3_s[n] + 2.0 * y * back + stiffness * pressure + net) / (y + stiffness)
        net = flow_m3_s[n] - y * (new - 2.0 * back)
        if stiffness == 0.0:
            net = 0.0
        pressure = new
        line_push(line, state, pressure - back)
        collector[n] = pressure
        heard[n] = state.joint_pressure[station]
    return collector, heard


@njit(cache=True, error_model="numpy")
def drive_pressure(line: Line, state: LineState, pressure_pa: Array, station: int) -> Array:
    """Impose a pressure at the engine end; returns the pressure after section `station`."""
    heard = np.empty(pressure_pa.shape[0])
    for n in range(pressure_pa.shape[0]):
        back = line_arrivals(line, state)
        line_push(line, state, pressure_pa[n] - back)
        heard[n] = state.joint_pressure[station]
    return heard

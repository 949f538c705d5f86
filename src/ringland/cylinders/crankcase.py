"""Crankcase pressure regressed on stroke-shaped terms of each cylinder.

See docs/theory/crankcase.md. Gas past the rings follows the cylinder pressure: it pushes in
compression and expansion. The crankcase volume and its vent turn flow into pressure as a leaky
integrator whose time constant is found from the data. What the pistons displace is common to all
cylinders and is fitted beside it. Induction may pull (term of its own).
"""

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from ringland.cylinders.orders import firing_weights
from ringland.model import AngleSignal, EngineSpec, StrokeTerms

__all__ = ["crankcase_terms"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

_TIME_CONSTANTS_DEG = (15.0, 40.0, 90.0, 200.0, 500.0)
_HARMONICS = 24
_DISPLACEMENT_ORDERS = (1.0, 2.0, 3.0, 4.0, 6.0)
_PULL_STIFFNESS = 0.03  # pull terms are small beside pushes; weakly determined ones stay near 0
_GAMMA = 1.32


def crankcase_terms(signal: AngleSignal, engine: EngineSpec) -> StrokeTerms:
    """Fit the terms to every kept cycle."""
    points = signal.values.shape[1]
    harmonics = min(_HARMONICS, points // 2 - 1)
    lines = scipy.fft.rfft(signal.values, axis=1)[:, 1 : harmonics + 1] * (2.0 / points)
    mean = lines.mean(axis=0)
    best: tuple[float, float, ComplexArray] | None = None
    for constant in _TIME_CONSTANTS_DEG:
        columns = _columns(engine, harmonics, constant)
        misfit = _misfit(columns, mean, engine.cylinders)
        if best is None or misfit < best[0]:
            best = (misfit, constant, columns)
    assert best is not None
    _, constant, columns = best
    count = engine.cylinders
    stacked = np.concatenate([columns.real, columns.imag])
    ridge = _ridge(stacked, count)
    inverse = np.linalg.solve(stacked.T @ stacked + ridge, stacked.T)
    values = np.concatenate([lines.real, lines.imag], axis=1) @ inverse.T
    push, pull = values[:, :count], values[:, count : 2 * count]
    middle = float(np.median(push.mean(axis=0)))
    error = float(push.std(axis=0, ddof=1).mean() / np.sqrt(len(push))) if len(push) > 1 else np.inf
    swing = float(np.sqrt((np.abs(mean) ** 2).sum()))
    if middle > 3.0 * error and middle > 0.02 * swing:
        return StrokeTerms(
            signal.channel, push, pull, middle, "the usual cylinder's own push", constant
        )
    return StrokeTerms(
        signal.channel, push, pull, 0.1 * swing, "a tenth of the channel's swing", constant
    )


def _ridge(stacked: FloatArray, cylinders: int) -> FloatArray:
    energy = (stacked**2).sum(axis=0)
    stiffness = np.full(len(energy), 1e-3)
    stiffness[cylinders : 2 * cylinders] = _PULL_STIFFNESS
    return np.diag(stiffness * energy)


def _misfit(columns: ComplexArray, lines: ComplexArray, cylinders: int) -> float:
    stacked = np.concatenate([columns.real, columns.imag])
    y = np.concatenate([lines.real, lines.imag])
    ridge = _ridge(stacked, cylinders)
    solution = np.linalg.solve(stacked.T @ stacked + ridge, stacked.T @ y)
    rest = y - stacked @ solution
    return float(rest @ rest + solution @ ridge @ solution)


def _columns(engine: EngineSpec, harmonics: int, constant_deg: float) -> ComplexArray:
    """Design matrix (harmonics, 2 N + 2 per displacement order): push and pull of each position,
    then free cosine and sine at the orders of piston displacement."""
    cycle = engine.cycle_deg
    k = np.arange(1, harmonics + 1)
    integrator = 1.0 / (1.0 + 1j * k * 2.0 * np.pi / cycle * constant_deg)
    push = _shape_lines(_cylinder_pressure(engine), k) * integrator
    pull = -_shape_lines(_induction(engine), k) * integrator
    # scaled to a peak of one
    push = push / _peak(push)
    pull = pull / _peak(pull)
    columns = []
    for shape in (push, pull):
        for angle in engine.firing_angles_deg:
            columns.append(shape * np.exp(-2j * np.pi * k * angle / cycle))
    weight = firing_weights(np.asarray(engine.firing_angles_deg), cycle, harmonics)
    for order in _DISPLACEMENT_ORDERS:
        # what the pistons displace sums to the orders the cylinders share; the rest cancels
        index = round(order * cycle / 360.0)
        if index <= harmonics and weight[index] > 0.05:
            for value in (1.0, 1j):
                column = np.zeros(harmonics, dtype=np.complex128)
                column[index - 1] = value
                columns.append(column)
    return np.stack(columns, axis=1)


def _peak(lines: ComplexArray) -> float:
    spectrum = np.zeros(181, dtype=np.complex128)
    spectrum[1 : len(lines) + 1] = lines
    return float(scipy.fft.irfft(spectrum * 180.0, 360).max())


def _shape_lines(shape: FloatArray, k: NDArray[np.int64]) -> ComplexArray:
    return np.asarray(scipy.fft.rfft(shape)[k] * (2.0 / len(shape)))


def _cylinder_pressure(engine: EngineSpec) -> FloatArray:
    """Shape of the cylinder pressure over one cycle, firing top dead centre at 0, 1 deg steps.

    Polytropic over a slider-crank volume, raised after top dead centre as combustion does; the
    exact heights do not matter, they are scaled out.
    """
    points = round(engine.cycle_deg)
    angle = np.arange(points, dtype=np.float64)
    offset = (angle + points / 2.0) % points - points / 2.0
    ratio = engine.geometry.compression_ratio if engine.geometry is not None else 10.0
    rod = (
        2.0 * engine.geometry.rod_m / engine.geometry.stroke_m
        if engine.geometry is not None
        else 3.3
    )
    turn = np.radians(offset)
    travel = 0.5 * (rod + 1.0 - np.cos(turn) - np.sqrt(rod**2 - np.sin(turn) ** 2))
    volume = 1.0 / (ratio - 1.0) + travel
    pressure = (volume.max() / volume) ** _GAMMA - 1.0
    burned = np.where(offset > 0.0, 1.6, 1.0)
    closed = (offset > -140.0) & (offset < 135.0)
    return np.asarray(np.where(closed, pressure * burned, 0.0))


def _induction(engine: EngineSpec) -> FloatArray:
    """Induction stroke as half a sine, 360 to 540 deg after firing top dead centre."""
    points = round(engine.cycle_deg)
    angle = np.arange(points, dtype=np.float64)
    if engine.strokes == 2:
        return np.asarray(np.where((angle > 120) & (angle < 240), 1.0, 0.0))
    inside = (angle > 360.0) & (angle < 540.0)
    return np.asarray(np.where(inside, np.sin(np.pi * (angle - 360.0) / 180.0), 0.0))

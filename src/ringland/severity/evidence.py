"""How well a severity explains the averaged cycles, path and unknowns integrated out.

Equations: docs/theory/severity.md. Everything is compared in the logarithm of the harmonics, where
an unknown path only adds.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve, solve_triangular
from scipy.special import exp1

from ringland.model._arrays import BoolArray, FloatArray
from ringland.severity.emulator import HARMONICS, FaultCycles, turned
from ringland.severity.measured import MeasuredChannel
from ringland.severity.path import path_covariance, path_mean

__all__ = ["Explanation", "explain", "with_paths"]

ComplexArray = NDArray[np.complex128]

_DISCREPANCY = 0.5
"""Relative error of every simulated harmonic (standard deviation of its logarithm)."""
_FLOOR = 0.01
"""Error of every simulated harmonic, of the largest one."""
_ROUNDS = 2
_HEARD, _FEWEST_SHARED, _CLOSE = 4.0, 2, 0.1
_FURTHEST = 2.5  # standard deviations an unknown is taken away from usual
_LOG_SIZE, _LOG_PHASE = 0.411, 3.29  # variances when only noise is left: pi^2/24 and pi^2/3


@dataclass(frozen=True, eq=False)
class Explanation:
    """One severity against the recording: `log_evidence` and the likeliest `unknown` (q,), in
    standard deviations. After `with_paths` also the path (HARMONICS + 1,) of each channel, complex,
    0 where it is not heard."""

    severity: float
    log_evidence: float
    unknown: FloatArray
    paths: tuple[ComplexArray, ...] = ()


@dataclass(frozen=True, eq=False)
class _Compared:
    """One channel: residual (2 k,) with the phase before delay, columns (c, 2 k), covariance.

    `shared` (k,): True where a sound engine is heard, well above what its cylinders differ by.
    """

    channel: MeasuredChannel
    size: FloatArray
    phase: FloatArray
    moved_phase: FloatArray
    columns: FloatArray
    covariance: FloatArray
    shared: BoolArray


def explain(
    channels: Sequence[MeasuredChannel],
    cycles: FaultCycles,
    severity: float,
    start: FloatArray | None = None,
) -> Explanation:
    """Evidence of one severity, by repeated linearisation in the unknowns (eqs 6 to 8).

    `start`: the unknowns of a neighbouring severity, to begin from.
    """
    lines = cycles.at(severity)
    change = cycles.change_at(lines)
    unknown = cycles.centre if start is None else start
    for _ in range(_ROUNDS):
        parts = [_compared(c, cycles, lines, change, unknown) for c in channels]
        columns = np.concatenate([p.columns for p in parts], axis=1)
        covariance = _together(parts, columns)
        residual, _, log_prior = _with_delays(parts, covariance)
        factor = cho_factor(covariance, lower=True, check_finite=False)
        weight = cho_solve(factor, residual, check_finite=False)
        log_evidence = float(log_prior - 0.5 * residual @ weight - np.log(np.diag(factor[0])).sum())
        unknown = np.clip(columns[: len(change)] @ weight, -_FURTHEST, _FURTHEST)
    return Explanation(severity, log_evidence, unknown)


def with_paths(
    channels: Sequence[MeasuredChannel], cycles: FaultCycles, found: Explanation
) -> Explanation:
    """The same with the path of each channel, for drawing (eq 10)."""
    lines = cycles.at(found.severity)
    change = cycles.change_at(lines)
    parts = [_compared(c, cycles, lines, change, found.unknown) for c in channels]
    columns = np.concatenate([p.columns for p in parts], axis=1)
    residual, delays, _ = _with_delays(parts, _together(parts, columns))
    left = residual - columns[: len(change)].T @ found.unknown
    return replace(found, paths=_paths(parts, left, delays))


def _together(parts: Sequence[_Compared], columns: FloatArray) -> FloatArray:
    """Covariance of all channels: the unknowns and the healthy spread are the same for all."""
    covariance = columns.T @ columns
    first = 0
    for part in parts:
        last = first + len(part.covariance)
        covariance[first:last, first:last] += part.covariance
        first = last
    return np.asarray(covariance)


def _compared(
    channel: MeasuredChannel,
    cycles: FaultCycles,
    lines: ComplexArray,
    change: ComplexArray,
    unknown: FloatArray,
) -> _Compared:
    """Logarithm of measured over simulated, and its uncertainty, of one channel (eqs 5 and 6)."""
    k, row = channel.harmonic, channel.row
    source, slopes = lines[row, k], change[:, row, k]
    moved = source + (unknown - cycles.centre) @ slopes
    floor = (_FLOOR * float(np.abs(source).max())) ** 2
    spread = turned(cycles.spread[:, row][:, k], k, cycles.engine)
    power = np.maximum(np.abs(moved) ** 2, 1e-4 * floor)
    moved = np.where(np.abs(moved) > 0.0, moved, np.sqrt(power))
    differing = (np.abs(spread) ** 2).sum(axis=0) + floor
    clear = power / differing
    # of a logarithm's slope, so that its variance is never more than that of noise alone
    kept = np.sqrt(clear / (clear + 0.5 / _LOG_SIZE))
    linear = np.concatenate([slopes, spread]) / moved * kept
    ratio = np.log(channel.line) - np.log(moved)
    shift = (unknown @ slopes) / moved * kept
    mean = path_mean(channel.frequency_hz, channel.prior)
    count = len(k)
    noise = 0.5 * channel.noise / np.abs(channel.line) ** 2 + _DISCREPANCY**2
    noise = noise + 0.5 * floor / power * kept**2
    turned_away = 1.0 / (1.0 / _LOG_PHASE + 2.0 * clear) - 1.0 / (1.0 / _LOG_SIZE + 2.0 * clear)
    return _Compared(
        channel,
        ratio.real - 0.5 * exp1(np.maximum(clear, 1e-4)) - mean[:count] + shift.real,
        ratio.imag - mean[count:],
        shift.imag,
        np.concatenate([linear.real, linear.imag], axis=1),
        channel.covariance + np.diag(np.concatenate([noise, noise + turned_away])),
        np.asarray(np.abs(cycles.lines[0, row, k]) ** 2 > _HEARD * differing),
    )


def _with_delays(
    parts: Sequence[_Compared], covariance: FloatArray
) -> tuple[FloatArray, list[float], float]:
    """Residuals with the likeliest delay of each channel, phases wrapped; and the delays."""
    residuals, delays, log_prior, start = [], [], 0.0, 0
    for part in parts:
        channel = part.channel
        stop = start + len(part.covariance)
        turn = 2.0 * np.pi * np.outer(channel.frequency_hz, channel.delay_s)
        phase = np.angle(np.exp(1j * (part.phase[:, None] + turn))) + part.moved_phase[:, None]
        tried = np.concatenate([np.repeat(part.size[:, None], len(channel.delay_s), axis=1), phase])
        own = np.linalg.cholesky(covariance[start:stop, start:stop])
        misfit = (solve_triangular(own, tried, lower=True, check_finite=False) ** 2).sum(axis=0)
        best = int(np.argmax(channel.delay_prior - 0.5 * misfit))
        residuals.append(tried[:, best])
        delays.append(float(channel.delay_s[best]))
        log_prior += float(channel.delay_prior[best])
        start = stop
    return np.concatenate(residuals), delays, log_prior


def _paths(
    parts: Sequence[_Compared], left: FloatArray, delays: Sequence[float]
) -> tuple[ComplexArray, ...]:
    """The likeliest path of each channel at every harmonic up to its highest (eq 10).

    Its modulus is kept within one standard deviation of what the shared harmonics alone say, so
    that a path is never bent to explain a fault that is not there.
    """
    found, start = [], 0
    for part, delay_s in zip(parts, delays, strict=True):
        channel = part.channel
        stop = start + len(part.covariance)
        harmonic = np.arange(1, int(channel.harmonic[-1]) + 1)
        at_hz = np.asarray(harmonic * channel.cycle_hz, dtype=np.float64)
        count = len(harmonic)
        across = path_covariance(
            channel.frequency_hz, channel.prior, at_hz=at_hz, gain_sd=channel.gain_sd
        )
        own = _pinned(part)
        factor = cho_factor(own, lower=True, check_finite=False)
        g = across @ cho_solve(factor, left[start:stop], check_finite=False)
        size = g[:count]
        if int(part.shared.sum()) >= _FEWEST_SHARED:
            middle, sd = _by_the_shared(part, own, across[:count], left[start:stop], at_hz)
            size = np.clip(size, middle - sd, middle + sd)
        g = path_mean(at_hz, channel.prior) + np.concatenate([size, g[count:]])
        path = np.zeros(HARMONICS + 1, dtype=np.complex128)
        path[harmonic] = np.exp(g[:count] + 1j * (g[count:] - 2.0 * np.pi * at_hz * delay_s))
        found.append(path)
        start = stop
    return tuple(found)


def _pinned(part: _Compared) -> FloatArray:
    """The channel's covariance with the shared harmonics held closely, for drawing."""
    own = part.covariance.copy()
    held = np.where(np.concatenate([part.shared, part.shared]), _DISCREPANCY**2 - _CLOSE**2, 0.0)
    own[np.diag_indices_from(own)] -= held
    return own


def _by_the_shared(
    part: _Compared, own: FloatArray, across: FloatArray, left: FloatArray, at_hz: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Modulus of the path (n,) from the shared harmonics alone, and its standard deviation."""
    channel = part.channel
    both = np.flatnonzero(np.concatenate([part.shared, part.shared]))
    factor = cho_factor(own[np.ix_(both, both)], lower=True, check_finite=False)
    seen = across[:, both]
    middle = seen @ cho_solve(factor, left[both], check_finite=False)
    prior = path_covariance(at_hz, channel.prior, gain_sd=channel.gain_sd)
    explained = np.einsum("ij,ji->i", seen, cho_solve(factor, seen.T, check_finite=False))
    variance = np.diag(prior)[: len(at_hz)] - explained
    return middle, np.sqrt(np.maximum(variance, 0.01))

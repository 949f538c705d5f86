"""Each cylinder's own pulse: separation of overlapping pulses and their size in every cycle.

See docs/theory/separation.md. The signal is taken as a sum of one common pulse shape, placed where
each cylinder is heard and scaled by that cylinder's strength in that cycle; the strengths of all
firings of the recording follow from one linear least-squares problem.
"""

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from ringland.model import AngleSignal, CylinderShare

__all__ = ["PulsePlace", "cylinder_share", "place_pulse"]

FloatArray = NDArray[np.float64]

_COARSE = 240  # columns per cycle used in the least-squares problem
_RIDGE = 0.03  # pulls ill-determined strengths towards 1, as a share of one pulse's energy


@dataclass(frozen=True)
class PulsePlace:
    """Where the common pulse sits: `arrival_deg` after a cylinder's firing top dead centre (its
    steepest rise), and `common` (angles,): the mean of all cylinders, each aligned to its own
    firing top dead centre."""

    arrival_deg: float
    common: FloatArray


def place_pulse(
    cycle: FloatArray, heard_deg: FloatArray, cycle_deg: float, expected_deg: float
) -> PulsePlace:
    """Align all cylinders and find the steepest rise nearest the expected arrival.

    `cycle` (angles,): averaged cycle. For even firing the common pulse repeats every firing
    interval, and the repeat nearest to `expected_deg` is taken.
    """
    points = len(cycle)
    step = cycle_deg / points
    common = np.zeros(points)
    for angle in heard_deg:
        common += np.roll(cycle, -round(angle / step))
    common = common / len(heard_deg) - cycle.mean()
    interval = cycle_deg / len(heard_deg)
    width = max(3, round(0.12 * interval / step))
    rise = np.gradient(_smooth(common, width))
    offset = (
        np.arange(points) * step - expected_deg + 0.5 * cycle_deg
    ) % cycle_deg - 0.5 * cycle_deg
    # a smooth preference for the expected place, wide against its uncertainty
    preference = np.exp(-0.5 * (offset / (0.75 * interval)) ** 2)
    arrival = float(np.argmax((rise - rise.min()) * preference) * step)
    return PulsePlace(arrival, common)


def _smooth(values: FloatArray, width: int) -> FloatArray:
    n = len(values)
    kernel = np.zeros(n)
    window = np.hanning(width + 2)[1:-1]
    kernel[: len(window)] = window / window.sum()
    kernel = np.roll(kernel, -(len(window) // 2))
    return np.asarray(scipy.fft.irfft(scipy.fft.rfft(values) * scipy.fft.rfft(kernel), n))


def cylinder_share(
    signal: AngleSignal,
    positions: tuple[int, ...],
    heard_deg: FloatArray,
    cycle_deg: float,
    place: PulsePlace,
) -> CylinderShare:
    """Windows and per-cycle strengths of every position one channel hears."""
    points = signal.values.shape[1]
    step = cycle_deg / points
    interval = cycle_deg / len(positions)
    before = round(0.5 * interval / step)
    after = round(1.0 * interval / step)
    window_deg = np.arange(-before, after) * step
    windows = np.empty((len(positions), len(window_deg)))
    errors = np.empty_like(windows)
    for row, angle in enumerate(heard_deg):
        index = (round((angle + place.arrival_deg) / step) + np.arange(-before, after)) % points
        windows[row] = signal.mean[index]
        errors[row] = signal.standard_error[index]
    strength = _strengths(signal, heard_deg, cycle_deg, place)
    return CylinderShare(
        signal.channel,
        signal.role,
        positions,
        window_deg,
        windows,
        errors,
        np.median(windows, axis=0),
        strength,
    )


def _pulse_template(place: PulsePlace, heard: int, cycle_deg: float) -> FloatArray:
    """The common pulse on the coarse grid, tapered to about one and a half firing intervals."""
    points = len(place.common)
    ratio = points // _COARSE
    coarse = place.common[: _COARSE * ratio].reshape(_COARSE, ratio).mean(axis=1)
    step = cycle_deg / _COARSE
    interval = cycle_deg / heard
    offset = (np.arange(_COARSE) * step - place.arrival_deg + 0.25 * cycle_deg) % cycle_deg
    offset -= 0.25 * cycle_deg
    # rises from half an interval before the arrival, falls until one interval after it
    centre, half = 0.25 * interval, 0.75 * interval
    taper = np.where(
        np.abs(offset - centre) < half, 0.5 + 0.5 * np.cos(np.pi * (offset - centre) / half), 0.0
    )
    if heard == 1:
        taper = np.ones(_COARSE)
    return np.asarray(coarse * taper)


def _strengths(
    signal: AngleSignal, heard_deg: FloatArray, cycle_deg: float, place: PulsePlace
) -> FloatArray:
    """Strength of each position in each cycle (cycles, positions); the median is scaled to 1.

    NaN where a pulse falls outside the recording.
    """
    cycles, points = signal.values.shape
    heard = len(heard_deg)
    template = _pulse_template(place, heard, cycle_deg)
    energy = float(template @ template)
    if energy <= 0.0:
        return np.ones((cycles, heard))
    ratio = points // _COARSE
    coarse = signal.values[:, : _COARSE * ratio].reshape(cycles, _COARSE, ratio).mean(axis=2)
    coarse = coarse - coarse.mean()
    index = np.asarray(signal.cycle_index)
    strength = np.empty((cycles, heard))
    reach = (place.arrival_deg + 0.5 * cycle_deg / heard) / cycle_deg
    # runs of neighbouring cycles are solved together, so that a pulse may cross a cycle's end
    breaks = np.flatnonzero(np.diff(index) != 1) + 1
    for run in np.split(np.arange(cycles), breaks):
        strength[run] = _solve_run(coarse[run], template, heard_deg / cycle_deg, energy, reach)
    middle = float(np.nanmedian(strength))
    return strength / middle if abs(middle) > 0.2 else strength


def _solve_run(
    rows: FloatArray, template: FloatArray, place_turns: FloatArray, energy: float, reach: float
) -> FloatArray:
    """Least squares for one run of neighbouring cycles, (cycles, positions).

    The cycle before the run has unknowns of its own, since its late pulses are heard in the run.
    """
    cycles, columns = rows.shape
    heard = len(place_turns)
    y = rows.ravel()
    size = scipy.fft.next_fast_len(len(y) + 2 * columns, real=True)
    padded = np.zeros(size)
    padded[columns : columns + len(y)] = y
    wrapped = np.zeros(size)
    wrapped[:columns] = template
    match = scipy.fft.irfft(scipy.fft.rfft(padded) * np.conj(scipy.fft.rfft(wrapped)), size)
    auto = scipy.fft.irfft(np.abs(scipy.fft.rfft(np.pad(template, (0, columns)))) ** 2)
    turns = np.arange(cycles + 1)[:, None] + place_turns[None, :]
    where = turns.ravel() * columns
    c = _read(match, where)
    lag = np.abs(where[:, None] - where[None, :])
    gram = np.where(lag < columns, _read(auto, lag % len(auto)), 0.0)
    gram[np.diag_indices_from(gram)] += _RIDGE * energy
    solution = np.linalg.solve(gram, c + _RIDGE * energy).reshape(cycles + 1, heard)
    outside = turns - 1.0 + reach > cycles
    return np.asarray(np.where(outside, np.nan, solution)[1:])


def _read(values: FloatArray, position: FloatArray) -> FloatArray:
    low = np.floor(position).astype(np.int64)
    part = position - low
    n = len(values)
    return np.asarray(values[low % n] * (1.0 - part) + values[(low + 1) % n] * part)

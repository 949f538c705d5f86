"""Each cylinder's own blow-down: where it is heard and how high it stands in every cycle.

See docs/theory/separation.md. At idle the tailpipe mostly hears the gas that the pistons push out,
which a weak cylinder pushes as well as a sound one; what tells cylinders apart is short: the
blow-down, and the suction that takes its place when there was little to burn. The signal is
therefore filtered to events of that length, and each cylinder's level is read where its blow-down
is due.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from ringland.cylinders.orders import shared_part
from ringland.model import AngleSignal, CylinderShare
from ringland.signals import column_medians, median

__all__ = ["PulsePlace", "cylinder_share", "place_blow_down", "place_pulse"]

FloatArray = NDArray[np.float64]

_EVENT_SD_DEG = 14.0  # length of a blow-down, as the standard deviation of a Gaussian
_AROUND_SHARE = 0.45  # the surroundings it is held against, in firing intervals
_PRIOR_WEIGHT = 0.35  # the expected place against a clear event elsewhere
_REACH_SD = 2.5
_LEAST_EVENT = 4.0  # an event this many standard errors high may move the place
_LEAST_SIZE = 0.35  # of the shared swing: the unit of strength is never smaller


@dataclass(frozen=True)
class PulsePlace:
    """Where a cylinder is heard, degrees after its firing top dead centre; `moved` says whether
    an event in the signal, rather than the expectation alone, put it there, and `clear` how many
    standard errors high that is."""

    arrival_deg: float
    moved: bool
    clear: float = 0.0


@lru_cache(maxsize=8)  # the channels of a recording mostly ask for the same
def _event_filter(step_deg: float, interval_deg: float, size: int) -> FloatArray:
    """Spectrum of the difference of two Gaussians: an event less its surroundings, (size//2+1,)."""
    around = max(_AROUND_SHARE * interval_deg, 1.8 * _EVENT_SD_DEG)
    offset = (np.arange(size) * step_deg + size * step_deg / 2) % (size * step_deg)
    offset -= size * step_deg / 2
    narrow = np.exp(-0.5 * (offset / _EVENT_SD_DEG) ** 2)
    wide = np.exp(-0.5 * (offset / around) ** 2)
    event = scipy.fft.rfft(narrow / narrow.sum() - wide / wide.sum())
    weight: FloatArray = event.real.copy()  # symmetric in time, hence real
    weight.setflags(write=False)
    return weight


def _filtered(cycle: FloatArray, step_deg: float, interval_deg: float) -> FloatArray:
    weight = _event_filter(step_deg, interval_deg, len(cycle))
    return np.asarray(scipy.fft.irfft(scipy.fft.rfft(cycle) * weight, len(cycle)))


def place_blow_down(
    signal: AngleSignal,
    heard_deg: FloatArray,
    cycle_deg: float,
    expected_deg: float,
    expected_sd_deg: float | None,
) -> PulsePlace:
    """Where blow-downs are heard: as expected, moved to the clearest event if there is one.

    A cylinder that differs leaves a dip or a rise at its own blow-down; the place and the cylinder
    that explain it best are taken together, the place being likelier near the expectation. Where
    the crank angle counts from an arbitrary start (`expected_sd_deg` None), any place within half a
    firing interval is as likely.
    """
    points = signal.values.shape[1]
    step = cycle_deg / points
    interval = cycle_deg / len(heard_deg)
    mean = signal.values.mean(axis=0)
    common = shared_part(mean, heard_deg, cycle_deg)
    event = -_filtered(mean - common, step, interval)
    spread = signal.values - common
    error = float(
        np.median(np.std(_rows_filtered(spread, step, interval), axis=0))
        / np.sqrt(len(signal.values))
    )
    reach = 0.5 * interval if expected_sd_deg is None else _REACH_SD * expected_sd_deg
    offsets = np.arange(-reach, reach, step * 2.0)
    index = np.round((heard_deg[:, None] + expected_deg + offsets[None, :]) / step).astype(np.int64)
    height = event[index % points]
    scale = max(float(event.std()), error)
    score = height / scale
    if expected_sd_deg is not None:
        score -= _PRIOR_WEIGHT * 0.5 * (offsets / expected_sd_deg)[None, :] ** 2
    row, column = np.unravel_index(int(np.argmax(score)), score.shape)
    if height[row, column] < _LEAST_EVENT * error:
        return PulsePlace(expected_deg % cycle_deg, False)
    return PulsePlace(
        float((expected_deg + offsets[column]) % cycle_deg),
        True,
        float(height[row, column] / (error + 1e-300)),
    )


def _rows_filtered(values: FloatArray, step_deg: float, interval_deg: float) -> FloatArray:
    weight = _event_filter(step_deg, interval_deg, values.shape[1])
    return np.asarray(
        scipy.fft.irfft(scipy.fft.rfft(values, axis=1) * weight, values.shape[1], axis=1)
    )


def place_pulse(
    cycle: FloatArray, heard_deg: FloatArray, cycle_deg: float, expected_deg: float
) -> PulsePlace:
    """The steepest rise of the shared pulse nearest the expected angle."""
    points = len(cycle)
    step = cycle_deg / points
    interval = cycle_deg / len(heard_deg)
    common = shared_part(cycle, heard_deg, cycle_deg)
    rise = np.gradient(_filtered(common, step, interval) + common)
    offset = (np.arange(points) * step - expected_deg + cycle_deg / 2) % cycle_deg - cycle_deg / 2
    preference = np.exp(-0.5 * (offset / (0.5 * interval)) ** 2)
    return PulsePlace(float(np.argmax((rise - rise.min()) * preference) * step), True)


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
    common = shared_part(signal.mean, heard_deg, cycle_deg)
    begin = np.array([round((angle + place.arrival_deg) / step) for angle in heard_deg.tolist()])
    index = (begin[:, None] + np.arange(-before, after)) % points
    windows = signal.mean[index]
    errors = signal.standard_error[index]
    deviation = (signal.mean - common)[index]
    return CylinderShare(
        signal.channel,
        signal.role,
        positions,
        window_deg,
        windows,
        errors,
        np.median(windows, axis=0),
        _strengths(signal, heard_deg, cycle_deg, place, common=common),
        deviation,
    )


def _strengths(
    signal: AngleSignal,
    heard_deg: FloatArray,
    cycle_deg: float,
    place: PulsePlace,
    *,
    common: FloatArray,
) -> FloatArray:
    """Strength of each position in each cycle (cycles, positions), 1 = the usual cylinder.

    The level at the blow-down less that of the usual cylinder, in units of the swing that the
    cylinders share. NaN where the blow-down is heard outside the recording.
    """
    cycles, points = signal.values.shape
    step = cycle_deg / points
    interval = cycle_deg / len(heard_deg)
    size = max(
        float(np.ptp(_filtered(common, step, interval))), _LEAST_SIZE * float(np.ptp(common))
    )
    rest = signal.values - signal.values.mean() - common
    index = np.asarray(signal.cycle_index)
    strength = np.full((cycles, len(heard_deg)), np.nan)
    # runs of neighbouring cycles are filtered together, so that a pulse may cross a cycle's end
    breaks = np.flatnonzero(np.diff(index) != 1) + 1
    for run in np.split(np.arange(cycles), breaks):
        y = rest[run].ravel()
        length = scipy.fft.next_fast_len(len(y) + points, real=True)
        weight = _event_filter(step, interval, length)
        level = scipy.fft.irfft(scipy.fft.rfft(y, length) * weight, length)[: len(y)]
        at = np.arange(len(run))[:, None] * points + np.round(
            (heard_deg[None, :] + place.arrival_deg) / step
        ).astype(np.int64)
        inside = at < len(y) - round(_EVENT_SD_DEG / step)
        strength[run] = np.where(inside, level[np.minimum(at, len(y) - 1)], np.nan)
    if size <= 0.0:
        return np.ones_like(strength)
    usual = column_medians(strength)
    middle = median(usual[~np.isnan(usual)])
    return np.asarray(1.0 + (strength - middle) / size)

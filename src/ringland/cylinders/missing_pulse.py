"""What the cycles with a pulse have over those without it: which are which, and where it begins.

See docs/theory/misfire.md, equations (5) to (8). Two kinds of cycles say by themselves neither
which of them lacks the pulse nor, where pulses lie close together, whose pulse it is. Two things
do: a blow-down begins with a rise of pressure, and a cycle without one slows the crank.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringland.model import ArrivalPrior

__all__ = [
    "FEWEST_OF_A_KIND",
    "MissingPulse",
    "is_elsewhere",
    "late_by",
    "missing_pulse",
    "place_by_missing",
    "slows_by",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_BEFORE_DEG, _AFTER_DEG = 200.0, 120.0  # looked at about the expected arrival
_OWN_BEFORE_DEG, _OWN_AFTER_DEG = 75.0, 75.0
_STEP_DEG = 3.0
_BEGINS_AT = 0.5  # of the greatest difference
_CLEAR = 8.0  # greatest difference over its standard error; the split itself makes one of 3 to 6
_ECHO = 1.5  # differences elsewhere over those at the own arrival
# Half the height stands this long before the arrival, with this standard deviation; places found
# without it err by the second one, or (in one of seven) lie anywhere. Own heuristic, from simulated
# engines.
_AHEAD_DEG, _BEGIN_SD_DEG, _PLACE_SD_DEG = 3.0, 13.0, 25.0
_ASTRAY = 0.15
_LIKELIER = float(np.log(10.0))  # another position must be ten times likelier
FEWEST_OF_A_KIND = 3
"""Cycles with and without the pulse from which the two are held apart."""


@dataclass(frozen=True)
class MissingPulse:
    """The pulse that some cycles lack, seen from the position it was counted at.

    `begins_deg`: where it begins, crank degrees after the position's firing top dead centre.
    `rise`: height of its first lobe over its greatest size, with the sign. `clear`: greatest size
    over the standard error there. `elsewhere`: greatest size over the whole cycle before and after,
    over that near the position's own arrival.
    """

    begins_deg: float
    rise: float
    clear: float
    elsewhere: float


def late_by(
    begins_deg: float, heard_deg: FloatArray, prior: ArrivalPrior, cycle_deg: float
) -> float:
    """By how many degrees a missing pulse that begins at one crank angle is later than the nearest
    position expects its own; `heard_deg` (positions,): firing angles."""
    expected = heard_deg + prior.height_deg - _AHEAD_DEG
    late = (begins_deg - expected + cycle_deg / 2.0) % cycle_deg - cycle_deg / 2.0
    return float(late[np.argmin(np.abs(late))])


def missing_pulse(
    pairs: FloatArray, missing: BoolArray, *, at_deg: float, arrival_deg: float, cycle_deg: float
) -> MissingPulse | None:
    """The mean of the cycles with the pulse less that of those without.

    `pairs` (cycles, 2 x angles): each cycle and the one after it. `at_deg`: firing angle of the
    position, `arrival_deg`: how long after it the pulse is expected. None where there are too few
    cycles of a kind.
    """
    if min(int(missing.sum()), int((~missing).sum())) < FEWEST_OF_A_KIND:
        return None
    points = pairs.shape[1] // 2
    around = np.arange(-cycle_deg / 2.0, cycle_deg / 2.0, _STEP_DEG)
    column = np.round((at_deg + arrival_deg + around) / cycle_deg * points).astype(np.int64)
    seen = (column >= 0) & (column < 2 * points)
    around, column = around[seen], column[seen]
    there, gone = pairs[~missing][:, column], pairs[missing][:, column]
    apart = there.mean(axis=0) - gone.mean(axis=0)
    error = np.sqrt(there.var(axis=0) / len(there) + gone.var(axis=0) / len(gone)) + 1e-300
    near = (around >= -_BEFORE_DEG) & (around < _AFTER_DEG)
    own = (around >= -_OWN_BEFORE_DEG) & (around < _OWN_AFTER_DEG)
    size = np.abs(apart)
    if not near.any() or not own.any() or not size[own].max() > 0.0:
        return None
    within = np.flatnonzero(near)
    largest = int(within[np.argmax(size[within])])
    first = int(within[np.argmax(size[within] > _BEGINS_AT * size[largest])])
    return MissingPulse(
        begins_deg=float(arrival_deg + around[first]),
        rise=_first_lobe(apart[first:]) / float(size[largest]),
        clear=float(size[largest] / error[largest]),
        elsewhere=float(size.max() / size[own].max()),
    )


def is_elsewhere(pulse: MissingPulse) -> bool:
    """True where the two kinds of cycles differ more at other pulses than here, or nowhere clearly:
    whatever comes and goes, it is not the pulse of this position."""
    return pulse.clear < _CLEAR or pulse.elsewhere > _ECHO


def _first_lobe(values: FloatArray) -> float:
    """The extreme value before the sign changes."""
    other = np.flatnonzero(np.sign(values) != np.sign(values[0]))
    lobe = values[: int(other[0])] if other.size else values
    return float(lobe[np.argmax(np.abs(lobe))])


def slows_by(cycle_s: FloatArray, missing: BoolArray) -> float:
    """How much longer the cycle after a missing pulse lasts than the one before it, against what
    the same is after other pulses, in standard errors (Welch's t).

    `cycle_s` (cycles, 3): durations of the cycle before, of the cycle itself, and of the one after.
    0 where there are too few of a kind.
    """
    known = np.isfinite(cycle_s).all(axis=1)
    longer = (cycle_s[:, 2] - cycle_s[:, 0])[known]
    one, other = longer[missing[known]], longer[~missing[known]]
    if min(len(one), len(other)) < FEWEST_OF_A_KIND:
        return 0.0
    error = float(np.sqrt(one.var(ddof=1) / len(one) + other.var(ddof=1) / len(other)))
    return float(one.mean() - other.mean()) / (error + 1e-300)


def place_by_missing(
    pulse: MissingPulse,
    column: int,
    *,
    heard_deg: FloatArray,
    arrival_deg: float,
    prior: ArrivalPrior,
    cycle_deg: float,
) -> float | None:
    """Arrival, degrees after firing top dead centre, with which the pulse counted in `column` is
    that of another position; None where it may well be this one's.

    Every position is asked: what would the arrival be if the pulse were this one's, how likely is
    that for this speed and path, and does it agree with where blow-downs were found. Equation (8).
    `heard_deg` (positions,): firing angles.
    """
    begins = float(heard_deg[column]) + pulse.begins_deg + _AHEAD_DEG
    away = (begins - heard_deg - prior.height_deg + cycle_deg / 2.0) % cycle_deg - cycle_deg / 2.0
    found = away + prior.height_deg - arrival_deg
    expected = -0.5 * away**2 / (prior.sd_deg**2 + _BEGIN_SD_DEG**2)
    agrees = (1.0 - _ASTRAY) * np.exp(-0.5 * (found / _PLACE_SD_DEG) ** 2) / (
        _PLACE_SD_DEG * np.sqrt(2.0 * np.pi)
    ) + _ASTRAY / cycle_deg
    score = expected + np.log(agrees)
    best = int(np.argmax(score))
    if score[best] - score[column] < _LIKELIER:
        return None
    return float((away[best] + prior.height_deg) % cycle_deg)

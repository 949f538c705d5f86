"""Which cycles lack the pulse, and whose pulse it is, on made signals with known truth."""

import numpy as np
import pytest
import scipy.stats

from ringland.cylinders.misfire import _heard_twice, find_kinds
from ringland.cylinders.missing_pulse import missing_pulse, place_by_missing, slows_by
from ringland.model import AngleSignal, ArrivalPrior, ChannelRole

CYCLE_DEG = 720.0
ANGLE = np.arange(0.0, CYCLE_DEG, 2.0)
SIX_DEG = np.arange(0.0, 720.0, 120.0)
ODD_DEG = np.array([0.0, 90.0, 240.0, 330.0, 480.0, 570.0])  # odd-firing V6
ARRIVAL_DEG = 200.0


def made(
    heard_deg: np.ndarray, gone: np.ndarray, arrival_deg: float = ARRIVAL_DEG, sign: float = 1.0
) -> AngleSignal:
    """A rise, then a trough, for every firing; nothing where one is gone; some noise."""
    rng = np.random.default_rng(1)
    cycles = len(gone)
    time = (np.arange(cycles)[:, None] * CYCLE_DEG + ANGLE[None, :]).ravel()
    heights = np.where(gone, 0.0, 1.0) * (1.0 + 0.05 * rng.standard_normal(gone.shape))
    sound = 0.05 * rng.standard_normal(time.size)
    for cycle in range(cycles):
        for at, height in zip(heard_deg, heights[cycle], strict=True):
            away = time - cycle * CYCLE_DEG - at - arrival_deg
            bell = np.exp(-0.5 * (away / 15.0) ** 2)
            sound += height * (bell - 0.4 * np.exp(-0.5 * ((away - 60.0) / 20.0) ** 2))
    rows = sign * sound.reshape(cycles, -1)
    return AngleSignal(
        "exhaust", ChannelRole.EXHAUST, "Pa", ANGLE, rows, np.median(rows, axis=0),
        np.full(len(ANGLE), 0.01), rows.min(axis=0), rows.max(axis=0), tuple(range(cycles)),
    )  # fmt: skip


def gone_at(position: int, share: float, positions: int, cycles: int = 80) -> np.ndarray:
    rng = np.random.default_rng(position)
    gone = np.zeros((cycles, positions), dtype=bool)
    gone[:, position] = rng.random(cycles) < share
    return gone


@pytest.mark.parametrize("share", [0.25, 0.75])
@pytest.mark.parametrize("position", [0, 3, 5])
def test_the_kind_without_the_rise_is_missing(position: int, share: float) -> None:
    """A blow-down is a rise of pressure (Heywood, Internal Combustion Engine Fundamentals, 6.2)."""
    gone = gone_at(position, share, 6)
    kinds = find_kinds(made(SIX_DEG, gone), ARRIVAL_DEG, SIX_DEG, None)
    assert kinds is not None
    assert kinds.clearest == position
    assert np.array_equal(kinds.missing[:, position], gone[:-1, position])


def test_the_crank_overrules_a_sensor_wired_the_wrong_way_round() -> None:
    """A cycle without work is followed by a slower one (Newton); the sign of the signal is not
    asked then."""
    gone = gone_at(2, 0.3, 6)
    signal = made(SIX_DEG, gone, sign=-1.0)
    rng = np.random.default_rng(5)
    lost = np.concatenate([[0.0], gone[:-1, 2]])  # the cycle after it is the slow one
    cycle_s = 0.15 * (1.0 + 0.01 * lost + 0.001 * rng.standard_normal(len(gone)))
    plain = find_kinds(signal, ARRIVAL_DEG, SIX_DEG, None)
    timed = find_kinds(signal, ARRIVAL_DEG, SIX_DEG, cycle_s)
    assert plain is not None and timed is not None
    assert np.array_equal(timed.missing[:, 2], gone[:-1, 2])
    assert np.array_equal(plain.missing[:, 2], ~gone[:-1, 2])


def test_slowing_is_welchs_t() -> None:
    """scipy.stats.ttest_ind with unequal variances."""
    rng = np.random.default_rng(3)
    missing = rng.random(60) < 0.4
    cycle_s = rng.normal(0.1, 0.001, (60, 3)) + np.outer(missing, [0.0, 0.0, 0.001])
    longer = cycle_s[:, 2] - cycle_s[:, 0]
    theirs = scipy.stats.ttest_ind(longer[missing], longer[~missing], equal_var=False)
    assert slows_by(cycle_s, missing) == pytest.approx(float(theirs.statistic), abs=1e-9)


def test_too_few_cycles_of_a_kind_say_nothing() -> None:
    missing = np.zeros(30, dtype=bool)
    missing[4] = True
    signal = made(SIX_DEG, np.zeros((31, 6), dtype=bool))
    pairs = np.concatenate([signal.values[:-1], signal.values[1:]], axis=1)
    assert missing_pulse(pairs, missing, at_deg=0.0, arrival_deg=200.0, cycle_deg=720.0) is None
    assert slows_by(np.full((30, 3), 0.1), missing) == 0.0


@pytest.mark.parametrize("position", range(6))
def test_where_the_missing_pulse_begins_tells_whose_it_is(position: int) -> None:
    """Taken for the next one's because the arrival was guessed 60 degrees early, on an odd-firing
    engine; the path's own expectation and the beginning of the pulse put it right."""
    gone = gone_at(position, 0.4, 6)
    signal = made(ODD_DEG, gone, arrival_deg=265.0)
    prior = ArrivalPrior(133.0, 233.0, 265.0, 165.0, 15.0)
    pairs = np.concatenate([signal.values[:-1], signal.values[1:]], axis=1)
    taken_for = (position + 1) % 6
    step = (ODD_DEG[taken_for] - ODD_DEG[position]) % CYCLE_DEG
    guessed = 265.0 - step + 20.0
    turn = CYCLE_DEG if taken_for < position else 0.0
    pulse = missing_pulse(
        pairs,
        gone[:-1, position],
        at_deg=ODD_DEG[taken_for] + turn,
        arrival_deg=guessed,
        cycle_deg=CYCLE_DEG,
    )
    assert pulse is not None
    moved = place_by_missing(
        pulse, taken_for, heard_deg=ODD_DEG, arrival_deg=guessed, prior=prior, cycle_deg=CYCLE_DEG
    )
    assert moved == pytest.approx(265.0, abs=20.0)
    kept = missing_pulse(
        pairs, gone[:-1, position], at_deg=ODD_DEG[position], arrival_deg=265.0, cycle_deg=CYCLE_DEG
    )
    assert kept is not None
    assert (
        place_by_missing(
            kept, position, heard_deg=ODD_DEG, arrival_deg=265.0, prior=prior, cycle_deg=CYCLE_DEG
        )
        is None
    )


@pytest.mark.parametrize(("position", "heard"), [(5, 0), (0, 5), (2, 1)])
def test_a_pulse_heard_at_its_neighbour_too_is_counted_once(position: int, heard: int) -> None:
    """Around the end of the cycle the neighbour's cycle is the next one, or the one before."""
    rng = np.random.default_rng(2)
    missing = np.zeros((60, 6), dtype=bool)
    missing[:, position] = rng.random(60) < 0.4
    later = round((ODD_DEG[position] - ODD_DEG[heard]) / CYCLE_DEG)
    missing[:, heard] = np.roll(missing[:, position], later)
    missing[[0, -1], heard] = False
    separation = np.full(6, 3.0)
    separation[[position, heard]] = 9.0, 6.0
    twice = _heard_twice(separation, missing, np.arange(60), ODD_DEG, CYCLE_DEG)
    assert twice == {heard: position}


@pytest.mark.parametrize("width_deg", [15.0, 40.0])
@pytest.mark.parametrize("share", [0.2, 0.4])
def test_a_few_dozen_cycles_are_enough(width_deg: float, share: float) -> None:
    """Two seconds at idle hold a dozen cycles, five seconds some thirty: pulses that are plainly
    missing are counted, and explained away neither by chance nor by their own beginnings."""
    rng = np.random.default_rng(int(width_deg))
    cycles, heard = 26, 180.0 * np.arange(4.0)
    gone = np.zeros((cycles, 4), dtype=bool)
    gone[rng.choice(cycles - 1, round(share * cycles), replace=False), 1] = True
    time = (np.arange(cycles)[:, None] * CYCLE_DEG + ANGLE[None, :]).ravel()
    heights = np.where(gone, 0.0, 1.0) * (1.0 + 0.06 * rng.standard_normal(gone.shape))
    sound = 0.03 * rng.standard_normal(time.size)
    for cycle in range(cycles):
        for at, height in zip(heard, heights[cycle], strict=True):
            away = time - cycle * CYCLE_DEG - at - ARRIVAL_DEG
            sound += height * np.exp(-0.5 * (away / width_deg) ** 2)
    rows = sound.reshape(cycles, -1)
    signal = AngleSignal(
        "exhaust", ChannelRole.EXHAUST, "Pa", ANGLE, rows, np.median(rows, axis=0),
        np.full(len(ANGLE), 0.01), rows.min(axis=0), rows.max(axis=0), tuple(range(cycles)),
    )  # fmt: skip
    kinds = find_kinds(signal, ARRIVAL_DEG, heard, None)
    assert kinds is not None
    assert np.array_equal(kinds.missing, gone[:-1])

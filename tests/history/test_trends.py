"""Slope, change points and time to limit: against scipy, by hand, and by how often they hold."""

import itertools

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from ringland.history.trends import (
    Event,
    Point,
    Wording,
    against_others,
    fan,
    theil_sen,
    told_range,
    trend,
    welch,
)
from ringland.model import Sense

# Student (1908), two soporifics on ten patients (R's data set sleep); R prints t = -1.8608,
# df = 17.776, p = 0.07939, interval -3.365 to 0.205 for group 1 less group 2.
SLEEP_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SLEEP_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def test_welch_on_students_sleep_data() -> None:
    difference, error, degrees, p = welch(SLEEP_1, SLEEP_2)
    assert difference / error == pytest.approx(1.8608135, abs=1e-6)
    assert degrees == pytest.approx(17.776474, abs=1e-5)
    assert p == pytest.approx(0.0793941, abs=1e-6)
    half = scipy.stats.t.ppf(0.975, degrees) * error
    assert (difference - half, difference + half) == pytest.approx(
        (-0.2054832, 3.3654832), abs=1e-5
    )
    reference = scipy.stats.ttest_ind(SLEEP_2, SLEEP_1, equal_var=False)
    assert p == pytest.approx(reference.pvalue, rel=1e-9)


def test_theil_sen_by_hand() -> None:
    # slopes of all pairs of (0, 1), (1, 2), (2, 9), (3, 4): 1, 4, 1, 7, 1, -5; median 1
    slope, low, high, intercept = theil_sen([0, 1, 2, 3], [1, 2, 9, 4])
    assert slope == 1.0
    assert intercept == pytest.approx(3.0 - 1.5)
    assert (low, high) == (-5.0, 7.0)


def points(values: list[float], step: float = 1000.0, error: float = 0.0) -> list[Point]:
    return [Point(step * i, v, error) for i, v in enumerate(values)]


def test_few_visits_give_no_trend_but_a_reason() -> None:
    found = trend(points([1.0, 2.0]), unit="1", x_unit="km", sense=Sense.HIGH, limit=5.0)
    assert not found.has_trend
    assert not found.slope.known
    assert found.sentence == "No trend is told: 2 visits, 5 are needed."


def test_a_flat_line_with_scatter_has_no_trend() -> None:
    found = trend(
        points([0.1, -0.2, 0.15, -0.1, 0.05, -0.05, 0.0]),
        unit="1", x_unit="km", sense=Sense.HIGH, limit=1.0,
    )  # fmt: skip
    assert not found.has_trend
    assert "may be nothing" in found.sentence
    assert fan(found, 6000.0) == ()


def test_time_to_limit_of_an_exact_line() -> None:
    found = trend(
        points([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6]),
        unit="1", x_unit="km", sense=Sense.HIGH, limit=1.0, per=1000.0,
    )  # fmt: skip
    assert found.slope.value == pytest.approx(0.1)
    assert found.to_limit.value == pytest.approx(4000.0)
    assert found.to_limit.low == pytest.approx(4000.0)


def test_away_from_the_limit_is_said() -> None:
    found = trend(
        points([0.6, 0.5, 0.4, 0.3, 0.2, 0.1]), unit="1", x_unit="h", sense=Sense.HIGH, limit=1.0
    )
    assert found.has_trend
    assert found.to_limit.reason == "it moves away from the limit"


def test_far_limits_are_not_told() -> None:
    values = [0.01 * i + 0.0005 * (-1) ** i for i in range(8)]
    found = trend(points(values), unit="1", x_unit="km", sense=Sense.HIGH, limit=50.0)
    assert "further than can be told" in (found.to_limit.reason or "")


def test_a_repair_that_shows_starts_anew() -> None:
    rng = np.random.default_rng(5)
    before = 1.0 + 0.02 * rng.standard_normal(6)
    after = 0.1 + 0.02 * rng.standard_normal(5)
    rows = points([*before, *after], error=0.02)
    done = Event(5500.0, "repair", "the ring of cylinder 3 cleaned")
    found = trend(rows, unit="1", x_unit="km", sense=Sense.HIGH, limit=2.0, events=[done])
    change = found.change_points[0]
    assert change.shows
    assert change.change.low is not None and change.change.high is not None
    assert change.change.low < -0.9 < change.change.high
    assert (found.points, found.used_from) == (5, 5500.0)


def test_a_repair_that_did_nothing_does_not() -> None:
    rng = np.random.default_rng(6)
    rows = points(list(0.02 * rng.standard_normal(12)), error=0.02)
    found = trend(
        rows, unit="1", x_unit="km", sense=Sense.HIGH, events=[Event(5500.0, "repair", "new plugs")]
    )
    assert not found.change_points[0].shows
    assert found.points == 12


def test_another_engine_always_starts_anew() -> None:
    rows = points([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.0, 0.01], error=0.05)
    swap = Event(5500.0, "engine_swap", "another engine")
    found = trend(rows, unit="1", x_unit="km", sense=Sense.HIGH, events=[swap])
    assert found.sentence == "No trend is told: 2 visits since another engine, 5 are needed."


def test_intervals_hold_as_often_as_they_say() -> None:
    """300 simulated lines: slope interval 95 %, time to limit at least 90 %, no trend 95 %."""
    rng = np.random.default_rng(11)
    slope_in = limit_in = limited = false_trends = 0
    x = np.arange(12) * 1000.0
    for _ in range(300):
        noise = 0.05 * rng.standard_normal(12)
        rising = trend(
            [Point(a, 5e-5 * a + e, 0.05) for a, e in zip(x, noise, strict=True)],
            unit="1", x_unit="km", sense=Sense.HIGH, limit=1.0, per=1000.0,
        )  # fmt: skip
        assert rising.slope.low is not None and rising.slope.high is not None
        slope_in += rising.slope.low <= 0.05 <= rising.slope.high
        if rising.to_limit.low is not None and rising.to_limit.high is not None:
            limited += 1
            limit_in += rising.to_limit.low <= 20_000.0 - 11_000.0 <= rising.to_limit.high
        flat = trend(
            [Point(a, e, 0.05) for a, e in zip(x, noise, strict=True)],
            unit="1", x_unit="km", sense=Sense.HIGH, limit=1.0,
        )  # fmt: skip
        false_trends += flat.has_trend
    assert slope_in >= 0.92 * 300
    assert limited >= 0.9 * 300
    assert limit_in >= 0.90 * limited
    assert false_trends <= 0.08 * 300


values = st.lists(st.floats(-100.0, 100.0), min_size=5, max_size=12)


@settings(max_examples=40, deadline=None)
@given(values, st.floats(0.5, 2.0), st.floats(-50.0, 50.0))
def test_units_and_offsets_change_nothing_but_themselves(
    y: list[float], gain: float, offset: float
) -> None:
    one = trend(points(y), unit="1", x_unit="km", sense=Sense.BOTH)
    two = trend(points([gain * v + offset for v in y]), unit="1", x_unit="km", sense=Sense.BOTH)
    assert one.slope.value is not None and two.slope.value is not None
    assert two.slope.value == pytest.approx(gain * one.slope.value, rel=1e-6, abs=1e-6)


def test_the_fan_widens() -> None:
    rng = np.random.default_rng(2)
    rows = points(list(0.1 * np.arange(10) + 0.02 * rng.standard_normal(10)), error=0.02)
    found = trend(rows, unit="1", x_unit="km", sense=Sense.HIGH, limit=1.6)
    drawn = fan(found, rows[-1].x)
    width = [high - low for _, low, _, high in drawn]
    assert len(drawn) > 2
    assert all(b >= a for a, b in itertools.pairwise(width))


def test_deviation_from_the_others_drops_what_they_share() -> None:
    visits = [
        [(p, Point(1000.0 * v, gain * (1.0 + (0.4 if p == 3 else 0.0)), 0.01)) for p in range(1, 7)]
        for v, gain in enumerate([1.0, 1.0, 1.0])
    ]
    shifted = [
        [(p, Point(q.x, q.value + 5.0 * v, 0.01)) for p, q in rows] for v, rows in enumerate(visits)
    ]
    one, two = against_others(visits), against_others(shifted)
    for position in range(1, 7):
        assert [p.value for p in one[position]] == pytest.approx([p.value for p in two[position]])
    assert one[3][0].value == pytest.approx(0.4)
    wider = against_others(visits, "crankcase_push")
    assert wider[3][0].standard_error > one[3][0].standard_error
    assert against_others([[(1, Point(0.0, 1.0))]]) == {}


def test_the_sentence_names_the_limit_and_speaks_in_the_unit_shown() -> None:
    found = trend(
        points([0.02 * i for i in range(6)]),
        unit="1", x_unit="km", sense=Sense.HIGH, limit=0.2, per=1000.0,
        wording=Wording("alert limit", 100.0, "%"),
    )  # fmt: skip
    # by hand: 2 % in 1,000 km, now at 10 %, so another 5,000 km to 20 %
    assert found.sentence == (
        "It moves by +2.00 (+2.00 to +2.00) % in 1\N{NO-BREAK SPACE}000 km and reaches the alert "
        "limit of +20 % in "
        "5\N{NO-BREAK SPACE}000 km if it goes on like this."
    )


def test_trouble_on_both_sides_is_met_on_the_side_it_moves_to() -> None:
    falling = [-0.1 * i for i in range(6)]
    both = trend(points(falling), unit="1", x_unit="km", sense=Sense.BOTH, limit=1.0, per=1000.0)
    low = trend(points(falling), unit="1", x_unit="km", sense=Sense.LOW, limit=-1.0, per=1000.0)
    assert both.to_limit == low.to_limit
    assert both.limit == -1.0


def test_a_limit_that_is_passed_is_told_apart_from_no_trend() -> None:
    rising = [0.1 * i for i in range(6)]
    passed = trend(points(rising), unit="1", x_unit="km", sense=Sense.HIGH, limit=0.3)
    assert passed.limit_passed and passed.has_trend and not passed.to_limit.known
    assert not trend(
        points(rising), unit="1", x_unit="km", sense=Sense.HIGH, limit=9.0
    ).limit_passed


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (94_792.0, 320_118.0, "90\N{NO-BREAK SPACE}000 to 320\N{NO-BREAK SPACE}000"),
        (0.0, 30_045.0, "0 to 30\N{NO-BREAK SPACE}000"),
        (0.61, 3.08, "0.6 to 3.1"),
    ],
)
def test_ends_are_written_to_two_figures_of_the_width(low: float, high: float, said: str) -> None:
    """GUM (JCGM 100:2008) 7.2.6, as in the report."""
    assert told_range(low, high) == said

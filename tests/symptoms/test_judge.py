"""States from metric values: false-alarm rate, robustness, and what is not judged."""

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from ringland.metrics import DEFINITIONS
from ringland.model import Estimate, MetricDefinition, MetricTable, MetricValue, State, unknown
from ringland.symptoms import ALARM_RATE, ALERT_RATE, judge_symptoms
from ringland.symptoms.own_cylinders import deviations

STRENGTH = next(d for d in DEFINITIONS if d.id == "exhaust_pulse_strength")
MISFIRE = next(d for d in DEFINITIONS if d.id == "exhaust_misfire_rate")


def values(
    numbers: list[float], error: float = 0.02, definition: MetricDefinition = STRENGTH
) -> tuple[MetricValue, ...]:
    return tuple(
        MetricValue(definition.id, "exhaust", p, Estimate.from_se(x, error, definition.unit), error)
        for p, x in enumerate(numbers, start=1)
    )


def table(found: tuple[MetricValue, ...], definition: MetricDefinition = STRENGTH) -> MetricTable:
    return MetricTable((definition,), found)


def states(numbers: list[float], error: float = 0.02) -> list[State]:
    found = judge_symptoms(table(values(numbers, error)))
    return [found.state_of(p) for p in range(1, len(numbers) + 1)]


def test_a_dead_cylinder_is_in_alarm_and_the_others_are_not() -> None:
    assert states([1.0, 0.0, 1.02, 0.99]) == [
        State.NORMAL,
        State.ALARM,
        State.NORMAL,
        State.NORMAL,
    ]


def test_a_strong_pulse_is_no_symptom() -> None:
    """Strength is judged towards the low side only."""
    assert State.ALARM not in states([1.0, 3.0, 1.0, 1.0, 1.0, 1.0])


def test_a_small_deviation_however_certain_is_normal() -> None:
    assert states([1.0, 0.95, 1.0, 1.0], error=1e-4) == [State.NORMAL] * 4


def test_a_large_deviation_that_is_not_certain_is_no_alarm() -> None:
    assert State.ALARM not in states([1.0, 0.4, 1.0, 1.0], error=0.5)


def test_of_two_the_weaker_is_the_odd_one() -> None:
    assert states([1.0, 0.2]) == [State.NORMAL, State.ALARM]
    assert states([1.05, 0.95]) == [State.NORMAL, State.NORMAL]


def test_one_cylinder_has_nothing_to_compare_with() -> None:
    found = judge_symptoms(table(values([1.0])))
    assert {s.state for s in found.symptoms} == {State.NOT_JUDGED}
    assert all(s.reason for s in found.symptoms)


def test_a_value_that_is_not_known_says_why() -> None:
    known = values([1.0, 1.0, 1.0])
    missing = MetricValue(STRENGTH.id, "exhaust", 4, unknown("1", "3 usable cycles, 4 are needed"))
    found = judge_symptoms(table((*known, missing)))
    assert found.state_of(4) is State.NOT_JUDGED
    assert [s.reason for s in found.symptoms if s.firing_position == 4] == [
        "3 usable cycles, 4 are needed"
    ]


def test_the_tail_is_student_s() -> None:
    """Against scipy.stats.t, for deviations worked by hand: the others show no spread (the declared
    one counts, with 20 degrees of freedom), or more than declared (2 + 3 of freedom)."""
    declared = STRENGTH.healthy_spread
    found = deviations(STRENGTH, values([0.5, 1.0, 1.0, 1.0], error=0.0))[0]
    t = 0.5 / np.sqrt(declared**2 * (1.0 + np.pi / 2.0 / 3.0))
    assert found.p_value == pytest.approx(float(scipy.stats.t.sf(t, 20.0)), rel=5e-3)
    wide = deviations(STRENGTH, values([0.2, 1.0, 1.3, 0.7, 1.0], error=0.0))[0]
    shown = 1.4826 * 0.15  # median of 0, 0.3, 0.3, 0
    t = 0.8 / np.sqrt(shown**2 * (1.0 + np.pi / 2.0 / 4.0))
    assert wide.p_value == pytest.approx(float(scipy.stats.t.sf(t, 5.0)), rel=5e-3)


def test_robust_scale() -> None:
    """MAD of 1, 1, 2, 2, 4, 6, 9 is 1 and stands for a deviation of 1.482602 (normal quantile)."""
    x = np.array([1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0])
    assert float(np.median(np.abs(x - np.median(x)))) == 1.0
    assert 1.0 / scipy.stats.norm.ppf(0.75) == pytest.approx(1.482602218505602, abs=1e-12)
    others = [*x, 100.0]
    found = deviations(STRENGTH, values([float(v) for v in others], error=0.0))[-1]
    t = -(100.0 - 2.0) / np.sqrt(1.4826**2 * (1.0 + 1.57 / 7.0))
    assert found.p_value == pytest.approx(float(scipy.stats.t.sf(t, 8.0)), rel=1e-3)


def test_misfire_rate_is_held_against_its_own_limit() -> None:
    def state(low: float, rate: float, high: float) -> State:
        value = MetricValue(MISFIRE.id, "exhaust", 1, Estimate(rate, low, high, "1", coverage=0.95))
        return judge_symptoms(table((value,), MISFIRE)).state_of(1)

    assert state(0.0, 0.0, 0.1) is State.NORMAL
    assert state(0.005, 0.02, 0.05) is State.NORMAL
    assert state(0.02, 0.05, 0.1) is State.ALERT
    assert state(0.2, 0.3, 0.4) is State.ALARM


@pytest.mark.parametrize("cylinders", [3, 4, 6, 8, 12])
def test_sound_tables_hold_the_stated_rates(cylinders: int) -> None:
    """Healthy spread as declared: alarms in at most 0.5 % of tables, alerts in at most 5 %.

    Bounds allow three standard errors of the count over 600 tables.
    """
    rng = np.random.default_rng(cylinders)
    trials = 600
    alarms = alerts = 0
    for _ in range(trials):
        error = 0.03
        sd = float(np.hypot(STRENGTH.healthy_spread, error))
        found = states(list(1.0 + sd * rng.standard_normal(cylinders)), error)
        alarms += State.ALARM in found
        alerts += State.ALERT in found or State.ALARM in found
    for count, rate in ((alarms, ALARM_RATE), (alerts, ALERT_RATE)):
        assert count <= trials * rate + 3.0 * np.sqrt(trials * rate), (count, rate)


quick = settings(derandomize=True, max_examples=60, deadline=None)
numbers = st.lists(st.floats(-3.0, 3.0), min_size=3, max_size=16)


@quick
@given(x=numbers, error=st.floats(0.0, 1.0))
def test_probabilities_are_probabilities(x: list[float], error: float) -> None:
    found = judge_symptoms(table(values(x, error)))
    assert len(found.symptoms) == len(x)
    for symptom in found.symptoms:
        assert symptom.p_value is not None
        assert 0.0 <= symptom.p_value <= 1.0
        assert symptom.sentence


@quick
@given(x=numbers, shift=st.integers(1, 15), level=st.floats(-2.0, 2.0))
def test_order_and_level_do_not_matter(x: list[float], shift: int, level: float) -> None:
    a = deviations(STRENGTH, values(x))
    turned = x[shift % len(x) :] + x[: shift % len(x)]
    b = deviations(STRENGTH, values([v + level for v in turned]))
    mine = sorted(d.towards for d in a)
    assert mine == pytest.approx(sorted(d.towards for d in b), abs=1e-9)


def test_more_than_a_pulse_lacking_needs_a_witness() -> None:
    """A pulse and a suction as deep are two of its heights; more than that is overlap."""
    found = judge_symptoms(table(values([1.0, -2.0, 1.02, 0.99, 1.0])))
    assert found.state_of(2) is State.ALERT
    assert next(s for s in found.symptoms if s.firing_position == 2).reason.startswith("the pulses")
    missed = values([0.0, 0.9, 0.0, 0.0, 0.0], 0.01, MISFIRE)
    both = MetricTable((STRENGTH, MISFIRE), (*values([1.0, -2.0, 1.02, 0.99, 1.0]), *missed))
    states_of_two = [s.state for s in judge_symptoms(both).symptoms if s.firing_position == 2]
    assert states_of_two == [State.ALARM, State.ALARM]

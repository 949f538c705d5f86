"""Rates, durations and precision of a plan against published formulas and a reference library."""

import json
import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ringland.engines import layout, layouts
from ringland.errors import SettingError
from ringland.instruments.plan import HookUpPlan, make_plan, numbers
from ringland.instruments.plan.as_json import plan_as_json
from ringland.instruments.plan.card import render_card
from ringland.instruments.plan.drawing import HEIGHT, UPRIGHT, WIDTH, prepare, upright
from ringland.instruments.plan.types import Phase
from ringland.model import ChannelRole, Condition, EngineSpec, Fuel

LAYOUTS = tuple(x.id for x in layouts())
CONDITIONS = (Condition.IDLE, Condition.HELD, Condition.SNAP, Condition.CRANKING)


def test_firing_rate_of_a_sixteen_cylinder_engine() -> None:
    # Shannon 1949 applied by hand: 16 cylinders at 6000 rpm fire 800 times a second
    engine = EngineSpec("16", 16, tuple(range(1, 17)), tuple(45.0 * i for i in range(16)))
    assert numbers.cycle_rate_hz(engine, 6000.0) * 16 == pytest.approx(800.0)


def test_one_degree_at_6000_rpm_is_36_thousand_samples() -> None:
    # 6 n / delta: 6000 rpm is 36,000 degrees a second
    assert numbers.angle_rate_hz(6000.0, 1.0) == pytest.approx(36_000.0)


def test_rate_is_above_the_sampling_limit() -> None:
    # Shannon, Proc. IRE 37 (1949) 10: more than two samples per highest frequency
    assert numbers.rate_for_bandwidth_hz(500.0) > 2.0 * 500.0


def test_none_in_200_cycles() -> None:
    # exact binomial 95 % upper limit for 0 of 200: 1 - 0.05^(1/200) = 0.014867 (statsmodels
    # proportion_confint(0, 200, alpha=0.1, method="beta"))
    from statsmodels.stats.proportion import proportion_confint

    assert numbers.upper_rate_when_none(200) == pytest.approx(0.014867, abs=5e-7)
    reference = proportion_confint(0, 200, alpha=0.1, method="beta")[1]
    assert numbers.upper_rate_when_none(200) == pytest.approx(reference, rel=1e-9)


def test_rule_of_three() -> None:
    # Hanley and Lippman-Hand, JAMA 249 (1983) 1743: about 3 / n for none in n
    for n in (100, 300, 1000):
        assert numbers.upper_rate_when_none(n) == pytest.approx(3.0 / n, rel=0.02)


def test_cycles_for_a_precision() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods 7.2.2.2: N >= (z / delta)^2 sigma^2, here
    # with the variance of a median, pi / 2 times that of a mean
    from scipy.stats import norm

    z = float(norm.isf(0.05))
    assert numbers.cycles_for(0.05) == math.ceil((z / 0.05) ** 2 * 0.10**2 * math.pi / 2)


def test_smallest_fault_tends_to_the_normal_sample_size_formula() -> None:
    # Where the spread is known because there are very many cylinders, (7) must be the size with
    # N = (z_a + z_b)^2 (sigma / delta)^2 (e-Handbook 7.2.2.2): held against statsmodels' power
    from scipy.stats import norm, t
    from statsmodels.stats.power import normal_power

    many = 10**6
    found = numbers.smallest_fault(5, many, scatter=1.0).value
    assert found is not None
    spread = math.sqrt(0.065**2 + math.pi / 2 / 5)
    alpha = float(norm.sf(t.isf(0.05 / (7 * many), many)))
    power = normal_power(found / spread, 1, alpha, alternative="larger")
    assert power == pytest.approx(0.9, abs=1e-4)


@given(st.integers(3, 5000), st.integers(3, 16))
def test_more_cycles_never_see_less(cycles: int, cylinders: int) -> None:
    few = numbers.smallest_fault(cycles, cylinders).value
    many = numbers.smallest_fault(cycles + 1, cylinders).value
    assert few is not None and many is not None
    assert many <= few
    assert numbers.half_width(cycles + 1) < numbers.half_width(cycles)
    assert numbers.half_width(numbers.cycles_for(0.04)) <= 0.04


@given(st.floats(1e-3, 1e7))
def test_rounded_rate_is_a_1_2_5_step_not_below(rate: float) -> None:
    rounded = numbers.round_rate_hz(rate)
    assert rate * (1 - 1e-9) <= rounded <= 2.5 * rate * (1 + 1e-9)
    assert re.fullmatch(r"[125]\.0+e[+-]\d+", f"{rounded:.6e}")


def test_two_cylinders_cannot_be_compared() -> None:
    assert numbers.smallest_fault(100, 2).reason


def test_an_alert_at_the_planned_size_is_given_nine_times_in_ten() -> None:
    # the plan's promise, held against the judgement itself on made-up values
    import numpy as np

    from ringland.metrics.exhaust import STRENGTH
    from ringland.model import Estimate, MetricValue
    from ringland.symptoms.own_cylinders import deviations

    rng = np.random.default_rng(7)
    cycles, cylinders, sessions = 50, 6, 400
    size = numbers.smallest_fault(cycles, cylinders).value
    assert size is not None
    error = 0.10 * math.sqrt(math.pi / 2 / cycles)
    seen = 0
    for _ in range(sessions):
        true = 1.0 + 0.065 * rng.standard_normal(cylinders)
        true[2] -= size
        values = true + error * rng.standard_normal(cylinders)
        table = tuple(
            MetricValue(
                STRENGTH.id, "exhaust", p + 1, Estimate.from_se(float(v), error, "1"), error
            )
            for p, v in enumerate(values)
        )
        found = deviations(STRENGTH, table)[2]
        seen += found.p_value < 0.05 / (7 * cylinders) and found.towards >= 0.2
    assert 0.85 < seen / sessions < 0.97


@pytest.mark.parametrize("condition", CONDITIONS)
@pytest.mark.parametrize("identifier", LAYOUTS)
def test_every_layout_has_a_plan_with_its_cautions(identifier: str, condition: Condition) -> None:
    plan = make_plan(layout(identifier).engine, condition)
    assert plan.rate_hz >= max(c.least_rate_hz for c in plan.channels)
    assert plan.duration_s * plan.cycle_rate_hz >= 3
    cautions = " ".join(c for s in plan.steps for c in s.cautions)
    for word in ("Exhaust gas kills", "Hot exhaust", "Rotating parts", "vehicle can move",
                 "Hybrid and high voltage", "Eyes", "Cranking", "Fuel"):  # fmt: skip
        assert word in cautions
    assert "{" not in "".join(s.text for s in plan.steps)
    page = render_card(plan)
    for step in plan.steps:
        for caution in step.cautions:
            assert caution.replace("'", "&#39;") in page
    assert all(len(plan.steps_of(p)) >= 2 for p in Phase)


def a_plan(**fields: object) -> HookUpPlan:
    engine = EngineSpec("a four", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0), **fields)  # type: ignore[arg-type]
    return make_plan(engine, Condition.IDLE)


def test_second_outlet_gets_a_second_sensor() -> None:
    plan = a_plan(outlets=(1, 2, 2, 1))
    assert [c.role for c in plan.channels][:2] == [ChannelRole.EXHAUST, ChannelRole.EXHAUST_2]
    assert "cylinders 2, 3" in plan.channels[1].where


def test_diesel_trigger_is_on_the_injector() -> None:
    text = " ".join(s.text for s in a_plan(fuel=Fuel.DIESEL).steps)
    assert "injector" in text
    assert "spark" not in text


def test_trigger_cylinder_is_the_described_one() -> None:
    plan = a_plan(trigger_cylinder=3)
    drawn = [c.what for c in prepare(plan).circles if c.strong]
    assert "cylinder 3" in drawn
    assert "cylinder 1" not in drawn


@pytest.mark.parametrize("identifier", LAYOUTS)
def test_drawing_shows_every_cylinder_inside_the_paper(identifier: str) -> None:
    drawn = prepare(make_plan(layout(identifier).engine))
    numbers_drawn = {c.text for c in drawn.circles if c.what.startswith("cylinder")}
    assert numbers_drawn == {str(c) for c in range(1, layout(identifier).engine.cylinders + 1)}
    points = [p for line in drawn.lines for p in line.points]
    points += [(c.x, c.y) for c in drawn.circles]
    assert all(0.0 <= x <= WIDTH and 0.0 <= y <= HEIGHT for x, y in points)
    cables = [line for line in drawn.lines if line.style == "cable"]
    assert min(x for line in cables for x, _ in line.points) > 140.0  # belt and fan are left of it


@pytest.mark.parametrize("identifier", LAYOUTS)
def test_drawing_turned_upright_is_the_same_inside_a_narrow_paper(identifier: str) -> None:
    drawn = prepare(make_plan(layout(identifier).engine))
    turned = upright(drawn)
    assert [one.text for one in turned.labels] == [one.text for one in drawn.labels]
    assert [one.what for one in turned.circles] == [one.what for one in drawn.circles]
    points = [p for line in turned.lines for p in line.points]
    points += [(c.x, c.y) for c in turned.circles] + [(t.x, t.y) for t in turned.labels]
    assert all(0.0 < x < UPRIGHT[0] and 0.0 < y < UPRIGHT[1] for x, y in points)


def test_names_are_text_and_nothing_is_fetched() -> None:
    engine = EngineSpec("<script>x</script>", 1, (1,), (0.0,))
    page = render_card(make_plan(engine))
    assert "<script" not in page
    assert not re.search(r"https?://|@import|url\(", page)


def test_json_is_whole_and_plain() -> None:
    data = plan_as_json(a_plan())
    again = json.loads(json.dumps(data, allow_nan=False))
    assert again["schema"] == "ringland.plan/1"
    assert again["channels"][0]["role"] == "exhaust"
    assert again["curve"][0]["smallest_fault"]["unit"] == "1"


@pytest.mark.parametrize("wrong", [{"half_width": 0.0}, {"half_width": float("nan")},
                                   {"speed_rpm": 0.0}, {"speed_rpm": float("inf")}])  # fmt: skip
def test_what_cannot_be_planned_is_refused(wrong: dict[str, float]) -> None:
    engine = layout("I4-1342").engine
    with pytest.raises(SettingError, match="cannot be planned"):
        make_plan(engine, Condition.IDLE, **wrong)


def test_a_plan_needs_a_condition() -> None:
    with pytest.raises(SettingError, match="how the engine will be run"):
        make_plan(layout("I4-1342").engine, Condition.UNKNOWN)

"""Cost of waiting by hand, and the plan against every possible plan."""

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ringland.errors import SettingError
from ringland.history.fleet import VehicleCase, fleet_order, plan_visits, waiting_cost
from ringland.history.waiting import load_waiting, owner_costs

STATED = {
    "labour_rate_per_hour": 100.0,
    "breakdown_cost": 1000.0,
    "extra_visit_cost": 150.0,
    "day_off_road_cost": 0.0,
}
COSTS = owner_costs(STATED)


def bus(name: str, mode: str, probability: float, **more: Any) -> VehicleCase:
    return VehicleCase(
        name, name, ((mode, 3, probability),), 1.0 - probability - 0.02, 0.02, **more
    )


def test_cost_of_waiting_by_hand() -> None:
    # exhaust valve leak: 30 h run on, "days": mean 30 days, a quarter end on the road;
    # not listed: 14 h, "weeks": mean 120 days, a tenth (failure_modes.toml, waiting.toml)
    by_hand = 0.5 * (30 * 100 + 0.25 * 1000) * (1 - math.exp(-10 / 30))
    by_hand += 0.02 * (14 * 100 + 0.1 * 1000) * (1 - math.exp(-10 / 120))
    case = bus("Bus 7", "exhaust_valve_leak", 0.5)
    assert waiting_cost(case, COSTS, 10.0) == pytest.approx(by_hand)
    assert waiting_cost(case, COSTS, 0.0) == 0.0


def test_the_dearest_to_wait_for_comes_first_and_says_why() -> None:
    rows = fleet_order(
        [
            bus("Bus 3", "ring_leak", 0.1, service_in_days=5.0),
            bus("Bus 7", "exhaust_valve_leak", 0.8, service_in_days=60.0),
            bus("Bus 9", "lean_mixture", 0.01),
        ],
        COSTS,
    )
    assert rows[0].name == "Bus 7"
    assert rows[0].bring_in
    assert "leaking exhaust valve in cylinder 3 is 8 in 10 likely" in rows[0].sentence
    assert "bring it in" in rows[0].sentence
    last = next(r for r in rows if r.name == "Bus 9")
    assert "nothing wrong is likely" in last.sentence
    for row in rows:
        assert row.per_day.low is not None and row.per_day.high is not None
        assert row.per_day.low < (row.per_day.value or 0.0) < row.per_day.high


def test_assumed_costs_are_said_to_be_assumed() -> None:
    case = bus("Bus 7", "exhaust_valve_leak", 0.8)
    assert "Costs are assumed" in fleet_order([case], owner_costs())[0].sentence
    assert "assumed" not in fleet_order([case], COSTS)[0].sentence
    assert owner_costs({"breakdown_cost": 5}).assumed == (
        "labour_rate_per_hour",
        "extra_visit_cost",
        "day_off_road_cost",
    )


@pytest.mark.parametrize("stated", [{"labour": 5}, {"breakdown_cost": -1}, {"breakdown_cost": "x"}])
def test_costs_that_are_none_are_refused(stated: dict[str, object]) -> None:
    with pytest.raises(SettingError, match="costs hold something wrong"):
        owner_costs(stated)


def test_probabilities_must_sum_to_one() -> None:
    with pytest.raises(SettingError, match="do not sum to 1"):
        fleet_order([VehicleCase("a", "a", (("ring_leak", 1, 0.9),), 0.9, 0.0)], COSTS)


def test_a_mode_nobody_knows_is_refused() -> None:
    with pytest.raises(SettingError, match="not in the knowledge"):
        fleet_order([VehicleCase("a", "a", (("gremlins", 1, 0.5),), 0.5, 0.0)], COSTS)


def test_every_mode_has_a_cost() -> None:
    book = load_waiting()
    assert all(m.run_on_hours >= 0.0 and m.days > 0.0 for m in book.modes.values())


def random_cases(seed: int, count: int) -> list[VehicleCase]:
    rng = np.random.default_rng(seed)
    modes = [m for m in load_waiting().modes if m != "none_of_these"]
    return [
        bus(f"Bus {i}", str(rng.choice(modes)), float(rng.uniform(0.05, 0.9))) for i in range(count)
    ]


@pytest.mark.parametrize("seed", range(6))
def test_plan_is_the_best_of_all_plans(seed: int) -> None:
    cases, bay = random_cases(seed, 6), [9.0, 6.0]
    found = plan_visits(cases, COSTS, bay_hours=bay)
    rows = {r.vehicle: r for r in fleet_order(cases, COSTS)}
    best = 0.0
    for choice in itertools.product((None, 0, 1), repeat=len(cases)):
        hours, saves = [0.0, 0.0], 0.0
        for case, day in zip(cases, choice, strict=True):
            if day is None:
                continue
            row = rows[case.vehicle]
            hours[day] += max(1.0, row.visit_hours)
            saves += (
                waiting_cost(case, COSTS, row.wait_days)
                - waiting_cost(case, COSTS, float(day))
                - COSTS.extra_visit_cost
            )
        if hours[0] <= bay[0] and hours[1] <= bay[1]:
            best = max(best, saves)
    assert found.saves == pytest.approx(best, rel=2e-4)
    assert found.exact


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.lists(st.floats(0.0, 12.0), min_size=1, max_size=5))
def test_plan_fits_the_bays(seed: int, bay: list[float]) -> None:
    cases = random_cases(seed, 8)
    plan = plan_visits(cases, COSTS, bay_hours=bay)
    for day, hours in enumerate(bay):
        assert sum(v.hours for v in plan.visits if v.day == day) <= hours + 1e-6
    planned = [v.vehicle for v in plan.visits]
    assert len(planned) == len(set(planned))
    assert len(planned) + len(plan.left_out) == len(cases)
    assert all(reason for _, reason in plan.left_out)
    assert all(v.saves > 0.0 for v in plan.visits)


def test_no_hours_no_plan() -> None:
    plan = plan_visits(random_cases(1, 3), COSTS, bay_hours=[0.0])
    assert plan.visits == ()
    with pytest.raises(SettingError, match="bay hours"):
        plan_visits([], COSTS, bay_hours=[])


def test_a_missed_service_is_no_date_to_count_on() -> None:
    """Overdue counts as 30 days without one, and the sentence says so."""
    fault = (("exhaust_valve_leak", 5, 0.6),)
    overdue, planned = (
        VehicleCase("v", "bus", fault, 0.3, 0.1, service_in_days=days) for days in (-20.0, 0.0)
    )
    first, second = (fleet_order([case], owner_costs({}))[0] for case in (overdue, planned))
    assert first.wait_days == 30.0 and (first.until_service.value or 0.0) > 0.0
    assert "was due 20 days ago" in first.sentence
    assert second.until_service.value == 0.0

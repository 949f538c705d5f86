"""The invented fleet: whole, said to be invented, and its stories can be told from the numbers."""

import json
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import jsonschema
import pytest

from ringland.history import (
    Store,
    Vehicle,
    document_of,
    list_analyses,
    list_outcomes,
    list_owners,
    list_vehicles,
    list_visits,
    open_store,
)
from ringland.history.demo import INVENTED, fill_demo_store
from ringland.history.fleet import fleet_order, plan_visits
from ringland.history.insight import (
    calls,
    costs_of,
    fleet_cases,
    fleet_top,
    trends_of,
    vehicle_page,
)
from ringland.history.intake import reanalyse
from ringland.history.safety import verify
from ringland.history.summary import fleet_summary
from ringland.history.track_record import hit_rate
from ringland.report.blocks import Findings, Table

SCHEMA = Path(__file__).parents[2] / "docs" / "analysis.schema.json"


LAST_DAY = date(2026, 10, 30)


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """The demonstration's store."""
    with open_store(tmp_path_factory.mktemp("demo")) as store:
        assert fill_demo_store(store, today=LAST_DAY) > 200
        yield store


def vehicle(store: Store, name: str) -> Vehicle:
    """The vehicle of that name."""
    return next(v for v in list_vehicles(store) if v.name == name)


def test_it_is_whole_and_says_that_it_is_invented(fleet: Store) -> None:
    assert len(list_vehicles(fleet)) == 24
    assert verify(fleet).problems == ()
    assert all(v.remark == INVENTED for v in list_vehicles(fleet))
    assert all(v.remark == INVENTED for v in list_visits(fleet))
    days = [date.fromisoformat(v.visited_on) for v in list_visits(fleet)]
    assert 600 < (max(days) - min(days)).days < 740 and max(days) <= LAST_DAY
    assert fill_demo_store(fleet) == 0, "a store that is not empty is left alone"
    assert reanalyse(fleet, workers=1).analysed == 0, "there is no signal to analyse"


def test_its_documents_are_analyses(fleet: Store) -> None:
    check = jsonschema.Draft202012Validator(json.loads(SCHEMA.read_text()))
    for row in list_analyses(fleet, limit=20):
        document = document_of(fleet, row)
        assert [e.message for e in check.iter_errors(document)] == []
        total = document["healthy"] + document["none_of_these"]
        assert total + sum(c["probability"] for c in document["causes"]) == pytest.approx(1.0)


def test_the_cleaned_ring(fleet: Store) -> None:
    pages = vehicle_page(fleet, vehicle(fleet, "van 21").id)
    states = {p.visit.purpose.value: p.analysis.state for p in pages if p.analysis}
    assert (states["before"], states["after"], states["baseline"]) == ("alarm", "normal", "normal")
    found = trends_of(fleet, vehicle(fleet, "van 21").id, metric="crankcase_push")
    (ring,) = [one for one in found if one.cylinder == 2]
    (change,) = ring.trend.change_points
    assert change.change.high is not None and change.change.high < 0.0


def test_the_valve_that_got_worse(fleet: Store) -> None:
    found = trends_of(fleet, vehicle(fleet, "rural bus 12").id, metric="exhaust_early_pressure")
    (valve,) = [one for one in found if one.cylinder == 5]
    assert valve.trend.has_trend and valve.trend.to_limit.value is not None
    assert valve.limit_name == "alarm limit"  # the alert is passed already
    assert valve.days_to_limit is not None and valve.days_to_limit[1] < 400.0
    assert "alarm limit of +50 % in 0 to 30\N{NO-BREAK SPACE}000 km" in valve.sentence
    assert not any(one.trend.to_limit.known for one in found if one.cylinder != 5)
    order = fleet_order(
        fleet_cases(fleet, today=date(2026, 11, 1)), costs_of(list_owners(fleet)[0])
    )
    assert order[0].name == "rural bus 12" and order[0].bring_in
    costs = costs_of(list_owners(fleet)[0])
    for limit in (1, 5, 100):
        assert fleet_top(fleet, costs, limit=limit, today=date(2026, 11, 1)) == order[:limit]
    plan = plan_visits(
        fleet_cases(fleet, today=date(2026, 11, 1)), costs_of(list_owners(fleet)[0]),
        bay_hours=(8.0, 8.0),
    )  # fmt: skip
    assert [v.name for v in plan.visits][:1] == ["rural bus 12"]


def test_the_false_alarm_and_the_repair_that_did_not_help(fleet: Store) -> None:
    outcomes = {o.failure_mode for o in list_outcomes(fleet)}
    assert outcomes == {"", "ring_leak", "exhaust_valve_leak", "intake_leak_cylinder"}
    known = calls(fleet)
    assert len(known) == 4
    rate = hit_rate(known)
    assert rate.value == 0.5, "two of the four calls were right"
    pages = vehicle_page(fleet, vehicle(fleet, "minibus 9").id)
    after = [p.analysis.state for p in pages if p.visit.purpose.value == "after" and p.analysis]
    assert after == ["normal", "alarm"], "newest first: the coil changed nothing, the gasket did"


def test_another_day_moves_the_dates_and_nothing_else(fleet: Store, tmp_path: Path) -> None:
    later = LAST_DAY + timedelta(days=100)
    with open_store(tmp_path / "later") as store:
        fill_demo_store(store, today=later)
        pairs = [
            (one, two)
            for here, there in zip(list_vehicles(fleet), list_vehicles(store), strict=True)
            for one, two in zip(
                list_visits(fleet, vehicle_id=here.id),
                list_visits(store, vehicle_id=there.id),
                strict=True,
            )
        ]
    assert len(pairs) > 200
    for one, two in pairs:
        moved = date.fromisoformat(two.visited_on) - date.fromisoformat(one.visited_on)
        assert moved.days == 100
        assert (one.odometer_km, one.purpose) == (two.odometer_km, two.purpose)


def test_the_summary_of_the_fleet_says_what_the_order_says(fleet: Store) -> None:
    owner = list_owners(fleet)[0]
    rows = fleet_order(fleet_cases(fleet, owner_id=owner.id, today=LAST_DAY), costs_of(owner))
    document = fleet_summary(fleet, owner, today=LAST_DAY)
    first, order = document.sections[:2]
    assert isinstance(first.blocks[0], Findings)
    assert [f.who for f in first.blocks[0].items] == [r.name for r in rows if r.bring_in][:5]
    assert isinstance(order.blocks[0], Table)
    shown = order.blocks[0].groups[0].rows
    assert [cells[1].text for cells in shown] == [r.name for r in rows]
    assert all(cells[3].text <= LAST_DAY.isoformat() for cells in shown)
    assert {cells[2].mark for cells in shown} <= {"normal", "alert", "alarm"}
    assert sum(s.id == "trends" for s in document.sections) == 1
    german = fleet_summary(fleet, None, language="de", today=LAST_DAY)
    assert (german.title, german.subtitle) == (
        "Alle Fahrzeuge",
        "24 Fahrzeuge mit beurteilter Aufnahme",
    )
    said = str(german.sections[0]) + str(german.sections[1])
    assert "likely" not in said and "costs" not in said

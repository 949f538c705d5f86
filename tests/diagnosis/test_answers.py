"""Readings as typed to answers."""

import pytest

from ringland.diagnosis import load_knowledge, outcome_words, parse_answer
from ringland.errors import SettingError

LEAKDOWN = {"percent": "35", "orifice": "1.0mm", "supply": "7bar", "heard": "crankcase"}


def test_leakdown_keeps_the_area() -> None:
    """35 % on a 1.0 mm orifice at 7 bar, by hand: 0.7854 mm2 x (8.013 bar x 0.6412) / (5.563 bar x
    0.68473) = 1.059 mm2 (orifice not choked, leak choked)."""
    answer = parse_answer("leakdown", cylinder=3, readings=LEAKDOWN)
    assert (answer.test, answer.outcome, answer.cylinder) == ("leakdown", "crankcase", 3)
    readings = dict(answer.readings)
    assert readings["leak_area_m2"] == pytest.approx(1.059e-6, rel=2e-3)
    assert readings["supply_pa"] == pytest.approx(7e5)


def test_the_tester_decides_what_a_per_cent_means() -> None:
    """6 % on a 0.060 in tester is the leak that reads 25 % on 0.040 in: it leaks."""
    wide = {"percent": "5.86", "orifice": "0.060in", "supply": "80psi", "heard": "exhaust"}
    assert parse_answer("leakdown", cylinder=1, readings=wide).outcome == "exhaust"
    narrow = {**wide, "orifice": "0.040in"}
    assert parse_answer("leakdown", cylinder=1, readings=narrow).outcome == "tight"


@pytest.mark.parametrize(
    ("test", "readings", "outcome"),
    [
        ("leakdown", {**LEAKDOWN, "heard": ""}, "unclear"),
        ("leakdown", {**LEAKDOWN, "percent": "4 %"}, "tight"),
        ("compression", {"dry": "150psi", "highest": "160psi"}, "normal"),
        ("compression", {"dry": "90psi", "highest": "160psi", "wet": "130psi"}, "low_oil_helps"),
        ("compression", {"dry": "90psi", "highest": "160psi", "wet": "92psi"}, "low_oil_no_help"),
        (
            "compression",
            {"dry": "115psi", "highest": "160psi", "least_ratio": "0.70"},
            "normal",
        ),
        ("power_balance", {"drop": "30", "others": "90"}, "drops_little"),
        ("power_balance", {"drop": "80", "others": "90"}, "drops_like_others"),
        ("fuel_trims", {"idle_trim": "18", "held_trim": "2"}, "lean_at_idle"),
        ("fuel_trims", {"idle_trim": "18", "held_trim": "15"}, "lean_everywhere"),
        ("fuel_trims", {"idle_trim": "-14", "held_trim": "-12"}, "rich"),
        ("fuel_trims", {"idle_trim": "3", "held_trim": "-2"}, "normal"),
        ("exhaust_back_pressure", {"pressure": "3psi"}, "high"),
        ("exhaust_back_pressure", {"pressure": "5kPa"}, "normal"),
        ("crankcase_pressure", {"pressure": "0.1kPa"}, "normal"),
        ("crankcase_pressure", {"pressure": "5.5inH2O"}, "high"),
        ("crankcase_pressure", {"pressure": "-3kPa"}, "strong_vacuum"),
        ("trouble_codes", {"codes": "p0303, P0420"}, "this_cylinder"),
        ("trouble_codes", {"codes": "P0300"}, "random_misfire"),
        ("trouble_codes", {"codes": "P0171"}, "mixture"),
        ("trouble_codes", {"codes": "P0016"}, "other"),
    ],
)
def test_readings(test: str, readings: dict[str, str], outcome: str) -> None:
    """Limits: maker rules as settings; +-10 % trim, half of the others' drop, 1.5 psi, common
    practice, no source."""
    answer = parse_answer(test, cylinder=3, readings=readings)
    assert answer.outcome == outcome
    load_knowledge().test(test).outcome_index(answer.outcome)


def test_a_reading_of_one_cylinder_stays_with_it_and_one_that_stands_out_needs_a_place() -> None:
    one = parse_answer("compression", cylinder=3, readings={"dry": "10bar", "highest": "10.5bar"})
    assert (one.outcome, one.cylinder) == ("normal", 3)
    low = {"dry": "6bar", "highest": "10bar", "wet": "6bar"}
    with pytest.raises(SettingError, match="which cylinder stood out"):
        parse_answer("compression", readings=low)
    with pytest.raises(SettingError, match="which cylinder stood out"):
        parse_answer("relative_compression", outcome="low_here")
    assert parse_answer("relative_compression", outcome="even").cylinder is None


def test_altitude_is_kept_with_the_reading() -> None:
    readings = dict(
        parse_answer(
            "compression",
            cylinder=1,
            readings={"dry": "133.13psi", "highest": "140psi", "altitude": "5000ft"},
        ).readings
    )
    assert readings["dry_at_sea_level_pa"] / 6894.757 == pytest.approx(160.0, abs=0.1)


def test_an_outcome_by_name_needs_no_readings() -> None:
    answer = parse_answer("swap_ignition", outcome="moves", firing_position=2)
    assert (answer.outcome, answer.firing_position) == ("moves", 2)
    assert outcome_words((answer,), load_knowledge()) == (
        "Swap plug and coil with another cylinder, firing position 2: "
        "The trouble moves with the part",
    )


@pytest.mark.parametrize(
    ("test", "outcome", "readings", "says"),
    [
        ("leekdown", None, {}, "no follow-up test"),
        ("leakdown", None, {}, "what was the answer"),
        ("swap_ignition", None, {"percent": "3"}, "what was the answer"),
        ("leakdown", "sideways", {}, "no such answer"),
        ("leakdown", None, {"percent": "35"}, "orifice is missing"),
        ("leakdown", None, {**LEAKDOWN, "percent": "lots"}, "missing or not a number"),
        ("leakdown", None, {**LEAKDOWN, "heard": "radio"}, "no such answer"),
        ("leakdown", None, {**LEAKDOWN, "supply": "7 V"}, "not a unit of pressure"),
        ("compression", None, {"dry": "90psi", "highest": "160psi"}, "15 ml of oil"),
        ("crankcase_pressure", None, {"pressure": "101kPa"}, "out of range"),
    ],
)
def test_what_is_wrong_is_said(
    test: str, outcome: str | None, readings: dict[str, str], says: str
) -> None:
    with pytest.raises(SettingError, match=says):
        parse_answer(test, cylinder=3, outcome=outcome, readings=readings)

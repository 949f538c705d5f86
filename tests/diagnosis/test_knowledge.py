"""The knowledge files and their strict loader."""

from collections.abc import Callable

import pytest

from ringland.data.knowledge import read_knowledge_file
from ringland.diagnosis.knowledge import Knowledge, Scope, build_knowledge, load_knowledge
from ringland.errors import SettingError

FILES = ("failure_modes.toml", "evidence.toml", "tests.toml", "priors.toml")


def text_of(name: str) -> str:
    from importlib.resources import files

    return (files("ringland") / "data" / "knowledge" / name).read_text(encoding="utf-8")


def build_with(name: str, change: Callable[[str], str]) -> Knowledge:
    tables = [read_knowledge_file(f, change(text_of(f)) if f == name else None) for f in FILES]
    return build_knowledge(*tables)


def test_there_is_enough_of_everything() -> None:
    knowledge = load_knowledge()
    assert len(knowledge.modes) >= 26
    assert len(knowledge.items) >= 34
    assert len(knowledge.tests) >= 19
    assert {m.scope for m in knowledge.modes} == set(Scope) - {Scope.EVERY_CYLINDER}


@pytest.mark.parametrize(
    ("item", "mode", "probability"),
    [
        ("PB_LOW1", "ignition_misfire", 0.92),
        ("EX_EXTRA1", "exhaust_valve_leak", 0.65),
        ("CC_PULSE1", "scored_bore", 0.93),
        ("CC_HIGH", "rings_worn_all", 0.88),
        ("EX_BACKP", "exhaust_restriction", 0.92),
        ("IV_PUFF1", "inlet_valve_leak", 0.80),
        ("LD_CRK", "ring_leak", 0.92),
        ("CT_ADJ", "gasket_between_cylinders", 0.92),
        ("SM_WHITE", "gasket_to_coolant", 0.80),
        ("FT_POS", "lean_mixture", 0.92),
        ("SW_SPARK", "ignition_misfire", 0.90),
        ("SNAP_WORSE", "valve_spring_weak", 0.70),
    ],
)
def test_numbers_of_the_trade_table(item: str, mode: str, probability: float) -> None:
    """Symptom by fault table: common practice, no source; +-0.15."""
    assert load_knowledge().item(item).likelihood[mode] == probability


@pytest.mark.parametrize(
    ("test", "outcomes", "item", "mode"),
    [
        ("leakdown", None, "LD_HIGH1", "exhaust_valve_leak"),
        ("leakdown", None, "LD_HIGH1", "ring_leak"),
        ("relative_compression", None, "SC_LOW1", "inlet_valve_leak"),
        ("power_balance", ("drops_little",), "PB_LOW1", "lean_cylinder"),
        ("smoke_full_throttle", ("blue",), "SM_BLUE", "valve_guides_worn"),
        ("crankcase_pressure", ("high",), "CC_HIGH", "crankcase_vent_blocked"),
        ("swap_injector", ("moves",), "SW_INJ", "lean_cylinder"),
        ("fuel_trims", ("lean_at_idle", "lean_everywhere"), "FT_POS", "lean_mixture"),
        ("exhaust_back_pressure", ("high",), "EX_BACKP", "exhaust_restriction"),
    ],
)
def test_tests_agree_with_the_trade_table(
    test: str, outcomes: tuple[str, ...] | None, item: str, mode: str
) -> None:
    """A test and the symptom it looks for say the same within the table's own +-0.15."""
    knowledge = load_knowledge()
    follow_up = knowledge.test(test)
    wanted = outcomes or tuple(o.id for o in follow_up.outcomes if o.shows)
    shows = sum(
        p for p, o in zip(follow_up.row(mode), follow_up.outcomes, strict=True) if o.id in wanted
    )
    assert shows == pytest.approx(knowledge.item(item).likelihood[mode], abs=0.15)


def test_every_symptom_can_be_measured_or_asked() -> None:
    """Each evidence item has a metric or is the business of a follow-up test."""
    asked = {
        "EX_RANDOM", "IV_FALL", "SC_LOWADJ", "CT_LOW1", "CT_WETUP", "CT_ADJ", "CT_ALL", "LD_HIGH1",
        "LD_EXH", "LD_INT", "LD_CRK", "LD_RAD", "LD_ADJ", "SW_SPARK", "SW_INJ", "PB_LOW1",
        "SM_BLUE", "SM_BLACK", "SM_WHITE", "FT_POS", "FT_NEG", "SNAP_WORSE", "RPM_CLEARS",
    }  # fmt: skip
    for item in load_knowledge().items:
        assert item.metrics or item.id in asked, item.id


def test_cautions_stand_where_work_can_hurt() -> None:
    knowledge = load_knowledge()
    for test in knowledge.tests:
        if test.id not in ("oil_consumption", "overheated"):
            assert test.cautions, test.id
    words = " ".join(c for t in knowledge.tests for c in t.cautions).lower()
    for needed in (
        "exhaust gas kills",
        "belts",
        "wheels chocked",
        "high voltage",
        "starter",
        "eye protection",
        "orange cables",
        "fuel",
    ):
        assert needed in words


@pytest.mark.parametrize(
    ("name", "change", "message"),
    [
        (
            "failure_modes.toml",
            lambda s: s.replace("weight = 0.24", "weight = -1"),
            "failure_modes.toml, mode ignition_misfire: `weight`",
        ),
        (
            "failure_modes.toml",
            lambda s: s.replace("mechanism =", "mechanisme =", 1),
            "mode ignition_misfire: `mechanism`",
        ),
        ("failure_modes.toml", lambda s: s + "\nmoods = 1\n", "mean nothing here"),
        (
            "failure_modes.toml",
            lambda s: s.replace('id = "lean_cylinder"', 'id = "rich_cylinder"'),
            "uses an id twice",
        ),
        (
            "evidence.toml",
            lambda s: s.replace("ignition_misfire = 0.75", "ignition_misfyre = 0.75", 1),
            "unknown failure mode",
        ),
        (
            "evidence.toml",
            lambda s: s.replace("ignition_misfire = 0.75", "ignition_misfire = 1.9", 1),
            "item EX_LOW1, likelihood: `ignition_misfire`",
        ),
        ("evidence.toml", lambda s: s.replace('group = "burn"', 'group = "bern"', 1), "`group`"),
        (
            "tests.toml",
            lambda s: s.replace("moves = ", "mooves = ").replace(
                "ignition_misfire = [0.1, 0.9]", "ignition_misfire = [0.2, 0.9]"
            ),
            "row ignition_misfire is not a set of probabilities",
        ),
        ("tests.toml", lambda s: s.replace("default = ", "defaults = ", 1), "unknown failure mode"),
        (
            "priors.toml",
            lambda s: s.replace("healthy = 0.70", "healthy = 0.99"),
            "nothing for a single fault",
        ),
        ("priors.toml", lambda s: s + "\n[oops\n", "not valid TOML"),
    ],
)
def test_errors_say_what_is_wrong_where(
    name: str, change: Callable[[str], str], message: str
) -> None:
    with pytest.raises(SettingError) as caught:
        build_with(name, change)
    assert message in str(caught.value)


def test_unknown_names_list_what_there_is() -> None:
    knowledge = load_knowledge()
    for look_up in (knowledge.mode, knowledge.item, knowledge.test, knowledge.group):
        with pytest.raises(SettingError) as caught:
            look_up("nonsense")
        assert caught.value.allowed

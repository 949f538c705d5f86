"""Before and after on readings made by hand, so that the truth is known exactly."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ringland.errors import BadInput, FileFormatError
from ringland.model import Estimate
from ringland.verify.alike import Weight, objections
from ringland.verify.before_after import ChangeState, Direction, compare
from ringland.verify.normal import NormalState, back_to_normal, equivalence_p
from ringland.verify.readings import Measured, Reading
from ringland.verify.repeatability import (
    posterior_spread,
    repeatability,
    repeatability_as_json,
    repeatability_from_json,
)
from ringland.verify.spread import load_spreads
from ringland.verify.words import summary

ORDER = (1, 5, 3, 6, 2, 4)
SOUND = (0.02, -0.05, 0.04, 0.01, -0.03, 0.0)


def measured(push: tuple[float, ...], name: str = "a.csv", **changes: object) -> Measured:
    """Six cylinders with these pushes, everything else equal."""
    readings = tuple(
        Reading("crankcase_push", "crankcase", p, ORDER[p - 1], v, 0.01, 1.1)
        for p, v in enumerate(push, start=1)
    )
    plain = Measured(
        name=name,
        engine="six",
        cylinders=6,
        firing_order=ORDER,
        condition="idle",
        speed_rpm=Estimate(700.0, 699.0, 701.0, "rpm"),
        cycles_kept=120,
        phase_source="trigger",
        numbering="cylinder",
        numbering_reason="the trigger is on cylinder 1",
        least_assignment=0.99,
        channels=(("crankcase", "Pa"), ("ignition", "V")),
        delays_s=(("exhaust", Estimate(0.012, 0.011, 0.013, "s")),),
        software="0.1.0",
        readings=readings,
        temperature_k=358.0,
        sha256=name,
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def leaking(size: float = 3.0) -> tuple[float, ...]:
    return tuple(v + (size if i == 2 else 0.0) for i, v in enumerate(SOUND))


def test_nothing_changed() -> None:
    found = compare(measured(SOUND), measured(tuple(v + 0.005 for v in SOUND), "b.csv"))
    assert not found.refused
    assert found.compared == 7  # six cylinders and the median of all
    assert found.changed == ()
    assert found.most_improved is None
    assert "does not mean that nothing changed" in summary(found)[0]


def test_a_cured_leak_names_its_cylinder() -> None:
    found = compare(measured(leaking()), measured(SOUND, "b.csv"))
    assert found.most_improved is not None
    assert (found.most_improved.cylinder, found.certain) == (3, True)
    assert found.changed[0].direction is Direction.BETTER
    assert "cylinder 3 improved most (for certain)" in summary(found)[0]


def test_a_new_leak_is_worse_and_nobody_improved() -> None:
    found = compare(measured(SOUND), measured(leaking(), "b.csv"))
    assert found.changed[0].direction is Direction.WORSE
    assert found.changed[0].cylinder == 3


def test_changed_exactly_when_the_smallest_change_is_exceeded() -> None:
    found = compare(measured(leaking(0.6)), measured(SOUND, "b.csv"))
    for cell in found.changes:
        assert cell.smallest_change is not None and cell.change.value is not None
        exceeded = abs(cell.change.value) > cell.smallest_change
        assert exceeded == (cell.state is ChangeState.CHANGED)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.floats(-3.0, 3.0), min_size=6, max_size=6),
    st.lists(st.floats(-3.0, 3.0), min_size=6, max_size=6),
)
def test_swapping_before_and_after_turns_the_signs(one: list[float], two: list[float]) -> None:
    a, b = measured(tuple(one)), measured(tuple(two), "b.csv")
    there, back = compare(a, b), compare(b, a)
    for x, y in zip(there.changes, back.changes, strict=True):
        assert x.change.value == pytest.approx(-(y.change.value or 0.0), abs=1e-12)
        assert x.p_value == pytest.approx(y.p_value)
        assert x.state is y.state


def test_error_rate_when_the_stated_spread_is_true() -> None:
    """800 tables drawn from the model itself: at most 5 % hold any change."""
    rng = np.random.default_rng(9)
    usual = load_spreads()["crankcase_push"]
    level = 0.2
    spread = usual.of_cylinder(level)
    base = np.array([1, -1, 1, -1, 1, -1]) * level
    wrong = 0
    for i in range(800):
        sd = spread.sd * np.sqrt(spread.degrees / rng.chisquare(spread.degrees))
        pair = [base + sd * rng.standard_normal(6) + 0.011 * rng.standard_normal(6) for _ in "ab"]
        found = compare(measured(tuple(pair[0])), measured(tuple(pair[1]), f"{i}.csv"))
        wrong += bool(found.changed)
    assert wrong <= 0.05 * 800


# Unlike conditions.


@pytest.mark.parametrize(
    ("name", "changes", "weight"),
    [
        ("other_condition", {"condition": "held"}, Weight.REFUSED),
        ("condition_not_said", {"condition": "unknown"}, Weight.WARNING),
        ("other_speed", {"speed_rpm": Estimate(850.0, 849.0, 851.0, "rpm")}, Weight.REFUSED),
        ("other_speed", {"speed_rpm": Estimate(750.0, 749.0, 751.0, "rpm")}, Weight.WARNING),
        ("other_temperature", {"temperature_k": 310.0}, Weight.REFUSED),
        ("other_temperature", {"temperature_k": 338.0}, Weight.WARNING),
        ("temperature_not_said", {"temperature_k": None}, Weight.WARNING),
        ("other_version", {"software": "0.0.9"}, Weight.REFUSED),
        ("other_engine", {"firing_order": (1, 2, 3, 4, 5, 6)}, Weight.REFUSED),
        ("positions_not_known", {"numbering": "arbitrary"}, Weight.REFUSED),
        ("numbers_not_certain", {"least_assignment": 0.6}, Weight.WARNING),
        ("same_recording", {"sha256": "a.csv"}, Weight.REFUSED),
        ("not_judged", {"not_judged": "no cycles"}, Weight.REFUSED),
        ("other_channels", {"channels": (("crankcase", "Pa"),)}, Weight.LEFT_OUT),
        ("other_unit", {"channels": (("crankcase", "V"), ("ignition", "V"))}, Weight.WARNING),
        ("other_phase_source", {"phase_source": "pulses"}, Weight.WARNING),
        ("few_cycles", {"cycles_kept": 12}, Weight.WARNING),
        (
            "pulse_moved",
            {"delays_s": (("exhaust", Estimate(0.018, 0.017, 0.019, "s")),)},
            Weight.LEFT_OUT,
        ),
    ],
)
def test_each_unlikeness_is_told(name: str, changes: dict[str, object], weight: Weight) -> None:
    before, after = measured(SOUND), measured(SOUND, "b.csv", **changes)
    found = {o.id: o for o in objections(before, after)}
    assert found[name].weight is weight
    assert found[name].sentence and found[name].remedy
    comparison = compare(before, after)
    assert comparison.refused == (weight is Weight.REFUSED)
    if comparison.refused:
        assert comparison.changes == ()
        assert summary(comparison)[0] == "These two recordings are not compared."


def test_like_recordings_have_nothing_against_them() -> None:
    assert objections(measured(SOUND), measured(SOUND, "b.csv")) == ()


# Back to normal.


def test_equivalence_p_by_hand() -> None:
    # difference 0.1, error 0.1, margin 0.3: z = 2 below the upper and 4 above the lower edge
    assert equivalence_p(0.1, 0.1, 1e6, 0.3) == pytest.approx(0.02275, abs=1e-5)
    assert equivalence_p(0.3, 0.1, 1e6, 0.3) == pytest.approx(0.5)


def test_back_to_normal_needs_evidence_not_its_absence() -> None:
    sound = {p.cylinder: p.state for p in back_to_normal(measured(SOUND))}
    assert set(sound.values()) == {NormalState.SHOWN}
    leaky = {p.cylinder: p.state for p in back_to_normal(measured(leaking()))}
    assert leaky[3] is NormalState.NOT_NORMAL
    noisy = measured(SOUND)
    vague = replace(noisy, readings=tuple(replace(r, standard_error=0.4) for r in noisy.readings))
    states = {p.state for p in back_to_normal(vague)}
    assert states == {NormalState.NOT_SHOWN}


def test_the_baseline_counts_where_the_engine_is_uneven() -> None:
    uneven = tuple(v + (0.8 if i == 2 else 0.0) for i, v in enumerate(SOUND))  # alert from 0.7
    alone = {p.cylinder: p for p in back_to_normal(measured(uneven))}
    known = {
        p.cylinder: p for p in back_to_normal(measured(uneven, "b.csv"), baseline=measured(uneven))
    }
    assert alone[3].state is not NormalState.SHOWN
    assert known[3].state is NormalState.SHOWN
    assert known[3].compared_with == "own history"


def test_a_missing_value_is_no_evidence() -> None:
    whole = measured(SOUND)
    first = replace(whole.readings[0], value=None, standard_error=0.0, reason="3 usable cycles")
    found = back_to_normal(replace(whole, readings=(first, *whole.readings[1:])))
    assert found[0].state is NormalState.NOT_SHOWN
    assert "3 usable cycles" in found[0].sentence


# Repeats of one's own.


def repeats(sd: float, count: int = 5) -> list[Measured]:
    rng = np.random.default_rng(1)
    return [
        measured(tuple(v + sd * rng.standard_normal() for v in SOUND), f"r{i}.csv")
        for i in range(count)
    ]


def test_own_repeats_are_found_again_and_sharpen_the_comparison() -> None:
    found = repeatability(repeats(0.02))
    one = found.metrics[0]
    assert one.sd == pytest.approx(0.02, rel=0.5)
    assert one.limit == pytest.approx(2.8 * one.sd)
    assert one.degrees == 6 * 4 - 4
    usual = load_spreads()["crankcase_push"]
    assert posterior_spread(usual, one, one.level).degrees == usual.degrees + one.degrees
    before, after = measured(leaking(1.0)), measured(SOUND, "b.csv")
    plain = compare(before, after)
    sharper = compare(before, after, repeatability=found)
    assert (sharper.changes[0].smallest_change or 9.9) < (plain.changes[0].smallest_change or 0.0)


def test_a_badly_hooked_up_repeat_is_pointed_at() -> None:
    rows = repeats(0.01, 6)
    rows[3] = measured(tuple(v + 0.3 * (-1) ** i for i, v in enumerate(SOUND)), "slipped.csv")
    assert any("slipped.csv differs" in r for r in repeatability(rows).metrics[0].remarks)


def test_repeatability_is_kept_and_read_back() -> None:
    found = repeatability(repeats(0.02))
    assert repeatability_from_json(repeatability_as_json(found)) == replace(
        found, metrics=found.metrics
    )
    with pytest.raises(FileFormatError, match="no repeatability"):
        repeatability_from_json({"schema": "something else"})
    damaged = repeatability_as_json(found) | {"metrics": [{"metric": "crankcase_push"}]}
    with pytest.raises(FileFormatError, match="damaged"):
        repeatability_from_json(damaged)


def test_one_recording_is_no_repeat() -> None:
    with pytest.raises(BadInput, match="needs repeats"):
        repeatability([measured(SOUND)])
    with pytest.raises(BadInput, match="cannot be compared"):
        repeatability([measured(SOUND), measured(SOUND, "b.csv", condition="held")])


@pytest.mark.parametrize("number", [10**400, "x", -1.0, float("inf"), None])
def test_numbers_that_are_none_are_refused(number: object) -> None:
    document = repeatability_as_json(repeatability(repeats(0.02)))
    entry = dict(document["metrics"][0])  # type: ignore[index]
    entry["sd"] = number
    with pytest.raises(FileFormatError, match="damaged"):
        repeatability_from_json(document | {"metrics": [entry]})

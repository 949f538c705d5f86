"""Where what if begins: causes in a pair, of the engine, not simulated, or none at all."""

from typing import Any

import pytest

from ringland.severity import SHOWN_AS
from ringland.simulator.faults import FAULT_KINDS, Scope
from ringland.web.instrument import start
from ringland.web.instrument.start import Start, start_of

ORDER = (1, 3, 4, 2)


def cause(mode: str, name: str, probability: float, **fields: Any) -> dict[str, Any]:
    """A cause of the JSON document."""
    severity = {"value": None, "unit": "1", "reason": "not measured"}
    place = {"cylinder": None, "firing_position": None}
    return {
        "failure_mode": mode, "name": name, "probability": probability, "severity": severity,
        **place, **fields,
    }  # fmt: skip


def begin(monkeypatch: pytest.MonkeyPatch, *causes: dict[str, Any], healthy: float = 0.0) -> Start:
    """The start of a visit with this ranking."""
    document = {"causes": list(causes), "healthy": healthy, "none_of_these": 0.01}
    monkeypatch.setattr(start, "_ranked", lambda *_: ("", document))
    nothing: Any = None
    return start_of(nothing, nothing, ORDER)


def test_a_misfire_at_the_rate_that_was_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    counted = {"value": 0.21, "unit": "1", "reason": None}
    found = begin(
        monkeypatch,
        cause("ignition_misfire", "Ignition misfire", 0.8, cylinder=4, firing_position=3,
              severity=counted),
    )  # fmt: skip
    assert (found.kind, found.cylinders[0], found.size) == ("misfire", 4, 0.21)
    assert found.said == (
        "Set to the leading cause of this visit: Ignition misfire, cylinder 4 (8 in 10)."
    )


def test_a_size_beyond_what_is_simulated_is_the_most(monkeypatch: pytest.MonkeyPatch) -> None:
    large = {"value": 900.0, "unit": "mm2", "reason": None}
    found = begin(
        monkeypatch, cause("ring_leak", "Rings", 0.9, cylinder=2, firing_position=4, severity=large)
    )
    assert found.size == FAULT_KINDS["ring_leak"].most


def test_where_only_the_position_is_known_the_firing_order_counts(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    found = begin(monkeypatch, cause("ring_leak", "Worn or stuck rings", 0.7, firing_position=2))
    assert found.cylinders[0] == 3
    assert "firing position 2" in found.said
    assert "Cylinder numbers are not known" in found.said


@pytest.mark.parametrize(("cylinders", "expected"), [([4, 3], (4, 3)), ([], (3, 4))])
def test_a_leak_between_neighbours_names_both(
    monkeypatch: pytest.MonkeyPatch, cylinders: list[int], expected: tuple[int, int]
) -> None:
    one = cause(
        "gasket_between_cylinders", "Gasket (between two)", 0.6, firing_position=2,
        firing_positions=[2, 3], cylinders=cylinders,
    )  # fmt: skip
    found = begin(monkeypatch, one)
    assert (found.kind, found.cylinders) == ("neighbour_leak", expected)
    assert "Gasket (between two) (6 in 10)" in found.said


def test_what_is_not_simulated_is_said_and_the_next_is_taken(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    coolant = cause("gasket_to_coolant", "Gasket to coolant", 0.5, cylinder=2, firing_position=4)
    rings = cause("rings_worn_all", "Rings worn in all", 0.3)
    found = begin(monkeypatch, coolant, rings)
    assert (found.kind, found.size) == ("worn_rings", None)
    assert found.said.startswith("Gasket to coolant, cylinder 2 leads, and cannot be simulated.")
    alone = begin(monkeypatch, coolant)
    assert "Choose another fault" in alone.said


def test_a_sound_engine_is_not_called_faulty(monkeypatch: pytest.MonkeyPatch) -> None:
    rings = cause("ring_leak", "Rings", 0.04, cylinder=1, firing_position=1)
    found = begin(monkeypatch, rings, healthy=0.9)
    assert found.said.startswith("Nothing wrong explains this visit best (9 in 10).")


def test_without_a_ranking_any_fault_may_be_chosen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(start, "_ranked", lambda *_: ("", None))
    nothing: Any = None
    found = start_of(nothing, nothing, ORDER)
    assert (found.kind, found.cylinders, found.size) == ("ring_leak", (1, 2), None)
    assert "No cause has been ranked" in found.said


def test_every_mode_shown_has_a_kind() -> None:
    assert set(SHOWN_AS.values()) <= set(FAULT_KINDS)
    assert FAULT_KINDS[SHOWN_AS["gasket_between_cylinders"]].scope == Scope.PAIR

"""Weights put to use, and the trail of updates."""

from pathlib import Path

import pytest

from ringland.diagnosis import load_knowledge
from ringland.errors import FileFormatError
from ringland.history.learned import (
    add_to_trail,
    knowledge_from_trail,
    knowledge_with,
    package_weights,
    read_trail,
    update_as_json,
    update_from_json,
)
from ringland.history.track_record import Call, PriorUpdate, updated_weights


def learned(found: str, times: int, *, enabled: bool = True) -> PriorUpdate:
    calls = [Call({}, found, f"o{i}") for i in range(times)]
    return updated_weights(
        package_weights(), calls, made_utc="2026-03-09T10:00:00Z", enabled=enabled
    )


def test_what_was_found_often_becomes_likelier_and_nothing_else_moves() -> None:
    before, after = load_knowledge(), knowledge_with(learned("ring_leak", 40))
    assert after.mode("ring_leak").weight > before.mode("ring_leak").weight
    assert after.mode("scored_bore").weight < before.mode("scored_bore").weight
    assert sum(m.weight for m in after.modes) == pytest.approx(sum(m.weight for m in before.modes))
    assert after.prior == before.prior


def test_switched_off_the_package_counts() -> None:
    assert knowledge_with(learned("ring_leak", 40, enabled=False)) is load_knowledge()


def test_the_trail_keeps_every_update_and_the_newest_decides(tmp_path: Path) -> None:
    trail = tmp_path / "priors.jsonl"
    assert read_trail(trail) == ()
    assert knowledge_from_trail(trail) is load_knowledge()
    add_to_trail(learned("ring_leak", 5), trail)
    add_to_trail(learned("ignition_misfire", 9), trail)
    add_to_trail(learned("ignition_misfire", 9, enabled=False), trail)
    kept = read_trail(trail)
    assert [u.enabled for u in kept] == [True, True, False]
    assert update_as_json(kept[1]) == update_as_json(learned("ignition_misfire", 9))
    assert knowledge_from_trail(trail) is load_knowledge()


def test_a_line_that_was_cut_off_does_no_harm(tmp_path: Path) -> None:
    trail = tmp_path / "priors.jsonl"
    add_to_trail(learned("ring_leak", 5), trail)
    with trail.open("ab") as file:
        file.write(b'{"schema": "ringland.prior_up')
    assert len(read_trail(trail)) == 1
    add_to_trail(learned("ignition_misfire", 3), trail)
    assert [u.counts for u in read_trail(trail)] == [{"ring_leak": 5}, {"ignition_misfire": 3}]


def test_damage_is_told(tmp_path: Path) -> None:
    trail = tmp_path / "priors.jsonl"
    trail.write_text("nonsense\n")
    with pytest.raises(FileFormatError, match="no JSON"):
        read_trail(trail)
    with pytest.raises(FileFormatError, match="do not sum to 1"):
        update_from_json(update_as_json(learned("ring_leak", 1)) | {"after": {"ring_leak": 3.0}})

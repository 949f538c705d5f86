"""Weights put to use, the switch, and the trail of updates."""

import json
from pathlib import Path

import pytest

from ringland.diagnosis import load_knowledge
from ringland.diagnosis.knowledge import knowledge_with
from ringland.errors import FileFormatError, SettingError
from ringland.history import (
    Store,
    add_outcome,
    add_vehicle,
    add_visit,
    changes_of,
    keep_analysis,
    keep_recording,
    open_store,
)
from ringland.history.insight import calls
from ringland.history.learned import (
    newest_update,
    outcomes_since,
    package_weights,
    priors_of,
    switch_priors,
    trail,
    update_as_json,
    update_from_json,
)
from ringland.history.safety import back_up, restore_backup
from ringland.history.track_record import PRIOR_WEIGHT, Call, updated_weights
from ringland.model import LearnedPriors

DOCUMENT = {
    "schema": "ringland.analysis/1",
    "provenance": {"ringland": "0"},
    "cylinders": [],
    "symptoms": [],
    "recording": {"channels": []},
    "healthy": 0.2,
    "none_of_these": 0.1,
    "causes": [{"failure_mode": "ring_leak", "cylinder": 3, "probability": 0.7}],
}


def confirm(store: Store, folder: Path, mode: str, times: int) -> None:
    """Visits with a judged recording whose outcome was confirmed."""
    vehicle = add_vehicle(store, name=f"Bus {mode}")
    for number in range(times):
        visit = add_visit(
            store, vehicle_id=vehicle.id, visited_on="2026-03-09", purpose="fault-finding"
        )
        file = folder / f"{mode}-{number}.csv"
        file.write_text(f"{mode} {number}")
        recording = keep_recording(store, visit.id, file)
        keep_analysis(store, recording.id, DOCUMENT)
        add_outcome(store, visit_id=visit.id, failure_mode=mode)


def test_what_was_found_often_becomes_likelier_and_nothing_else_moves() -> None:
    update = updated_weights(
        package_weights(),
        [Call({}, "ring_leak", f"o{i}") for i in range(40)],
        made_utc="2026-03-09T10:00:00Z",
    )
    learned = LearnedPriors(tuple(update.after.items()), 40, update.made_utc)
    before, after = load_knowledge(), knowledge_with(learned)
    assert after.mode("ring_leak").weight > before.mode("ring_leak").weight
    assert after.mode("scored_bore").weight < before.mode("scored_bore").weight
    assert sum(m.weight for m in after.modes) == pytest.approx(sum(m.weight for m in before.modes))
    assert after.prior == before.prior
    assert knowledge_with(None) is before


def test_the_switch_is_off_at_first_and_says_what_was_done(tmp_path: Path) -> None:
    with open_store(tmp_path / "store", who="Kim") as store:
        assert priors_of(store) is None and newest_update(store) is None and trail(store) == ()
        switch_priors(store, on=True)
        assert priors_of(store) is None  # nothing was confirmed to learn from
        confirm(store, tmp_path, "ring_leak", 5)
        confirm(store, tmp_path, "exhaust_valve_leak", 3)
        assert outcomes_since(store) == 8
        switch_priors(store, on=True)
        learned = priors_of(store)
        assert learned is not None and learned.outcomes == 8 and outcomes_since(store) == 0
        # by hand: (A w + n_m) / (A + n), docs/theory/track_record.md (4)
        share = package_weights()["ring_leak"] / sum(package_weights().values())
        by_hand = (PRIOR_WEIGHT * share + 5) / (PRIOR_WEIGHT + 8)
        assert dict(learned.weights)["ring_leak"] == pytest.approx(by_hand)
        switch_priors(store, on=False)
        assert priors_of(store) is None
        assert [u.enabled for u in trail(store)] == [True, True, False]
        line = changes_of(store, limit=1)[0]
        assert (line.who, line.action, line.kind) == ("Kim", "switch", "priors")
        assert json.loads(line.fields)["on"] == [True, False]
        assert json.loads(line.fields)["set"] == [learned.sha256, "package"]


def test_what_is_confirmed_later_waits_for_the_next_switching_on(tmp_path: Path) -> None:
    with open_store(tmp_path / "store") as store:
        confirm(store, tmp_path, "ring_leak", 2)
        switch_priors(store, on=True, made_utc="2026-03-09T10:00:00.000000Z")
        before = priors_of(store)
        confirm(store, tmp_path, "lean_mixture", 2)
        assert priors_of(store) == before
        assert len(calls(store)) == 4 and outcomes_since(store) == 2


def test_a_backup_takes_the_switch_along(tmp_path: Path) -> None:
    with open_store(tmp_path / "store") as store:
        confirm(store, tmp_path, "ring_leak", 2)
        switch_priors(store, on=True)
        learned = priors_of(store)
        back_up(store, tmp_path / "backup")
    restore_backup(tmp_path / "backup", tmp_path / "again")
    with open_store(tmp_path / "again") as store:
        assert priors_of(store) == learned


def test_an_update_reads_back_and_damage_is_told() -> None:
    update = updated_weights(
        package_weights(), [Call({}, "ring_leak", "o1")], made_utc="2026-03-09T10:00:00Z"
    )
    content = update_as_json(update)
    assert update_as_json(update_from_json(json.loads(json.dumps(content)))) == content
    with pytest.raises(FileFormatError, match="do not sum to 1"):
        update_from_json(content | {"after": {"ring_leak": 3.0}})
    with pytest.raises(FileFormatError, match="another schema"):
        update_from_json({"schema": "x"})


def test_learned_priors_name_themselves_and_notice_alterations() -> None:
    learned = LearnedPriors(
        (("ring_leak", 0.25), ("lean_mixture", 0.75)), 4, "2026-03-09T10:00:00Z"
    )
    plain = json.loads(json.dumps(learned.as_plain()))
    assert LearnedPriors.from_plain(plain) == learned
    other = LearnedPriors(learned.weights[::-1], 4, learned.made_utc)
    assert other.sha256 == learned.sha256
    with pytest.raises(ValueError, match="altered"):
        LearnedPriors.from_plain(plain | {"outcomes": 5})
    with pytest.raises(ValueError, match="damaged"):
        LearnedPriors.from_plain(plain | {"weights": {"ring_leak": float("nan")}})
    with pytest.raises(ValueError, match="no learned priors"):
        LearnedPriors.from_plain([])
    with pytest.raises(SettingError, match="no shares"):
        LearnedPriors((), 0, "")
    with pytest.raises(SettingError, match="no failure mode"):
        knowledge_with(LearnedPriors((("gremlins", 1.0),), 1, ""))

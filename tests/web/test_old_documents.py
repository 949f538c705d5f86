"""Pages show what an older version kept, and answers that cannot be placed are not kept."""

from pathlib import Path
from typing import Any

from fastapi.testclient import TestClient

from ringland.engines import layout
from ringland.history import Store, keep_analysis, keep_recording
from ringland.model import Condition
from ringland.output import as_json
from ringland.pipeline import analyse
from ringland.readers import open_recording

from .conftest import PAGE


def kept(store: Store, visit_id: str, path: Path, change: Any) -> None:
    """The recording in the visit, with an analysis as `change` leaves it."""
    row = keep_recording(store, visit_id, path, file_name="old.csv", condition="idle")
    recording = open_recording(path).read_all().with_condition(Condition.IDLE)
    document = as_json(analyse(recording, layout("I4-1342").engine))
    change(document)
    keep_analysis(store, row.id, document, asked="by an older version")


def without_places(document: Any) -> None:
    assert document["next_tests"], "there is something to ask"
    for test in document["next_tests"]:
        for outcome in test["outcomes"]:
            del outcome["cylinder"], outcome["firing_position"]


def test_checks_of_an_older_version_are_shown(
    client: TestClient, visit: dict[str, str], store: Store, recording_csv: Path
) -> None:
    kept(store, visit["id"], recording_csv, without_places)
    page = client.get(f"/visits/{visit['id']}/checks", headers=PAGE)
    assert page.status_code == 200, page.text[:500]
    assert "What came out?" in page.text


def test_an_answer_that_says_nothing_without_its_cylinder_is_refused(
    client: TestClient, visit: dict[str, str]
) -> None:
    for body in (
        {"test": "relative_compression", "outcome": "low_here"},
        {"test": "compression", "readings": {"dry": "6bar", "highest": "10bar", "wet": "6bar"}},
    ):
        answer = client.post(f"/api/v1/visits/{visit['id']}/answers", json=body)
        assert answer.status_code == 400
        assert "which cylinder stood out" in answer.json()["wrong"]
    listed = client.get(f"/api/v1/visits/{visit['id']}").json()
    assert "low_here" not in str(listed)

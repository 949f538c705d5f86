"""The JSON contract: the fields the outside relies on, the schema, no NaN."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from ringland.errors import ChannelError, SettingError
from ringland.model import Analysis, Estimate, Provenance, SourceInfo
from ringland.output import SCHEMA, as_json, error_as_json, json_text, write_json

SCHEMA_FILE = Path(__file__).parents[2] / "docs" / "analysis.schema.json"
CONTRACT = [
    "schema", "recording", "quality", "speed_rpm", "cycles", "cylinders", "symptoms", "causes",
    "none_of_these", "next_tests", "provenance",
]  # fmt: skip
"""Fields promised to every program that drives the command."""


def as_read(analysis: Analysis) -> Any:
    """What another program reads: through text and back, refusing NaN."""

    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} in JSON")

    return json.loads(json_text(as_json(analysis)), parse_constant=refuse)


@pytest.fixture(scope="module")
def validator() -> Draft202012Validator:
    schema = json.loads(SCHEMA_FILE.read_text("utf-8"))
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


@pytest.mark.parametrize("which", ["whole", "unusable", "cycles_only", "empty"])
def test_follows_the_schema(
    which: str, request: pytest.FixtureRequest, validator: Draft202012Validator
) -> None:
    if which in ("whole", "unusable"):
        analysis: Analysis = request.getfixturevalue(which)
    else:
        base: Analysis = request.getfixturevalue("whole")
        analysis = replace(base, cylinders=None, metrics=None, symptoms=None, diagnosis=None)
        if which == "empty":
            analysis = replace(
                analysis,
                recording=replace(base.recording, channels=(), edges=(), source=SourceInfo("", "")),
                cycles=None,
                not_judged="There is no channel.",
                provenance=Provenance(),
            )
    found = as_read(analysis)
    assert [error.message for error in validator.iter_errors(found)] == []
    assert set(CONTRACT) <= found.keys()
    assert found["schema"] == SCHEMA


def test_schema_file_is_of_this_version(validator: Draft202012Validator) -> None:
    assert validator.schema["properties"]["schema"] == {"const": SCHEMA}


@pytest.mark.parametrize("field", CONTRACT)
def test_schema_notices_a_missing_field(
    field: str, whole: Analysis, validator: Draft202012Validator
) -> None:
    found = as_read(whole)
    del found[field]
    assert not validator.is_valid(found)


def test_schema_notices_a_number_where_null_is_promised(
    unusable: Analysis, validator: Draft202012Validator
) -> None:
    found = as_read(unusable)
    found["speed_rpm"]["value"] = "fast"
    assert not validator.is_valid(found)


def test_whole(whole: Analysis) -> None:
    found = as_read(whole)
    assert found["speed_rpm"]["value"] == 801.0
    assert (found["speed_rpm"]["low"], found["speed_rpm"]["high"]) == (800.2, 801.8)
    cycles = found["cycles"]
    assert (cycles["found"], cycles["kept"], len(cycles["dropped"])) == (4, 3, 1)
    assert cycles["dropped"][0]["reason"] == "speed jumped"
    assert cycles["dropped_by_reason"] == {"speed jumped": 1}
    assert cycles["phase_source"] == "pulses"
    assert [c["firing_position"] for c in found["cylinders"]] == [1, 2, 3, 4]
    third = found["cylinders"][2]
    assert third["cylinder"] is None
    assert third["assignment_probability"] == 0.25
    assert third["state"] == "alarm"
    assert third["metrics"]["pulse_strength"] == {
        "value": 0.66,
        "low": pytest.approx(0.63),
        "high": pytest.approx(0.69),
        "unit": "1",
        "coverage": 0.9,
        "reason": None,
        "state": "alarm",
        "state_reason": None,
        "channel": "Ch A",
    }
    assert third["misfires"][0]["missed"] == 1
    fourth = found["cylinders"][3]["metrics"]["pulse_strength"]
    assert (fourth["value"], fourth["reason"]) == (None, "too few cycles")
    assert fourth["state"] == "not_judged"
    assert set(found["cylinders"][0]["metrics"]) == {"pulse_strength", "pulse_strength@Ch B"}
    assert found["engine_metrics"]["imbalance"]["value"] == 0.2
    assert found["imbalance"][0]["p_value"] == 1e-6
    assert found["path_delays"][0]["path_delay_deg"]["reason"] == "no trigger"
    assert found["causes"][0]["failure_mode"] == "ring_leak"
    assert found["causes"][0]["severity"]["unit"] == "m2"
    total = sum(c["probability"] for c in found["causes"])
    assert total + found["healthy"] + found["none_of_these"] == pytest.approx(1.0, abs=1e-12)
    assert found["next_tests"][0]["outcomes"][0]["ranking"][0]["cause"] == "ring_leak"
    assert found["provenance"]["steps"][1]["settings"] == {"nan": None}


def test_quality_by_channel_and_check(whole: Analysis) -> None:
    channels = as_read(whole)["quality"]["channels"]
    assert [(c["channel"], c["verdict"]) for c in channels] == [
        ("Ch A", "ok"),
        ("Ch B", "suspect"),
        (None, "ok"),
    ]
    clipping = channels[1]["checks"][0]
    assert clipping["check"] == "clipping"
    assert clipping["limit"] == 0.01
    assert clipping["spans_s"] == [[1.0, 1.2], [3.0, 3.1]]


def test_unusable_says_why_and_makes_nothing_up(unusable: Analysis) -> None:
    found = as_read(unusable)
    assert found["not_judged"] == "The exhaust channel is silent."
    assert found["speed_rpm"]["value"] is None
    assert found["speed_rpm"]["reason"] == "The exhaust channel is silent."
    assert found["cycles"]["found"] is None
    assert found["cycles"]["kept"] is None
    assert found["cylinders"] == []
    assert found["none_of_these"] is None


def test_numpy_numbers_become_plain(whole: Analysis) -> None:
    assert whole.cycles is not None
    value = np.float64(801.0)
    speed = Estimate(value, np.float64(800.0), np.float64(802.0), "rpm")
    found = as_read(replace(whole, cycles=replace(whole.cycles, mean_speed_rpm=speed)))
    assert found["speed_rpm"]["high"] == 802.0


def test_names_from_files_survive(whole: Analysis) -> None:
    channel = replace(whole.recording.channels[0], name='\x1b[31m"<b>\udc80')
    found = as_read(replace(whole, recording=replace(whole.recording, channels=(channel,))))
    assert found["recording"]["channels"][0]["name"] == '\x1b[31m"<b>\udc80'


def test_one_error_shape() -> None:
    error = ChannelError("No exhaust.", got="A, B", remedy="Name it.")
    assert error_as_json(error) == {
        "error": "ChannelError",
        "wrong": "No exhaust.",
        "got": "A, B",
        "allowed": None,
        "remedy": "Name it.",
    }


def test_a_file_that_cannot_be_written(tmp_path: Path, unusable: Analysis) -> None:
    with pytest.raises(SettingError, match="could not be written"):
        write_json(as_json(unusable), tmp_path / "missing" / "a.json")
    write_json(as_json(unusable), tmp_path / "a.json")
    assert json.loads((tmp_path / "a.json").read_text("ascii"))["schema"] == SCHEMA

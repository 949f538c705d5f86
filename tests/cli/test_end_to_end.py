"""A file in, words and JSON out, through the command alone."""

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator
from typer.testing import CliRunner, Result

from ringland.cli.main import app

SCHEMA_FILE = Path(__file__).parents[2] / "docs" / "analysis.schema.json"
SPEED_RPM = 800.0
RATE_HZ = 4000.0
ORDER = (1, 3, 4, 2)
WEAK = 4


def run(*words: str | Path) -> Result:
    """The command in this process."""
    return CliRunner().invoke(app, [str(word) for word in words])


def written(folder: Path, *, trigger: bool, noise: float, pulse: float = 1.0) -> tuple[Path, Path]:
    """A four-cylinder pulse train at a known speed, cylinder 4 at half strength."""
    random = np.random.default_rng(7)
    time_s = np.arange(int(15 * RATE_HZ)) / RATE_HZ
    angle = 6.0 * SPEED_RPM * time_s
    exhaust = noise * random.standard_normal(time_s.size)
    for position, cylinder in enumerate(ORDER):
        after = (angle - 180.0 * position - 150.0) % 720.0
        size = pulse * (0.5 if cylinder == WEAK else 1.0)
        exhaust += size * np.exp(-(((after - 40.0) / 20.0) ** 2))
    columns = [time_s, exhaust]
    names = "time,exhaust"
    if trigger:
        columns.append(np.where(angle % 720.0 < 10.0, 5.0, 0.0))
        names += ",ignition"
    recording, engine = folder / "recording.csv", folder / "engine.toml"
    np.savetxt(
        recording, np.column_stack(columns), fmt="%.5f", delimiter=",", header=names, comments=""
    )
    text = f"cylinders = 4\nfiring_order = {list(ORDER)}\n"
    if trigger:
        text += "trigger_cylinder = 1\ntrigger_advance_deg = 0.0\n"
    engine.write_text(text)
    return recording, engine


def judged(folder: Path, *words: str) -> Any:
    """The JSON of an analysis that must end with status 0."""
    target = folder / "out.json"
    result = run(
        "analyse", folder / "recording.csv", "--engine", folder / "engine.toml",
        "--condition", "idle", "--json", target, *words,
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    found = json.loads(target.read_text("ascii"))
    errors = Draft202012Validator(json.loads(SCHEMA_FILE.read_text("utf-8"))).iter_errors(found)
    assert [error.message for error in errors] == []
    return found


def test_with_a_trigger_the_weak_cylinder_has_a_number(tmp_path: Path) -> None:
    written(tmp_path, trigger=True, noise=0.02)
    found = judged(tmp_path)
    assert found["speed_rpm"]["value"] == pytest.approx(SPEED_RPM, rel=0.005)
    assert found["speed_rpm"]["low"] <= found["speed_rpm"]["value"] <= found["speed_rpm"]["high"]
    cycles = found["cycles"]
    assert cycles["kept"] + len(cycles["dropped"]) == cycles["found"]
    assert cycles["found"] == pytest.approx(15 * SPEED_RPM / 120, abs=2)
    assert cycles["phase_source"] == "trigger"
    assert [c["firing_position"] for c in found["cylinders"]] == [1, 2, 3, 4]
    states = {c["cylinder"]: c["state"] for c in found["cylinders"]}
    assert states[WEAK] in ("alert", "alarm")
    assert found["not_judged"] is None


def test_without_a_trigger_no_cylinder_has_a_number(tmp_path: Path) -> None:
    written(tmp_path, trigger=False, noise=0.02)
    found = judged(tmp_path)
    assert found["cycles"]["phase_source"] == "pulses"
    assert {c["cylinder"] for c in found["cylinders"]} == {None}
    deviating = [c for c in found["cylinders"] if c["state"] in ("alert", "alarm")]
    assert len(deviating) == 1


def test_the_same_input_gives_the_same_json(tmp_path: Path) -> None:
    written(tmp_path, trigger=True, noise=0.1)
    assert judged(tmp_path) == judged(tmp_path)


def test_json_on_standard_output_and_nothing_else(tmp_path: Path) -> None:
    recording, engine = written(tmp_path, trigger=True, noise=0.02)
    result = run("analyse", recording, "--engine", engine, "--json", "-")
    assert result.exit_code == 0
    assert json.loads(result.stdout)["schema"].startswith("ringland.analysis/")


def test_report_and_words(tmp_path: Path) -> None:
    recording, engine = written(tmp_path, trigger=True, noise=0.02)
    report = tmp_path / "report.html"
    result = run("analyse", recording, "--engine", engine, "--report", report)
    assert result.exit_code == 0
    assert "Each cylinder, in firing order" in result.stdout
    assert "Exhaust gas kills" in result.stdout
    assert report.read_text("utf-8").lstrip().lower().startswith("<!doctype html>")


@pytest.mark.parametrize("noise", [0.0, 1.0])
def test_a_flat_line_or_noise_is_not_judged(noise: float, tmp_path: Path) -> None:
    recording, engine = written(tmp_path, trigger=False, noise=noise, pulse=0.0)
    target = tmp_path / "out.json"
    result = run("analyse", recording, "--engine", engine, "--json", target)
    assert result.exit_code == 3, result.output
    found = json.loads(target.read_text("ascii"))
    assert found["not_judged"]
    assert found["cylinders"] == []
    assert not math.isnan(found["recording"]["duration_s"])


def test_an_engine_that_does_not_fit_is_bad_input(tmp_path: Path) -> None:
    recording, engine = written(tmp_path, trigger=False, noise=0.02)
    engine.write_text("cylinders = 4\nfiring_order = [1, 3, 3, 2]\n")
    result = run("analyse", recording, "--engine", engine)
    assert result.exit_code == 2
    assert "firing_order" in result.stderr


def test_a_role_without_a_channel_is_bad_input(tmp_path: Path) -> None:
    recording, engine = written(tmp_path, trigger=False, noise=0.02)
    result = run("analyse", recording, "--engine", engine, "--channel", "crankcase=Z")
    assert result.exit_code == 2
    assert "Z" in result.stderr


def test_check_of_a_good_and_of_a_silent_recording(tmp_path: Path) -> None:
    recording, engine = written(tmp_path, trigger=True, noise=0.02)
    assert run("check", recording, "--engine", engine, "--condition", "idle").exit_code == 0
    silent, _ = written(tmp_path, trigger=False, noise=0.0, pulse=0.0)
    result = run("check", silent, "--engine", engine)
    assert result.exit_code == 3
    assert "Record again" in result.stdout

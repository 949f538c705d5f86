"""`ringland whatif` and `ringland analyse --severity`, as they are typed."""

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from ringland.cli.main import app

ENGINE = """\
cylinders = 4
firing_order = [1, 3, 4, 2]
fuel = "petrol"
trigger_cylinder = 1
trigger_advance_deg = 10
"""


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """An engine file and a simulated recording of a leak of 5 mm2 in cylinder 3."""
    folder = tmp_path_factory.mktemp("whatif")
    engine, recording = folder / "engine.toml", folder / "recording.csv"
    engine.write_text(ENGINE)
    result = run(
        "simulate", engine, "--fault", "ring_leak:3:5mm2", "--seconds", "8", "--rate", "5000",
        "--out", recording,
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    return engine, recording


def test_whatif_writes_curves_and_a_page(files: tuple[Path, Path], tmp_path: Path) -> None:
    engine, recording = files
    out, page = tmp_path / "w.json", tmp_path / "w.html"
    result = run(
        "whatif", engine, recording, "--condition", "idle", "--fault", "ring_leak:3:5mm2",
        "--json", out, "--html", page,
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert "does not say that the fault is there" in result.output
    content = json.loads(out.read_text())
    assert content["schema"] == "ringland.whatif/1"
    best = content["fits_best"]
    assert best["low"] <= 5.0 <= best["high"]
    assert {c["role"] for c in content["channels"]} == {"exhaust", "crankcase"}
    for channel in content["channels"]:
        assert np.isfinite(channel["simulated"]).all()
        assert len(channel["measured"]) == len(channel["angle_deg"]) == 360
    html = page.read_text(encoding="utf-8")
    assert "<script" not in html
    assert html.count("<svg") == 2


@pytest.mark.parametrize(
    ("fault", "said"),
    [("ring_leak:9:5mm2", "no cylinder 9"), ("gremlins:1:2", "no such fault")],
)
def test_a_fault_that_cannot_be_is_refused(files: tuple[Path, Path], fault: str, said: str) -> None:
    engine, recording = files
    result = run("whatif", engine, recording, "--fault", fault)
    assert result.exit_code == 2
    assert said in result.output


def test_analyse_with_severity_has_an_interval_in_the_json(
    files: tuple[Path, Path], tmp_path: Path
) -> None:
    engine, recording = files
    out = tmp_path / "a.json"
    result = run(
        "analyse", recording, "--engine", engine, "--condition", "idle", "--severity",
        "--json", out,
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    content = json.loads(out.read_text())
    names = [step["name"] for step in content["provenance"]["steps"]]
    leading = content["causes"][0]
    assert "severity.with_severity" in names
    if leading["failure_mode"] == "ring_leak":
        assert leading["severity"]["low"] <= 5.0 <= leading["severity"]["high"]

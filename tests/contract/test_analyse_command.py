"""`ringland analyse` around the pipeline: what goes in, what comes out, with which status."""

import json
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from ringland.cli import _given
from ringland.cli.main import app
from ringland.errors import UnusableRecording
from ringland.model import Analysis, EngineSpec, Recording, RecordingSource


@dataclass
class Stage:
    """Stands in for the pipeline: remembers what it was given, answers with `answer`."""

    answer: Analysis | Exception
    recordings: list[Recording] = field(default_factory=list)
    engines: list[EngineSpec] = field(default_factory=list)
    windows: int = 0

    def analyse(
        self,
        recording: Recording,
        engine: EngineSpec,
        *,
        network: object = None,
        priors: object = None,
    ) -> Analysis:
        self.recordings.append(recording)
        self.engines.append(engine)
        if isinstance(self.answer, Exception):
            raise self.answer
        return self.answer

    def analyse_source(
        self,
        source: RecordingSource,
        engine: EngineSpec,
        *,
        progress: Callable[[float], None] | None = None,
        priors: object = None,
        calmest: bool = False,
    ) -> Analysis:
        assert progress is not None
        assert not calmest, "the recording to be judged goes by the window that shows most"
        progress(0.5)
        self.windows += 1
        return self.analyse(source.read(source.start_s, source.start_s + 1.0), engine)


@pytest.fixture
def recording_file(tmp_path: Path) -> Path:
    path = tmp_path / "r.csv"
    rows = "".join(f"{i / 1000:.3f},{(i % 40) / 40:.3f}\n" for i in range(3000))
    path.write_text("time,Channel A\n" + rows)
    return path


def run_on(stage: Stage, monkeypatch: pytest.MonkeyPatch, *words: str | Path) -> Result:
    """The command with the stage in the pipeline's place."""
    stand_in: Any = SimpleNamespace(analyse=stage.analyse, analyse_source=stage.analyse_source)
    monkeypatch.setitem(sys.modules, "ringland.pipeline", stand_in)
    return CliRunner().invoke(app, ["analyse", *map(str, words), "--engine", "I4-1342"])


def test_judged(whole: Analysis, recording_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stage = Stage(whole)
    result = run_on(
        stage, monkeypatch, recording_file, "--channel", "crankcase=Channel A",
        "--condition", "held", "--speed-hint", "1500",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert "What would explain it" in result.stdout
    (recording,) = stage.recordings
    assert recording.channels[0].role.value == "crankcase"
    assert recording.condition.value == "held"
    assert recording.speed_hint_rpm == 1500.0
    assert stage.engines[0].firing_order == (1, 3, 4, 2)


def test_not_judged(
    unusable: Analysis, recording_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "out.json"
    result = run_on(Stage(unusable), monkeypatch, recording_file, "--json", target)
    assert result.exit_code == 3
    assert "The exhaust channel is silent." in result.stdout
    assert json.loads(target.read_text())["not_judged"] == "The exhaust channel is silent."
    result = run_on(Stage(unusable), monkeypatch, recording_file, "--json", "-")
    assert result.exit_code == 3
    assert json.loads(result.stdout)["not_judged"] == "The exhaust channel is silent."
    assert "Not judged: The exhaust channel is silent." in result.stderr


def test_raised_unusable(recording_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    error = UnusableRecording("Silent.", remedy="Check the hose.")
    result = run_on(Stage(error), monkeypatch, recording_file, "--json", "-")
    assert result.exit_code == 3
    assert json.loads(result.stdout)["error"] == "UnusableRecording"
    assert "Check the hose." in result.stderr


def test_report(
    whole: Analysis, recording_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "missing" / "report.html"
    result = run_on(Stage(whole), monkeypatch, recording_file, "--report", target)
    assert result.exit_code == 2, result.output
    assert "Traceback" not in result.output


def test_a_long_recording_goes_by_window(
    whole: Analysis, recording_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ringland.cli.analyse.LONG_S", 1.0)
    assert _given.LONG_S > 1.0
    stage = Stage(whole)
    result = run_on(stage, monkeypatch, recording_file, "--condition", "idle")
    assert result.exit_code == 0, result.output
    assert stage.windows == 1
    assert stage.recordings[0].condition.value == "idle"
    assert stage.recordings[0].duration_s == pytest.approx(1.0, abs=0.01)

"""From saved JSON to the next test and back: what `analyse` writes, `ask` and `answer` read."""

from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from ringland.cli.main import app
from ringland.model import Analysis
from ringland.output import as_json, write_json


def run(*words: str | Path) -> Result:
    """The command in this process."""
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture
def saved(whole: Analysis, tmp_path: Path) -> Path:
    """The hand-made analysis as `analyse --json` leaves it."""
    path = tmp_path / "bus.json"
    write_json(as_json(whole), path)
    return path


def test_ask_then_answer_then_ask(saved: Path) -> None:
    asked = run("ask", saved)
    assert asked.exit_code == 0, asked.output
    answered = run("answer", "leakdown", "crankcase", "--position", "3", "--analysis", saved)
    assert answered.exit_code == 0, answered.output
    again = run("ask", saved)
    assert again.exit_code == 0
    assert again.stdout != asked.stdout
    assert "ring" in again.stdout.casefold()


def test_trying_an_answer_keeps_nothing(saved: Path) -> None:
    before = sorted(saved.parent.iterdir())
    words = ["answer", "leakdown", "crankcase", "--position", "3", "--try", "--analysis"]
    assert run(*words, saved).exit_code == 0
    assert sorted(saved.parent.iterdir()) == before


def test_wrong_answers_are_bad_input(saved: Path, tmp_path: Path) -> None:
    for words in (
        ["answer", "leakdown", "green", "--position", "3", "--analysis", str(saved)],
        ["answer", "no_such_test", "yes", "--analysis", str(saved)],
        ["ask", str(tmp_path / "missing.json")],
    ):
        result = run(*words)
        assert result.exit_code == 2, result.output
        assert "Traceback" not in result.output
    other = tmp_path / "other.json"
    other.write_text("[1, 2]")
    assert run("ask", other).exit_code == 2

"""`ringland ask` and `ringland answer` on a saved analysis."""

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from ringland.cli._saved import answers_path, find_analysis, read_saved, rediagnose
from ringland.cli.answer import answer_command
from ringland.cli.ask import ask_command
from ringland.diagnosis import diagnose
from ringland.errors import BadInput, FileFormatError
from ringland.model import (
    Analysis,
    Assignment,
    CaseEvidence,
    CylinderSet,
    EngineSpec,
    Estimate,
    QualityReport,
    Recording,
    State,
    Symptom,
    SymptomTable,
)
from ringland.output import as_json, write_json

ENGINE = EngineSpec("six", 6, (1, 5, 3, 6, 2, 4), tuple(120.0 * i for i in range(6)))
LIMITS = {"crankcase_push": 0.3, "crankcase_pull": 0.3, "exhaust_pulse_strength": -0.15}

app = typer.Typer()
app.command("ask")(ask_command)
app.command("answer")(answer_command)


def run(*arguments: str | Path) -> tuple[int, str]:
    result = CliRunner().invoke(app, [str(a) for a in arguments])
    return result.exit_code, result.output


def share_of_rings(text: str) -> float:
    """The percentage beside the cause, as a share."""
    found = re.search(r"Worn or stuck rings in cylinder 3: .*?\((\d+) %\)", text)
    return int(found.group(1)) / 100 if found else 0.0


@pytest.fixture
def saved(tmp_path: Path) -> Path:
    """An analysis whose third firing position (cylinder 3) pushes the crankcase somewhat."""
    rows = []
    for metric, limit in LIMITS.items():
        for position in range(1, 7):
            size = 1.3 if position == 3 and metric.startswith("crankcase") else 0.0
            deviation = Estimate.from_se(size * limit, 0.1 * abs(limit), "1")
            state = State.ALERT if size > 1 else State.NORMAL
            rows.append(
                Symptom(metric, position, state, deviation, limit, 2 * limit, 0.01, "own", "")
            )
    assignments = tuple(
        Assignment(p, 120.0 * (p - 1), ENGINE.firing_order[p - 1], 0.99, True, "trigger")
        for p in range(1, 7)
    )
    analysis = Analysis(
        Recording(()),
        ENGINE,
        QualityReport(()),
        cylinders=CylinderSet((), (), (), assignments, (), ()),
        symptoms=SymptomTable(tuple(rows), 0.01, 0.05),
    )
    path = tmp_path / "idle.json"
    write_json(as_json(analysis), path)
    return path


def test_a_saved_analysis_reads_back(saved: Path) -> None:
    back = read_saved(saved)
    assert back.engine.firing_order == ENGINE.firing_order
    assert [a.cylinder for a in back.cylinders.assignments] == list(ENGINE.firing_order)
    pushed = [s for s in back.symptoms.symptoms if s.state is State.ALERT]
    assert {(s.metric, s.firing_position) for s in pushed} == {
        ("crankcase_push", 3),
        ("crankcase_pull", 3),
    }
    assert pushed[0].deviation.value == pytest.approx(0.39)


def test_ask_then_answer_moves_the_ranking_and_keeps_the_answer(saved: Path) -> None:
    status, before = run("ask", saved)
    assert status == 0
    assert "0 answers so far" in before
    status, after = run(
        "answer", "leakdown", "--analysis", saved, "--cylinder", "3", "--percent", "35",
        "--orifice", "1.0mm", "--supply", "7bar", "--heard", "crankcase",
    )  # fmt: skip
    assert status == 0
    assert "Leak area 1.06 mm2" in after
    assert share_of_rings(before) < 0.4
    assert share_of_rings(after) > 0.6
    kept = [json.loads(line) for line in answers_path(saved).read_text("utf-8").splitlines()]
    assert [(k["test"], k["outcome"], k["cylinder"]) for k in kept] == [
        ("leakdown", "crankcase", 3)
    ]
    status, again = run("ask", saved)
    assert "1 answers so far" in again
    assert share_of_rings(again) == share_of_rings(after)


def test_trying_keeps_nothing(saved: Path) -> None:
    status, text = run("answer", "overheated", "no", "--analysis", saved, "--try")
    assert status == 0
    assert "Not kept." in text
    assert not answers_path(saved).exists()


def test_the_newest_analysis_of_a_folder_is_taken(saved: Path) -> None:
    (saved.parent / "other.json").write_text('{"schema": "else"}', encoding="utf-8")
    assert find_analysis(saved.parent) == saved
    with pytest.raises(BadInput, match="no such analysis"):
        find_analysis(saved.parent / "gone.json")
    empty = saved.parent / "empty"
    empty.mkdir()
    with pytest.raises(BadInput, match="no saved analysis"):
        find_analysis(empty)


def test_how_a_check_is_done(saved: Path) -> None:
    status, text = run("ask", "--how", "leakdown")
    assert status == 0
    assert "Caution:" in text
    assert "1. Warm engine." in text


@pytest.mark.parametrize(
    "arguments",
    [
        ("leakdown", "sideways", "--cylinder", "3"),
        ("leekdown", "tight", "--cylinder", "3"),
        ("leakdown", "--percent", "35", "--cylinder", "3"),
        ("leakdown", "tight", "--cylinder", "9"),
        ("leakdown", "tight"),
    ],
)
def test_wrong_answers_are_refused_and_not_kept(saved: Path, arguments: tuple[str, ...]) -> None:
    status, _ = run("answer", *arguments, "--analysis", saved)
    assert status == 2
    assert not answers_path(saved).exists()


@pytest.mark.parametrize(
    "spoil",
    [
        lambda text: "not json",
        lambda text: "[]",
        lambda text: text.replace("ringland.analysis/", "something.else/"),
        lambda text: text.replace('"firing_order"', '"firing_odor"'),
        lambda text: text.replace('"cylinders": 6', '"cylinders": "six"'),
    ],
)
def test_damaged_files_are_refused(saved: Path, spoil: Callable[[str], str]) -> None:
    saved.write_text(spoil(saved.read_text("utf-8")), encoding="utf-8")
    with pytest.raises(FileFormatError):
        read_saved(saved)
    assert run("ask", saved)[0] == 2


@pytest.mark.parametrize(
    "channels", [("exhaust", "crankcase"), ("exhaust", "crankcase", "crank"), ("crank",), ()]
)
def test_what_simulated_engines_said_is_read_back(saved: Path, channels: tuple[str, ...]) -> None:
    """The ranking from the file is the ranking that was written: no evidence is lost."""
    left = channels if len(channels) > 1 else ()
    cases = CaseEvidence(
        log_ratio={("inlet_valve_leak", p): 7.0 if p == 2 else -1.0 for p in range(1, 7)},
        none_of_these=0.5,
        metrics=("crankcase_push",),
        severity={("inlet_valve_leak", 2): Estimate(3.0, 2.0, 5.0, "mm2")},
        without_channel={
            channel: {("inlet_valve_leak", p): float(n) for p in range(1, 7)}
            for n, channel in enumerate(left)
        },
        channels=channels,
    )
    one = read_saved(saved)
    found = diagnose(one.symptoms, None, one.cylinders, one.engine, likelihoods=cases)
    write_json(
        as_json(
            Analysis(
                Recording(()), one.engine, QualityReport(()), cylinders=one.cylinders,
                symptoms=one.symptoms, diagnosis=found,
            )
        ),
        saved,
    )  # fmt: skip
    back = rediagnose(read_saved(saved))
    assert back.causes[0].failure_mode == "inlet_valve_leak"
    assert back.causes[0].firing_position == 2
    assert [c.probability for c in back.causes] == pytest.approx(
        [c.probability for c in found.causes]
    )
    assert back.causes[0].severity == found.causes[0].severity
    assert back.causes[0].speaks_for == found.causes[0].speaks_for
    assert back.cases is not None and back.cases.channels == channels
    # what the channels say sums to what the cases say
    said = [w for w in found.causes[0].speaks_for if w.evidence.startswith("simulated_")]
    names = {w.evidence.removeprefix("simulated_") for w in said}
    assert names <= (set(channels) if len(channels) > 1 or "crank" in channels else {"pulses"})

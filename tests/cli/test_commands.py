"""The command as another program sees it: exit status, standard output, standard error."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any, NoReturn, get_args, get_type_hints

import pytest
import typer
from typer.testing import CliRunner, Result

from ringland import __version__
from ringland.cli._errors import told_to_the_user
from ringland.cli._given import engine_named, parse_roles
from ringland.cli._text import plain
from ringland.cli.main import app
from ringland.errors import EngineError, SettingError, UnusableRecording

ENGINE = "cylinders = 4\nfiring_order = [1, 3, 4, 2]\n"


def run(*words: str) -> Result:
    """The command in this process."""
    return CliRunner().invoke(app, list(words))


@pytest.fixture
def engine_file(tmp_path: Path) -> Path:
    path = tmp_path / "engine.toml"
    path.write_text(ENGINE)
    return path


def test_version() -> None:
    result = run("version")
    assert result.exit_code == 0
    assert result.stdout == f"ringland {__version__}\n"


@pytest.mark.parametrize("command", ["analyse", "check", "engines", "demo", "simulate", "version"])
def test_help_of_each_command(command: str) -> None:
    result = run(command, "--help")
    assert result.exit_code == 0
    assert "Usage:" in result.stdout


@pytest.mark.parametrize(
    "words",
    [
        ["analyze"],
        ["analyse"],
        ["analyse", "x.csv"],
        ["analyse", "x.csv", "--engine", "e.toml", "--condition", "sprinting"],
        ["analyse", "x.csv", "--engine", "e.toml", "--rate", "often"],
        ["check"],
    ],
)
def test_wrong_usage_is_bad_input(words: list[str]) -> None:
    assert run(*words).exit_code == 2


def test_conditions_are_those_of_the_model() -> None:
    from ringland.cli.analyse import analyse
    from ringland.model import Condition

    literal = get_args(get_type_hints(analyse)["condition"])[0]
    assert set(get_args(literal)) == {c.value for c in Condition} - {"unknown"}


def test_missing_file(engine_file: Path) -> None:
    result = run("analyse", "no-such-file.csv", "--engine", str(engine_file))
    assert result.exit_code == 2
    assert "no-such-file.csv" in result.stderr
    assert "Traceback" not in result.stderr
    assert result.stdout == ""


def test_missing_engine(tmp_path: Path) -> None:
    recording = tmp_path / "r.csv"
    recording.write_text("time,exhaust\n" + "".join(f"{i / 1000},{i % 7}\n" for i in range(2000)))
    result = run("analyse", str(recording), "--engine", "none.toml")
    assert result.exit_code == 2
    assert "none.toml" in result.stderr


def test_error_as_json_on_standard_output(engine_file: Path) -> None:
    result = run("analyse", "no-such-file.csv", "--engine", str(engine_file), "--json", "-")
    assert result.exit_code == 2
    found: dict[str, Any] = json.loads(result.stdout)
    assert set(found) == {"error", "wrong", "got", "allowed", "remedy"}
    assert found["error"] == "FileFormatError"


def test_error_replaces_an_older_result(engine_file: Path, tmp_path: Path) -> None:
    target = tmp_path / "result.json"
    target.write_text("{}")
    run("analyse", "no-such-file.csv", "--engine", str(engine_file), "--json", str(target))
    assert json.loads(target.read_text())["error"] == "FileFormatError"


def test_engines_list_and_show(tmp_path: Path) -> None:
    listed = run("engines")
    assert listed.exit_code == 0
    assert listed.stdout == run("engines", "list").stdout
    assert listed.stdout.split()[0] == "id"
    first = listed.stdout.splitlines()[1].split()[0]
    shown = run("engines", "show", first)
    assert shown.exit_code == 0
    wrong = run("engines", "show", "no-such-layout")
    assert wrong.exit_code == 2
    assert "no-such-layout" in wrong.stderr


def test_every_layout_shown_reads_back_as_the_same_engine(tmp_path: Path) -> None:
    from ringland.cli._layouts import layout_as_toml
    from ringland.engines import layouts, load_engine

    for layout in layouts():
        path = tmp_path / "engine.toml"
        path.write_text(layout_as_toml(layout), encoding="utf-8")
        assert load_engine(path) == layout.engine


def test_engine_by_layout_id_or_file(engine_file: Path) -> None:
    assert engine_named(str(engine_file)).firing_order == (1, 3, 4, 2)
    assert engine_named("I4-1342").firing_order == (1, 3, 4, 2)
    with pytest.raises(EngineError):
        engine_named("no-such-layout")


def test_roles() -> None:
    assert parse_roles(["exhaust=Ch A", " crankcase = B=2 "]) == {
        "exhaust": "Ch A",
        "crankcase": "B=2",
    }
    for wrong in (["exhaust"], ["=x"], ["exhaust="], ["exhaust=a", "exhaust=b"]):
        with pytest.raises(SettingError):
            parse_roles(wrong)


@pytest.mark.parametrize(
    ("raised", "status", "words"),
    [
        (SettingError("Wrong.", got="a\x1b[2Jb"), 2, "\\x1b[2J"),
        (UnusableRecording("Silent."), 3, "Silent."),
        (KeyboardInterrupt(), 130, "Stopped"),
        (ZeroDivisionError("oops"), 1, "ZeroDivisionError"),
    ],
)
def test_errors_become_words_and_a_status(
    raised: BaseException, status: int, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(typer.Exit) as stopped, told_to_the_user():
        _raise(raised)
    assert stopped.value.exit_code == status
    captured = capsys.readouterr()
    assert words in captured.err
    assert "Traceback" not in captured.err
    assert captured.out == ""


def _raise(error: BaseException) -> NoReturn:
    raise error


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("Channel Ä 1", "Channel Ä 1"),
        ("a\x1b[31mb", "a\\x1b[31mb"),
        ("a\r\nb", "a\\r\\nb"),
        ("x\u202ey", "x\\u202ey"),
        ("lone \udc80", "lone \\udc80"),
    ],
)
def test_text_from_files_cannot_steer_the_terminal(given: str, shown: str) -> None:
    assert plain(given) == shown


def test_as_a_program() -> None:
    finished = subprocess.run(
        [sys.executable, "-m", "ringland", "analyse", "none.wav", "--engine", "I4-1342"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert finished.returncode == 2
    assert "Traceback" not in finished.stderr


def test_demo_offers_every_invented_vehicle() -> None:
    from ringland.cli.demo import demo
    from ringland.simulator.demo import demo_vehicles

    offered = get_args(get_type_hints(demo, include_extras=False)["vehicle"])
    assert set(offered) == {vehicle.id for vehicle in demo_vehicles()}


def test_demo_in_a_folder_that_cannot_be(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    result = run("demo", "--folder", str(tmp_path / "file" / "inside"))
    assert result.exit_code == 2
    assert "--folder" in result.stderr


def test_simulate_writes_a_recording_that_reads_back_and_the_truth(
    engine_file: Path, tmp_path: Path
) -> None:
    from ringland import read_recording

    engine_file.write_text(ENGINE + "trigger_cylinder = 1\ntrigger_advance_deg = 10.0\n")
    target = tmp_path / "sim.csv"
    words = ["simulate", str(engine_file), "--fault", "misfire:3:1", "--seconds", "1"]
    result = run(*words, "--rate", "4000", "--out", str(target))
    assert result.exit_code == 0, result.output
    assert "no engine was recorded" in result.stdout
    roles = {channel.role.value for channel in read_recording(target).channels}
    assert roles == {"exhaust", "crankcase", "ignition"}
    told = json.loads((tmp_path / "sim.truth.json").read_text())
    assert told["faults"][0]["cylinders"] == [3]
    missed = told["missed_per_cylinder"]
    assert missed[2] > 0
    assert missed[0] == missed[1] == missed[3] == 0
    assert run(*words, "--out", str(tmp_path / "sim.xyz")).exit_code == 2
    wrong = run("simulate", str(engine_file), "--fault", "gremlin:1:2", "--out", str(target))
    assert wrong.exit_code == 2


def test_conditions_of_simulate_are_those_of_the_simulator() -> None:
    from ringland.cli.simulate import simulate
    from ringland.simulator.conditions import RunCondition

    offered = get_args(get_type_hints(simulate)["condition"])
    assert set(offered) == {condition.value for condition in RunCondition}

"""Several recordings of one engine through the command alone: grammar, JSON, ask and answer."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator
from typer.testing import CliRunner, Result

from ringland.cli._also import parse_further
from ringland.cli.main import app
from ringland.errors import SettingError

SCHEMA_FILE = Path(__file__).parents[2] / "docs" / "analysis.schema.json"
ORDER = (1, 3, 4, 2)
RATE_HZ = 4000.0


def run(*words: str | Path) -> Result:
    """The command in this process."""
    return CliRunner().invoke(app, [str(word) for word in words])


def pulses(path: Path, *, rpm: float, weak: int, trigger: bool, seed: int) -> None:
    """A four-cylinder pulse train, one cylinder at half strength."""
    random = np.random.default_rng(seed)
    time_s = np.arange(int(8 * RATE_HZ)) / RATE_HZ
    angle = 6.0 * rpm * time_s + 100.0 * seed
    exhaust = 0.02 * random.standard_normal(time_s.size)
    for position, cylinder in enumerate(ORDER):
        after = (angle - 180.0 * position - 150.0) % 720.0
        size = 0.5 if cylinder == weak else 1.0
        exhaust += size * np.exp(-(((after - 40.0) / 20.0) ** 2))
    columns, names = [time_s, exhaust], "time,exhaust"
    if trigger:
        columns.append(np.where(angle % 720.0 < 10.0, 5.0, 0.0))
        names += ",ignition"
    np.savetxt(path, np.column_stack(columns), fmt="%.5f", delimiter=",", header=names, comments="")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("three")
    pulses(made / "idle.csv", rpm=800.0, weak=4, trigger=True, seed=1)
    pulses(made / "fast.csv", rpm=1500.0, weak=4, trigger=True, seed=2)
    pulses(made / "then.csv", rpm=790.0, weak=0, trigger=True, seed=5)
    pulses(made / "bare.csv", rpm=1100.0, weak=4, trigger=False, seed=3)
    (made / "noise.csv").write_text(
        "time,exhaust\n"
        + "".join(
            f"{i / RATE_HZ:.5f},{v:.4f}\n"
            for i, v in enumerate(np.random.default_rng(4).normal(size=20_000))
        )
    )
    (made / "engine.toml").write_text(
        f"cylinders = 4\nfiring_order = {list(ORDER)}\n"
        "trigger_cylinder = 1\ntrigger_advance_deg = 0.0\n"
    )
    return made


def judged(folder: Path, first: str, *words: str, out: str = "out.json") -> Any:
    """The JSON of an analysis that must end with status 0."""
    result = run(
        "analyse", folder / first, "--engine", folder / "engine.toml",
        "--json", folder / out, *words,
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    found = json.loads((folder / out).read_text("utf-8"))
    schema = json.loads(SCHEMA_FILE.read_text("utf-8"))
    assert [e.message for e in Draft202012Validator(schema).iter_errors(found)] == []
    return found


def test_one_ranking_from_all(folder: Path) -> None:
    alone = judged(folder, "idle.csv", "--condition", "idle")
    assert alone["joined"] == []
    found = judged(
        folder, "idle.csv", "--condition", "idle",
        "--also", f"{folder / 'fast.csv'},condition=held,speed-hint=1500",
        "--also", f"{folder / 'bare.csv'},condition=held",
        "--also", f"{folder / 'noise.csv'}",
        "--earlier", f"{folder / 'fast.csv'},condition=held",
    )  # fmt: skip
    said = found["joined"]
    assert [r["name"] for r in said] == [
        "idle.csv", "fast.csv", "bare.csv", "fast.csv", "noise.csv",
    ]  # fmt: skip
    assert [r["condition"] for r in said[:3]] == ["idle", "held", "held"]
    assert [r["turned"] for r in said] == [False, False, True, False, False]
    assert [r["earlier"] for r in said] == [False, False, False, True, False]
    assert said[0]["evidence"] is None and said[1]["evidence"]["cylinders"] == list(ORDER)
    assert said[4]["left_out"] and said[4]["weight"] == 0.0
    assert said[1]["speed_rpm"] == pytest.approx(1500, rel=0.01)
    assert found["healthy"] + found["none_of_these"] + sum(
        c["probability"] for c in found["causes"]
    ) == pytest.approx(1.0)
    assert [c["probability"] for c in found["causes"]] != [
        c["probability"] for c in alone["causes"]
    ]


def test_the_recording_with_the_numbers_comes_first(folder: Path) -> None:
    found = judged(folder, "bare.csv", "--also", f"{folder / 'idle.csv'},condition=idle")
    assert found["recording"]["name"] == "idle.csv"
    assert any("it has the cylinder numbers" in note for note in found["notes"])
    assert [r["turned"] for r in found["joined"]] == [False, True]


def test_ask_and_answer_go_on_from_all_recordings(folder: Path) -> None:
    """A saved joint ranking read back gives the same probabilities."""
    found = judged(
        folder, "idle.csv", "--condition", "idle", "--also",
        f"{folder / 'fast.csv'},condition=held", out="joint.json",
    )  # fmt: skip
    from ringland.cli._saved import read_saved, rediagnose

    again = rediagnose(read_saved(folder / "joint.json"))
    assert again.healthy == pytest.approx(found["healthy"], abs=1e-9)
    assert [c.probability for c in again.causes] == pytest.approx(
        [c["probability"] for c in found["causes"]], abs=1e-9
    )
    asked = run("ask", folder / "joint.json")
    assert asked.exit_code == 0, asked.output
    assert "What each recording said" in asked.output and "fast.csv" in asked.output
    told = run(
        "answer", "leakdown", "exhaust", "--cylinder", "4", "--analysis", folder / "joint.json",
        "--try",
    )  # fmt: skip
    assert told.exit_code == 0, told.output
    assert "fast.csv" in told.output


def test_held_against_when_the_engine_was_sound(folder: Path) -> None:
    """The first sound recording made the same way is taken; answers go on from the saved JSON."""
    alone = judged(folder, "idle.csv", "--condition", "idle")
    found = judged(
        folder, "idle.csv", "--condition", "idle",
        "--when-sound", f"{folder / 'fast.csv'},condition=held",
        "--when-sound", f"{folder / 'then.csv'},condition=idle",
        out="held.json",
    )  # fmt: skip
    assert found["simulated_cases"]["against_sound"] == "then.csv"
    assert any("Held against then.csv" in note for note in found["ranking_notes"])
    assert found["healthy"] != alone["healthy"]
    assert found["causes"][0]["cylinder"] == 4
    told = run(
        "answer", "leakdown", "exhaust", "--cylinder", "4", "--analysis", folder / "held.json",
        "--try",
    )  # fmt: skip
    assert told.exit_code == 0, told.output
    assert "Held against then.csv" in " ".join(told.output.split())


def test_a_sound_recording_that_cannot_be_used_is_said(folder: Path) -> None:
    found = judged(
        folder, "idle.csv", "--condition", "idle", "--when-sound",
        f"{folder / 'fast.csv'},condition=held",
    )  # fmt: skip
    assert found["simulated_cases"]["against_sound"] is None
    assert any("Not held against when the engine was sound" in n for n in found["ranking_notes"])
    joined = judged(
        folder, "idle.csv", "--condition", "idle",
        "--also", f"{folder / 'fast.csv'},condition=held",
        "--when-sound", f"{folder / 'then.csv'},condition=idle",
    )  # fmt: skip
    assert joined["simulated_cases"]["against_sound"] == "then.csv"
    assert any("Held against then.csv" in note for note in joined["ranking_notes"])


def test_a_report_can_be_made_of_the_saved_ranking(folder: Path) -> None:
    judged(folder, "idle.csv", "--also", str(folder / "fast.csv"), "--report",
           str(folder / "now.html"), out="saved.json")  # fmt: skip
    page = (folder / "now.html").read_text("utf-8")
    assert "These causes rest on 2 recordings together" in page
    from ringland.report.saved import analysis_from_json

    back = analysis_from_json(json.loads((folder / "saved.json").read_text("utf-8")))
    assert back.diagnosis is not None
    assert [r.name for r in back.diagnosis.recordings] == ["idle.csv", "fast.csv"]


def test_settings_are_read_from_the_right(tmp_path: Path) -> None:
    odd = tmp_path / "a,b=c.csv"
    odd.write_text("x")
    found = parse_further(f"{odd},condition=held,rate=5000,map=m.toml,exhaust=Channel A")
    assert found.path == odd
    assert (found.condition, found.rate_hz, found.map_file) == ("held", 5000.0, Path("m.toml"))
    assert found.roles == {"exhaust": "Channel A"}
    assert parse_further("plain.csv").path == Path("plain.csv")


@pytest.mark.parametrize(
    "text",
    ["a.csv,conditon=held", "a.csv,condition=fast", "a.csv,rate=-1", "a.csv,rate=x",
     "a.csv,rate=1,rate=2"],
)  # fmt: skip
def test_a_wrong_setting_says_what_is_allowed(text: str) -> None:
    with pytest.raises(SettingError):
        parse_further(text)


def test_a_missing_further_file_is_named(folder: Path) -> None:
    result = run("analyse", folder / "idle.csv", "--engine", folder / "engine.toml",
                 "--also", str(folder / "none.csv"))  # fmt: skip
    assert result.exit_code == 2
    assert "none.csv" in result.output

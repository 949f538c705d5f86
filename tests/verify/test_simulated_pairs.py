"""A slice of validation/before_after.py, and the command on its recordings."""

import importlib
import json
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest
from typer.testing import CliRunner

from ringland.cli.main import app
from ringland.model import Analysis
from ringland.output import as_json, write_json
from ringland.pipeline import analyse
from ringland.simulator.faults import Fault
from ringland.verify.before_after import compare
from ringland.verify.normal import NormalState, back_to_normal
from ringland.verify.readings import measured_from_analysis, measured_from_json

INDEX, SEED, CYLINDER = 9, 4711, 4
VISITS = {"sound": 0.0, "again": 0.0, "leaking": 2.0}


@dataclass(frozen=True, eq=False)
class Visits:
    """Analyses by name, and the folder that holds their JSON."""

    analyses: dict[str, Analysis]
    folder: Path


@pytest.fixture(scope="module")
def visits(tmp_path_factory: pytest.TempPathFactory) -> Visits:
    sys.path.insert(0, str(Path(__file__).parents[2] / "validation"))
    pairs = importlib.import_module("pairs")
    folder = tmp_path_factory.mktemp("visits")
    found = {}
    for number, (name, area) in enumerate(VISITS.items()):
        fault = Fault("ring_leak", (CYLINDER,), area) if area else None
        made = pairs.make_visit(INDEX, number, SEED, fault)
        found[name] = analyse(made.recording, made.engine, diagnose=False)
        write_json(as_json(found[name]), folder / f"{name}.json")
    return Visits(found, folder)


def test_nothing_changed(visits: Visits) -> None:
    one, two = (measured_from_analysis(visits.analyses[n]) for n in ("sound", "again"))
    found = compare(one, two)
    assert not found.refused
    assert found.compared > 20
    assert found.changed == ()


def test_a_cured_leak_is_seen_in_its_cylinder(visits: Visits) -> None:
    one, two = (measured_from_analysis(visits.analyses[n]) for n in ("leaking", "again"))
    found = compare(one, two)
    assert found.most_improved is not None
    assert found.most_improved.cylinder == CYLINDER
    assert found.changed


def test_a_leak_is_not_called_normal(visits: Visits) -> None:
    leaking = measured_from_analysis(visits.analyses["leaking"])
    sound = measured_from_analysis(visits.analyses["sound"])
    for baseline in (None, sound):
        places = {p.cylinder: p for p in back_to_normal(leaking, baseline=baseline)}
        assert places[CYLINDER].state is not NormalState.SHOWN


def test_both_forms_of_an_analysis_say_the_same(visits: Visits) -> None:
    for name, analysis in visits.analyses.items():
        direct = measured_from_analysis(analysis)
        read = measured_from_json(json.loads((visits.folder / f"{name}.json").read_text()))
        assert [r.metric for r in sorted(direct.readings, key=repr)] == [
            r.metric for r in sorted(read.readings, key=repr)
        ]
        for reading in read.readings:
            other = direct.reading(reading.metric, reading.role, reading.firing_position)
            assert other is not None
            assert other.cylinder == reading.cylinder
            assert other.value == pytest.approx(reading.value)
            assert other.standard_error == pytest.approx(reading.standard_error, rel=1e-6)
        assert (direct.condition, direct.numbering) == (read.condition, read.numbering)
        assert direct.delays_s[0][1].value == pytest.approx(read.delays_s[0][1].value)


def run(folder: Path, *words: str) -> tuple[int, str, str]:
    given = [str(folder / w) if w.endswith((".json", ".html", ".pdf")) else w for w in words]
    result = CliRunner().invoke(app, given)
    return result.exit_code, result.stdout, result.stderr


def test_the_command(visits: Visits) -> None:
    status, out, _ = run(
        visits.folder, "compare", "leaking.json", "again.json", "--baseline", "sound.json",
        "--report", "page.html", "--json", "said.json",
    )  # fmt: skip
    assert status == 0
    assert f"cylinder {CYLINDER} improved most" in out
    said = json.loads((visits.folder / "said.json").read_text())
    assert said["schema"] == "ringland.comparison/1"
    assert said["most_improved"]["cylinder"] == CYLINDER
    assert "NaN" not in (visits.folder / "said.json").read_text()
    page = (visits.folder / "page.html").read_text(encoding="utf-8")
    assert "<svg" in page
    assert "Back to normal?" in page
    assert "<script" not in page


def test_unlike_recordings_are_refused_with_status_3(visits: Visits) -> None:
    document = json.loads((visits.folder / "leaking.json").read_text())
    document["provenance"]["ringland"] = "0.0.1"
    (visits.folder / "old.json").write_text(json.dumps(document))
    status, out, _ = run(visits.folder, "compare", "old.json", "again.json")
    assert status == 3
    assert "Analyse the older recording again first" in out


def test_repeats_are_kept_and_used(visits: Visits) -> None:
    status, out, _ = run(
        visits.folder, "repeatability", "sound.json", "again.json", "--json", "repeats.json"
    )
    assert status == 0
    assert "crankcase_push" in out
    status, out, _ = run(
        visits.folder, "compare", "leaking.json", "again.json", "--repeats", "repeats.json"
    )
    assert status == 0
    assert "2 repeats of your own" in out


@pytest.mark.parametrize(
    ("text", "said"),
    [("[1, 2]", "holds no object"), ("{", "cannot be read as JSON"), ("{}", "is not an analysis"),
     ('{"schema": "ringland.analysis/1"}', "damaged")],
)  # fmt: skip
def test_damaged_documents_are_refused(visits: Visits, text: str, said: str) -> None:
    (visits.folder / "bad.json").write_text(text)
    status, _, err = run(visits.folder, "compare", "bad.json", "again.json")
    assert status == 2
    assert said in err


def test_a_recording_needs_its_engine(visits: Visits) -> None:
    (visits.folder / "a.csv").write_text("time,exhaust\n0,0\n")
    result = CliRunner().invoke(
        app, ["compare", str(visits.folder / "a.csv"), str(visits.folder / "again.json")]
    )
    assert result.exit_code == 2
    assert "needs the engine" in result.stderr

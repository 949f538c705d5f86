"""The commands of the history, as a technician types them."""

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from ringland.cli.main import app

Run = Callable[..., str]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a command on a store of its own; fails when the exit status is not the one expected."""
    monkeypatch.setenv("RINGLAND_DATA", str(tmp_path / "store"))
    monkeypatch.setenv("COLUMNS", "200")

    def call(*words: str, status: int = 0) -> str:
        result = CliRunner().invoke(app, list(words))
        assert result.exit_code == status, result.output
        return result.output

    return call


def engine_file(tmp_path: Path) -> str:
    """An engine file as a technician writes one."""
    path = tmp_path / "engine.toml"
    path.write_text("cylinders = 4\nfiring_order = [1, 3, 4, 2]\n")
    return str(path)


def test_a_vehicle_from_first_to_last(run: Run, tmp_path: Path) -> None:
    said = run("vehicle", "add", "Bus 12", "--owner", "Marrow Valley Transit",
               "--vin", "1G4AH59H55G118341", "--engine", engine_file(tmp_path))  # fmt: skip
    assert "check digit would be 4" in said and "Kept Bus 12" in said
    run("visit", "add", "Bus 12", "--purpose", "fault-finding", "--on", "2026-03-09",
        "--odometer", "100mi", "--coolant", "85degC", "--complaint", "puffing")  # fmt: skip
    run("visit", "work", "Bus 12", "Exhaust valve renewed", "--cylinder", "5", "--cost", "900")
    run("visit", "outcome", "Bus 12", "exhaust_valve_leak", "--cylinder", "5", "--how", "teardown")
    run("visit", "test", "Bus 12", "leakdown", "nonsense", status=2)
    run("vehicle", "note", "Bus 12", "dipstick tube is loose")
    shown = run("vehicle", "show", "bus 12".title())
    for words in ("161 km", "puffing", "Exhaust valve renewed", "exhaust valve leak of cylinder 5",
                  "dipstick tube is loose", "Marrow Valley Transit"):  # fmt: skip
        assert words in shown
    assert "Bus 12" in run("search", "puff")
    assert "Bus 12" in run("vehicle", "list", "--owner", "Marrow Valley Transit")
    assert "Everything is as it was kept" in run("store", "verify")


def test_deleted_and_back(run: Run) -> None:
    run("vehicle", "add", "Bus 12")
    run("visit", "add", "Bus 12", "--on", "2026-03-09")
    line = run("visit", "delete", "Bus 12", "2026-03-09").split()[-1]
    assert "2026-03-09" not in run("vehicle", "show", "Bus 12")
    run("store", "undo", line)
    assert "2026-03-09" in run("vehicle", "show", "Bus 12")
    gone = run("vehicle", "delete", "Bus 12").split()[-1]
    assert run("vehicle", "list") == ""
    assert "deleted" in run("vehicle", "list", "--deleted")
    run("vehicle", "restore", gone)
    assert "Bus 12" in run("vehicle", "list")
    run("vehicle", "change", "Bus 12", "--plate", "MV 12")
    log = run("store", "log").splitlines()
    change = next(line.split()[0] for line in log if " change " in line)
    run("store", "undo", change)
    assert "MV 12" not in run("vehicle", "show", "Bus 12")


def test_kept_twice_and_joined(run: Run) -> None:
    run("vehicle", "add", "Bus 12", "--plate", "MV 12")
    run("vehicle", "add", "Bus twelve", "--vin", "1M8GDM9AXKP042788")
    run("visit", "add", "Bus twelve", "--on", "2026-03-09")
    run("vehicle", "join", "MV 12", "Bus twelve")
    shown = run("vehicle", "show", "Bus 12")
    assert "2026-03-09" in shown and "1M8GDM9AXKP042788" in shown
    assert "twelve" not in run("vehicle", "list")


def test_another_engine(run: Run, tmp_path: Path) -> None:
    run("vehicle", "add", "Bus 12", "--engine", engine_file(tmp_path))
    run("vehicle", "engine", "Bus 12", "I4-1342", "--fitted-on", "2026-05-01", "--serial", "X7")
    shown = run("vehicle", "show", "Bus 12")
    assert "2026-05-01" in shown and "X7" in shown


def test_backup_merge_export(run: Run, tmp_path: Path) -> None:
    run("vehicle", "add", "Bus 12")
    backup, other, file = (str(tmp_path / n) for n in ("backup", "other", "bus.zip"))
    assert "rows" in run("store", "backup", backup)
    run("store", "restore", backup, "--store", other)
    run("vehicle", "add", "Van 21", "--store", other)
    assert "1 rows added" in run("store", "merge", other)
    assert "Van 21" in run("vehicle", "list")
    run("vehicle", "export", "Van 21", file)
    assert "0 rows added" in run("vehicle", "import", file)
    assert "vehicle.csv" in run("store", "export", str(tmp_path / "tables"))
    assert "vehicle" in run("store", "info")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("vehicle", "show", "none"), "no vehicle of that name"),
        (("visit", "add", "none"), "no vehicle of that name"),
        (("store", "restore", "nowhere"), "no backup in that folder"),
        (("store", "merge", "nowhere"), "no such store"),
        (("store", "undo", "x"), "no such line"),
        (("vehicle", "import", "nothing.zip"), "cannot be read"),
        (("import", "nowhere"), "no such folder"),
        (("reanalyse",), "--all, or --vehicle NAME"),
        (("fleet", "order", "--owner", "nobody"), "no owner of that name"),
        (("fleet", "order", "--today", "yesterday"), "YYYY-MM-DD"),
        (("vehicle", "list", "--store", "mysql://x@y/z"), "does not use"),
    ],
)
def test_what_cannot_be_done_is_said(run: Run, words: tuple[str, ...], said: str) -> None:
    assert said in run(*words, status=2)


def test_fleet_commands_on_the_invented_fleet(run: Run, tmp_path: Path) -> None:
    from ringland.history import open_store
    from ringland.history.demo import fill_demo_store

    with open_store(tmp_path / "store") as store:
        fill_demo_store(store, today=date(2026, 10, 30))
    order = run("fleet", "order", "--today", "2026-11-01", "--owner", "Marrow Valley Transit")
    assert order.startswith("  1. rural bus 12") and "Assumed" in order
    assert "rural bus 12" in run("fleet", "plan", "8", "8", "--today", "2026-11-01")
    assert "4 confirmed" in run("fleet", "record")
    trend = run("vehicle", "trend", "rural bus 12", "--metric", "exhaust_early_pressure")
    assert "cylinder 5" in trend and "reaches the alarm limit of +50 %" in trend
    shown = run("vehicle", "show", "rural bus 12", "--visits", "1")
    assert "reaches the alarm limit of +50 %" in shown and "months" in shown
    assert "no trend towards a limit" in run("vehicle", "show", "minibus 2", "--visits", "1")
    assert "puffing" in run("search", "puffing").casefold()
    compared = run("visit", "compare", "van 21", "2026-05-17", "2026-05-24")
    assert "cylinder 2 improved most" in compared.casefold()
    assert run("visit", "compare", "van 21") == compared  # the newest repair
    assert "no pair of visits" in run("visit", "compare", "minibus 2", status=2)
    assert "both visits" in run("visit", "compare", "van 21", "2026-05-17", status=2)


def test_priors_are_learned_when_switched_on_and_every_result_says_so(
    run: Run, tmp_path: Path
) -> None:
    store = tmp_path / "store"
    file, engine = tmp_path / "idle.csv", engine_file(tmp_path)
    write_idle(file)
    run("vehicle", "add", "Bus 12", "--engine", engine)
    run("visit", "add", "Bus 12", "--on", "2026-03-09")
    run("visit", "keep", "Bus 12", str(file), "--condition", "idle")
    assert "Off:" in run("fleet", "priors")
    run("visit", "outcome", "Bus 12", "lean_cylinder", "--cylinder", "4")
    assert "1 confirmed outcomes" in run("fleet", "priors", "on")
    assert "switch priors" in run("store", "log")
    assert "1 analysed" in run("reanalyse", "--all", "--workers", "1")
    assert "0 analysed" in run("reanalyse", "--all", "--workers", "1")

    result = tmp_path / "result.json"
    words = ("analyse", str(file), "--engine", engine, "--condition", "idle", "--json", str(result))
    run(*words, "--report", str(tmp_path / "report.html"))
    learned = json.loads(result.read_text())["priors"]
    assert learned["outcomes"] == 1
    assert learned["sha256"][:16] in (tmp_path / "report.html").read_text()
    assert f"set {learned['sha256'][:8]}" in run("ask", str(result))
    run("report", str(result), "--html", str(tmp_path / "again.html"))
    assert learned["sha256"][:16] in (tmp_path / "again.html").read_text()

    run("fleet", "priors", "off")
    run(*words)
    assert json.loads(result.read_text())["priors"] is None
    run(*words, "--store", str(tmp_path / "nowhere"))
    assert not (tmp_path / "nowhere").exists()  # looking for a switch makes no store
    assert (store / "ringland.sqlite").is_file()


def write_idle(path: Path) -> None:
    """Four raised cosines a cycle at 750 rpm, the third weak, and a trigger."""
    time = np.arange(24_000) / 2000.0
    angle = np.mod(time * 750.0 * 6.0, 720.0)
    pressure = np.random.default_rng(20260309).normal(0.0, 3.0, time.size)
    for number, size in enumerate((100.0, 100.0, 55.0, 100.0)):
        away = np.abs(np.mod(angle - 180.0 * number - 200.0 + 360.0, 720.0) - 360.0)
        pressure += size * 0.5 * (1.0 + np.cos(np.pi * np.minimum(away / 80.0, 1.0)))
    trigger = (np.mod(angle + 10.0, 720.0) < 12.0).astype(float)
    columns = np.column_stack([time, pressure, trigger])
    np.savetxt(path, columns, "%.4f", ",", header="time,exhaust,ignition", comments="")

"""`ringland record` as it is used: to the end, stopped from the keyboard, killed, and a folder."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner

from ringland.cli.main import app
from ringland.model import ChannelRole
from ringland.readers import read_recording

runner = CliRunner()
SIMULATOR = "simulator?seed=1&seconds=30&pace=2"


def test_a_guided_recording(tmp_path: Path) -> None:
    out = tmp_path / "idle.h5"
    done = runner.invoke(
        app,
        ["record", SIMULATOR, "--engine", "I4-1342", "--out", str(out), "--rate", "5000",
         "--shortest", "4"],
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert "invented data" in done.output
    assert "Stopped: enough" in done.output
    assert "FIT TO JUDGE." in done.output
    recording = read_recording(out)
    assert 4.0 <= recording.duration_s <= 30.0
    assert {c.role.value for c in recording.channels} == {
        "exhaust",
        "crankcase",
        "ignition",
        "intake",
    }
    told = json.loads(out.with_suffix(".json").read_text("utf-8"))
    assert told["schema"] == "ringland.live/1"
    assert told["fit_to_judge"] is True
    assert told["samples"] == len(recording.channels[0].samples)
    assert not out.with_suffix(".blocks").exists()
    again = runner.invoke(app, ["record", SIMULATOR, "--engine", "I4-1342", "--out", str(out)])
    assert again.exit_code == 2
    assert "never overwritten" in again.output


def test_cranking_waits_for_the_starter(tmp_path: Path) -> None:
    out = tmp_path / "crank.h5"
    done = runner.invoke(
        app,
        ["record", "simulator?seed=1&seconds=10&pace=10", "--engine", "I4-1342", "--condition",
         "cranking", "--out", str(out), "--rate", "2000"],
    )  # fmt: skip
    assert "Waiting for the starter" in done.output
    assert "the event is recorded" in done.output
    recording = read_recording(out)
    assert 8.0 <= recording.duration_s <= 11.0
    assert any(c.role.value == "starter_current" for c in recording.channels)


def test_a_snap_is_kept_with_the_idle_before_it(tmp_path: Path) -> None:
    """The simulator opens the throttle after a fifth of the time, four seconds."""
    out = tmp_path / "snap.h5"
    done = runner.invoke(
        app,
        ["record", "simulator?seed=1&seconds=20&pace=8", "--engine", "I4-1342", "--condition",
         "snap", "--out", str(out), "--rate", "5000"],
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert "Waiting for the snap" in done.output
    assert "the event is recorded" in done.output
    assert "FIT TO JUDGE. The sensors can come off." in done.output
    assert "19 times in 20" not in done.output, "a snap is not averaged"
    exhaust = next(c for c in read_recording(out).channels if c.role is ChannelRole.EXHAUST)
    second = round(exhaust.rate_hz)
    before, after = exhaust.samples[:second], exhaust.samples[3 * second : 4 * second]
    assert after.std() > 2.0 * before.std()
    assert 9.0 <= len(exhaust.samples) / exhaust.rate_hz <= 11.0


def start(tmp_path: Path, *words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "ringland", "record", "simulator?seed=1&seconds=20",
         "--engine", "I4-1342", "--rate", "5000", "--shortest", "18", *words],
        cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip


def wait_for_samples(path: Path, bytes_there: int, longest_s: float = 60.0) -> None:
    stop = time.monotonic() + longest_s
    while time.monotonic() < stop:
        if path.exists() and path.stat().st_size >= bytes_there:
            return
        time.sleep(0.05)
    raise AssertionError("nothing was recorded")


@pytest.mark.skipif(os.name == "nt", reason="signals are sent here")
def test_ctrl_c_keeps_and_judges_what_was_recorded(tmp_path: Path) -> None:
    process = start(tmp_path, "--out", "a.csv")
    wait_for_samples(tmp_path / "a.blocks", 220_000)
    process.send_signal(signal.SIGINT)
    output, _ = process.communicate(timeout=60)
    assert process.returncode in (0, 3), output
    assert "stopped from the keyboard" in output
    assert "Before the sensors come off" in output
    assert read_recording(tmp_path / "a.csv").duration_s > 2.0


@pytest.mark.skipif(os.name == "nt", reason="signals are sent here")
def test_a_killed_recording_is_recovered(tmp_path: Path) -> None:
    process = start(tmp_path, "--out", "a.h5")
    wait_for_samples(tmp_path / "a.blocks", 200_000)
    process.kill()
    process.communicate(timeout=60)
    assert not (tmp_path / "a.h5").exists()
    done = runner.invoke(app, ["recover", str(tmp_path / "a.blocks")])
    assert done.exit_code == 0, done.output
    assert read_recording(tmp_path / "a.h5").duration_s > 2.0


@pytest.mark.skipif(os.name == "nt", reason="signals are sent here")
def test_a_closed_lid_and_it_goes_on(tmp_path: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "ringland", "record", "simulator?seed=1&seconds=12&pace=2",
         "--engine", "I4-1342", "--rate", "5000", "--shortest", "11", "--out", "a.h5"],
        cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    wait_for_samples(tmp_path / "a.blocks", 100_000)
    process.send_signal(signal.SIGSTOP)
    before = (tmp_path / "a.blocks").stat().st_size
    time.sleep(1.5)
    assert (tmp_path / "a.blocks").stat().st_size == before, "it stood still"
    process.send_signal(signal.SIGCONT)
    output, _ = process.communicate(timeout=60)
    assert process.returncode in (0, 3), output
    assert read_recording(tmp_path / "a.h5").duration_s > 10.0


LIMITED = """
import resource, sys
resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000))
from ringland.cli.main import app
app(sys.argv[1:])
"""


@pytest.mark.skipif(os.name == "nt", reason="the size of a file is limited by setrlimit here")
def test_a_full_disk_is_said_and_what_is_kept_is_judged(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, "record", "simulator?seed=1&seconds=20&pace=4",
         "--engine", "I4-1342", "--rate", "5000", "--shortest", "18", "--out", "a.h5"],
        cwd=tmp_path, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "the disk does not take any more" in done.stdout
    assert "FIT TO JUDGE" in done.stdout
    assert "everything is in a.blocks. Make room" in done.stdout
    assert "Next:" not in done.stdout, "there is no recording to analyse yet"
    assert not (tmp_path / "a.h5").exists()
    words = ["recover", str(tmp_path / "a.blocks")]
    assert runner.invoke(app, words).exit_code == 0
    assert read_recording(tmp_path / "a.h5").duration_s == pytest.approx(3.7, abs=0.2)
    (tmp_path / "b.blocks").write_bytes(b"")
    again = runner.invoke(app, ["recover", str(tmp_path / "b.blocks"), "--out",
                                str(tmp_path / "a.h5")])  # fmt: skip
    assert again.exit_code == 2
    assert "never overwritten" in again.output


def test_a_watched_folder(tmp_path: Path) -> None:
    done = runner.invoke(
        app,
        ["simulate", "I4-1342", "--out", str(tmp_path / "made.csv"), "--rate", "2000",
         "--seconds", "6"],
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    folder = tmp_path / "watched"
    folder.mkdir()
    text = (tmp_path / "made.csv").read_text()

    def save() -> None:
        time.sleep(0.5)
        unfinished = folder / "r.csv.part"
        unfinished.write_text(text)
        unfinished.rename(folder / "r.csv")

    thread = threading.Thread(target=save)
    thread.start()
    done = runner.invoke(app, ["record", f"folder:{folder}", "--engine", "I4-1342"])
    thread.join()
    assert done.exit_code == 0, done.output
    assert "r.csv: 6.0 s" in done.output
    assert (folder / "r.csv").read_text() == text


def test_instruments_are_listed_with_reasons() -> None:
    done = runner.invoke(app, ["instruments", "--json", "-"])
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    kinds = {k["kind"]: k["found"] for k in told["kinds"]}
    assert {"simulator", "sound", "sigrok", "visa", "tcp", "folder"} <= set(kinds)
    assert all(row["says"] for rows in kinds.values() for row in rows)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nothing:1"], "no such kind"),
        (["simulator?seed=x"], "no usable number"),
        (["simulator?fault=rust:1:2mm2"], "fault"),
        (["tcp:127.0.0.1:9"], "Nothing sends"),
        (["simulator", "--channel", "exhaust=nine"], "no input"),
        (["simulator", "--out", "x.exe"], "format"),
    ],
)
def test_what_cannot_be_recorded_is_said(words: list[str], said: str, tmp_path: Path) -> None:
    if "--out" not in words:
        words = [*words, "--out", str(tmp_path / "a.h5")]
    done = runner.invoke(app, ["record", *words, "--engine", "I4-1342"])
    assert done.exit_code == 2, done.output
    assert said in done.output
    assert list(tmp_path.iterdir()) == []

"""From a self-check to a recording that carries it: the commands, one after the other."""

import json
import os
import time
from pathlib import Path

import numpy as np
import pytest
from tests.live.sending import RATE_HZ, kept_bytes, sending
from typer.testing import CliRunner

from ringland.cli.main import app
from ringland.engines import layout
from ringland.history.calibrations import calibrations_at
from ringland.history.place import DATABASE_NAME
from ringland.instruments.keep import read_kept
from ringland.live.guided import Asked, GuidedRecording
from ringland.model import Condition, Recording
from ringland.readers import read_recording

runner = CliRunner()
SKEW_S = 1.0 / RATE_HZ


@pytest.fixture(autouse=True)
def _own_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RINGLAND_DATA", str(tmp_path / "store"))


def run(*words: str, exits: tuple[int, ...] = (0,)) -> str:
    done = runner.invoke(app, list(words))
    assert done.exit_code in exits, done.output
    return done.output


def lively(count: int) -> np.ndarray:
    """Noise below 1 kHz, the second input one sample late."""
    rng = np.random.default_rng(5)
    spectrum = np.fft.rfft(rng.standard_normal(count))
    spectrum[np.fft.rfftfreq(count, 1.0 / RATE_HZ) > 1000.0] = 0.0
    one = np.fft.irfft(spectrum, count)
    return np.stack([one, np.roll(one, 1)], axis=1)


def puff(count: int) -> np.ndarray:
    """Quiet, then a puff; the second sensor is the wrong way round."""
    t = np.arange(count) / RATE_HZ
    one = np.where(t > 1.5, np.exp(-(t - 1.5).clip(0.0) / 0.05), 0.0)
    quiet = 0.001 * np.random.default_rng(6).standard_normal((count, 2))
    return np.stack([one, -one], axis=1) + quiet


def samples_of(recording: Recording) -> tuple[np.ndarray, np.ndarray]:
    """Exhaust and crankcase."""
    by_name = {c.name: c.samples for c in recording.channels}
    return by_name["exhaust"], by_name["crankcase"]


def test_measured_shown_used_and_told(tmp_path: Path) -> None:
    given = ("--rate", "5000", "--seconds", "3")
    assert "Nothing was measured" in run("instruments")
    assert not (tmp_path / "store").exists(), "looking makes no store"
    for what, samples in (("skew", lively(20_000)), ("polarity", puff(20_000))):
        with sending(kept_bytes(tmp_path, samples, "logger 7")) as address:
            said = run("self-check", address, what, *given)
        assert "Kept for logger 7" in said
    assert "crankcase: polarity turned over" in said
    listed = run("instruments")
    assert "Measured of logger 7" in listed
    assert "us late against exhaust, at 5000 samples per second (today)" in listed
    told = json.loads(run("instruments", "--json", "-"))["calibrations"]
    assert {(c["what"], c["input"]) for c in told} == {
        (what, i) for what in ("skew", "polarity") for i in ("exhaust", "crankcase")
    }
    assert all(0.0 <= c["age_days"] < 0.1 for c in told)

    sent = lively(30_000)
    out = tmp_path / "a.h5"
    with sending(kept_bytes(tmp_path, sent, "logger 7")) as address:
        said = run("record", address, "--engine", "I4-1342", "--out", str(out), exits=(0, 3))
    assert "crankcase: turned over, as its sensor's polarity was found (measured today)" in said
    recording = read_recording(out)
    exhaust, crankcase = samples_of(recording)
    np.testing.assert_allclose(exhaust, sent[:, 0].astype(np.float32), atol=1e-6)
    late = sent[1:, 1]  # what one sample less delay makes of it
    np.testing.assert_allclose(crankcase[:-3], -late[:-2], atol=0.01 * np.std(late))
    step = next(s for s in recording.provenance.steps if s.name == "instruments.calibrated")
    assert step.settings["instrument"] == "logger 7"
    assert step.settings["crankcase.skew"] == pytest.approx(SKEW_S, abs=1e-6)
    assert step.settings["crankcase.polarity.applied"] is True
    beside = json.loads(out.with_suffix(".json").read_text("utf-8"))
    assert {c["what"] for c in beside["calibrations"]} == {"skew", "polarity"}


def test_what_broke_off_is_corrected_when_recovered(tmp_path: Path) -> None:
    with sending(kept_bytes(tmp_path, puff(20_000), "logger 7")) as address:
        run("self-check", address, "polarity", "--rate", "5000", "--seconds", "3")
    sent = lively(20_000)
    with sending(kept_bytes(tmp_path, sent, "logger 7")) as address:
        asked = Asked(address, layout("I4-1342").engine, Condition.IDLE)
        guided = GuidedRecording(
            asked, tmp_path / "b.blocks", calibrations_of=lambda s: calibrations_at(None, s)
        )
        guided.start()
        while guided.view().ended is None:
            time.sleep(0.02)
        guided.stop("the test ends")
    assert len(read_kept(tmp_path / "b.blocks").head.calibrations) == 2
    (tmp_path / "store" / DATABASE_NAME).unlink()  # the file itself carries it
    run("recover", str(tmp_path / "b.blocks"))
    recording = read_recording(tmp_path / "b.h5")
    np.testing.assert_allclose(samples_of(recording)[1], -sent[:, 1], atol=1e-6)
    assert any("turned over" in note for note in recording.notes)


def test_a_store_that_cannot_be_opened_does_not_stop_a_recording(tmp_path: Path) -> None:
    store = tmp_path / "store"
    store.mkdir()
    (store / DATABASE_NAME).write_bytes(os.urandom(5000))
    with sending(kept_bytes(tmp_path, lively(20_000), "logger 7")) as address:
        said = run(
            "record", address, "--engine", "I4-1342", "--out", str(tmp_path / "a.h5"), exits=(0, 3)
        )
    assert "nothing is corrected: The store cannot be opened" in said
    assert read_recording(tmp_path / "a.h5").duration_s == pytest.approx(4.0)
    notes = " ".join(read_recording(tmp_path / "a.h5").notes)
    assert "nothing is corrected" in notes

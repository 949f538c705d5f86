"""Which calibration counts, what it does to a recording, and what is said."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ringland.errors import FileFormatError
from ringland.instruments.assemble import as_recording
from ringland.instruments.calibration import (
    Calibration,
    CalibrationKind,
    as_plain,
    calibrated,
    corrections,
    from_plain,
    in_force,
    said_age,
    said_value,
)
from ringland.instruments.keep import Keeper, KeptHead, read_kept
from ringland.instruments.protocol import Block, LiveChannel, SetUp
from ringland.model import ChannelRole, Condition, Recording

BEGUN = "2026-03-09T08:00:00+00:00"
SET_UP = SetUp(
    "sound:3",
    1000.0,
    (
        LiveChannel("exhaust", ChannelRole.EXHAUST, "Pa", (-1.0, 2.0), input="left"),
        LiveChannel("crankcase", ChannelRole.CRANKCASE, "Pa", input="right"),
    ),
    title="a card",
)
SKEW = Calibration(
    CalibrationKind.SKEW, "a card", "sound:1", "right", "crankcase", "2026-03-01T08:00:00+00:00",
    1000.0, 0.002, 1e-6, "s", "left",
)  # fmt: skip
TURNED = replace(
    SKEW, what=CalibrationKind.POLARITY, input="left", role="exhaust", value=-1.0, unit="1",
    standard_error=None, reference="",
)  # fmt: skip


def recorded() -> Recording:
    rows = np.stack([np.arange(100.0), np.arange(100.0) - 2.0], axis=1).astype(np.float32)
    return as_recording([Block(0, rows, 0.0)], SET_UP, condition=Condition.IDLE)


def test_skew_and_polarity_are_taken_out_and_the_recording_says_so() -> None:
    done = calibrated(recorded(), SET_UP, (SKEW, TURNED), BEGUN)
    exhaust, crankcase = done.channels
    assert exhaust.samples.tolist() == (-np.arange(100.0)).tolist()
    assert exhaust.full_scale == (-2.0, 1.0)
    assert crankcase.samples[:97].tolist() == np.arange(97.0).tolist()  # two samples earlier
    assert "crankcase: 2e+03 us of skew taken out (measured 8 days ago)" in done.notes
    step = done.provenance.steps[-1]
    assert step.name == "instruments.calibrated"
    assert step.settings["instrument"] == "a card"
    assert step.settings["crankcase.skew"] == 0.002
    assert step.settings["crankcase.skew.measured_utc"] == SKEW.measured_utc
    assert step.settings["crankcase.skew.applied"] is True
    assert step.settings["exhaust.polarity"] == -1.0
    assert step.settings["exhaust.polarity.input"] == "left"


def test_nothing_known_changes_nothing() -> None:
    recording = recorded()
    assert calibrated(recording, SET_UP, (), "not even a date") is recording


@pytest.mark.parametrize(
    ("known", "says"),
    [
        ((replace(SKEW, rate_hz=2000.0),), "measured at 2000 samples per second"),
        ((SKEW, replace(SKEW, input="left", reference="other")), "against different ones"),
        ((replace(TURNED, role="crankcase"),), "measured here with crankcase connected"),
    ],
)
def test_what_does_not_fit_is_left_out_and_said(known: tuple[Calibration, ...], says: str) -> None:
    before = recorded()
    done = calibrated(before, SET_UP, known, BEGUN)
    for was, now in zip(before.channels, done.channels, strict=True):
        np.testing.assert_array_equal(was.samples, now.samples)
    assert any(says in note for note in done.notes)
    assert not any(v for k, v in done.provenance.steps[-1].settings.items() if "applied" in k)


def test_old_and_future_ones_are_used_and_said() -> None:
    old = replace(SKEW, measured_utc="2025-01-01T00:00:00+00:00")
    told = [t for c in corrections(SET_UP, (old,), BEGUN) for t in c.says]
    assert "older than 365 days: measure it again" in told[0]
    assert "taken out" in told[0]
    later = replace(SKEW, measured_utc="2026-05-01T00:00:00+00:00")
    told = [t for c in corrections(SET_UP, (later,), BEGUN) for t in c.says]
    assert "a clock is or was wrong" in told[0]
    assert said_age(SKEW, datetime(2026, 3, 1, 9, tzinfo=UTC)) == "today"
    assert said_age(SKEW, datetime(2026, 3, 2, 9, tzinfo=UTC)) == "1 day ago"


def test_the_newest_of_the_same_instrument_counts() -> None:
    newer = replace(SKEW, measured_utc="2026-03-05T08:00:00+00:00", value=0.003)
    other_rate = replace(newer, measured_utc="2026-03-06T08:00:00+00:00", rate_hz=48_000.0)
    stranger = replace(newer, measured_utc="2026-03-07T08:00:00+00:00", instrument="another card")
    other_kind = replace(stranger, instrument="a card", address="tcp:a:1")
    elsewhere = replace(newer, input="third")
    found = in_force((SKEW, newer, other_rate, stranger, other_kind, elsewhere, TURNED), SET_UP)
    assert list(found) == [TURNED, newer], "by name, whatever number the device has today"
    assert in_force((other_rate,), SET_UP) == (other_rate,), "known, and said to be of another rate"


def test_it_goes_into_the_kept_file_and_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "a.blocks"
    head = KeptHead(SET_UP, Condition.IDLE, BEGUN, (), (SKEW, TURNED))
    with Keeper(path, head) as keeper:
        keeper.append(Block(0, np.zeros((10, 2), np.float32), 0.0))
    assert read_kept(path).head == head


@pytest.mark.parametrize(
    "wrong",
    [{"what": "colour"}, {"value": "nan"}, {"measured_utc": "yesterday"}, {"readings": [1]}],
)
def test_a_damaged_one_is_refused(wrong: dict[str, Any], tmp_path: Path) -> None:
    with pytest.raises((ValueError, TypeError)):
        from_plain({**as_plain(SKEW), **wrong})
    path = tmp_path / "a.blocks"
    with Keeper(path, KeptHead(SET_UP, Condition.IDLE, "no date", (), (SKEW,))):
        pass
    with pytest.raises(FileFormatError, match="makes no sense"):
        read_kept(path)


def test_every_kind_is_said_in_words() -> None:
    noise = replace(
        SKEW, what=CalibrationKind.NOISE, value=0.01, unit="V", readings={"mains_share": 0.25}
    )
    assert said_value(noise) == "noise 0.01 V RMS, 25 % of its power mains"
    assert said_value(SKEW) == (
        "skew 2000.00 +- 1.65 us late against left, at 1000 samples per second"
    )
    assert said_value(TURNED) == "polarity turned over, with exhaust"
    step = replace(
        SKEW, what=CalibrationKind.STEP, value=0.5, unit="V",
        readings={"rise_s": 0.002, "corner_hz": 0.8, "per_pa": 5e-4, "known_pa": 1000.0},
    )  # fmt: skip
    assert said_value(step) == (
        "step 0.5 V, rise (10 to 90 %) 2 ms, lower corner 0.8 Hz, 0.0005 V per Pa, with crankcase"
    )

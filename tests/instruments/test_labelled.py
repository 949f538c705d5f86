"""Which one of several instruments of the same name: serial number or label."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ringland.engines import engine_from_mapping
from ringland.errors import SettingError
from ringland.instruments.keep import Keeper, KeptHead, read_kept
from ringland.instruments.labelled import Labelled, checked_label, named
from ringland.instruments.played import Played
from ringland.instruments.protocol import InputInfo, InstrumentInfo, Wanted, WantedInput
from ringland.instruments.registry import open_instrument
from ringland.instruments.sigrok import _serial as serial_of_line
from ringland.instruments.visa import _serial as serial_of_identity
from ringland.live.kinds import open_for
from ringland.live.simulated import TITLE
from ringland.model import (
    Channel,
    ChannelRole,
    Condition,
    Recording,
)

WANTED = Wanted(1000.0, (WantedInput("left", ChannelRole.EXHAUST),))


def played(which: str = "") -> Played:
    """An instrument that plays one second of nothing."""
    info = InstrumentInfo("sound:1", "a card", (InputInfo("left"),), which=which)

    def make(_: Wanted) -> Recording:
        return Recording((Channel("left", ChannelRole.EXHAUST, np.zeros(1000), 1000.0),))

    return Played(info, make, pace=0.0)


def test_a_label_goes_into_what_is_set_up() -> None:
    instrument = Labelled(played(), "bay 2")
    assert instrument.describe().which == "bay 2"
    made = instrument.configure(WANTED)
    assert (made.title, made.which, made.notes) == ("a card", "bay 2", ())
    instrument.arm()
    assert instrument.fetch(1.0) is not None
    instrument.stop()


def test_a_serial_number_counts_before_a_label() -> None:
    made = Labelled(played("S17"), "bay 2").configure(WANTED)
    assert made.which == "S17"
    assert made.notes == ("it has the serial number S17; the label bay 2 is not used",)


@pytest.mark.parametrize(("given", "kept"), [("bay 2", "bay 2"), ("  bay   2 ", "bay 2"),
                                             ("S/N 17-3", "S/N 17-3"), ("7", "7")])  # fmt: skip
def test_labels(given: str, kept: str) -> None:
    assert checked_label(given) == kept


@pytest.mark.parametrize("given", ["", " ", "a" * 41, "a\nb?", "<b>", "a&b", "a=b", "-x"])
def test_what_is_no_label(given: str) -> None:
    with pytest.raises(SettingError, match="label"):
        checked_label(given)


def test_in_an_address() -> None:
    described = {"cylinders": 4, "firing_order": "1-3-4-2"}
    engine = engine_from_mapping(described, source_name="a test")
    info = open_for("simulator?seed=1&label=bay 2", engine, Condition.IDLE).describe()
    assert (info.title, info.which) == (TITLE, "bay 2")
    assert open_for("simulator?seed=1", engine, Condition.IDLE).describe().which == ""
    assert isinstance(open_instrument("sigrok:demo?label=left one"), Labelled)
    with pytest.raises(SettingError, match="label"):
        open_instrument("sigrok:demo?label=<b>")


def test_serial_numbers_of_the_kinds_that_tell_them() -> None:
    line = "maker-x - Maker Scope X v1.2 [S/N: 0042A] with 4 channels: CH1 CH2 CH3 CH4"
    assert serial_of_line(line) == "0042A"
    assert serial_of_line("demo - Demo device with 13 channels: D0") == ""
    assert serial_of_identity("Maker,Scope X,0042A,1.2") == "0042A"
    assert serial_of_identity("Invented,SCPI engine,0,1") == ""
    assert serial_of_identity("something else") == ""


def test_it_stays_with_what_was_kept(tmp_path: Path) -> None:
    made = Labelled(played(), "bay 2").configure(WANTED)
    path = tmp_path / "one.blocks"
    head = KeptHead(made, Condition.IDLE, "2026-03-01T08:00:00+00:00")
    Keeper(path, head).close()
    assert read_kept(path).head.set_up == replace(made, notes=read_kept(path).head.set_up.notes)


def test_named() -> None:
    assert named("a card", "") == "a card"
    assert named("a card", "bay 2") == "a card (bay 2)"
    assert named("Maker,X,S17,1", "S17") == "Maker,X,S17,1"

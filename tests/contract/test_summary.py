"""What the terminal shows of analyses made by hand."""

from dataclasses import replace

import pytest

from ringland.cli._summary import print_quality, print_summary
from ringland.model import Analysis


@pytest.fixture(autouse=True)
def wide(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal wide enough that sentences stay on one line."""
    monkeypatch.setenv("COLUMNS", "200")


def shown(capsys: pytest.CaptureFixture[str]) -> str:
    """Standard output."""
    return capsys.readouterr().out


def test_whole(whole: Analysis, capsys: pytest.CaptureFixture[str]) -> None:
    print_summary(whole)
    text = shown(capsys)
    assert "Speed 801.0 rpm (800.2 to 801.8 rpm)" in text
    assert "3 of 4 cycles used (1 dropped: speed jumped)" in text
    assert "count from an arbitrary start; cylinder numbers are not known" in text
    assert "no trigger fixes the numbering" in text
    third = next(line for line in text.splitlines() if line.startswith("3   "))
    assert third.split()[:3] == ["3", "not", "known"]
    assert "ALARM" in third
    assert "66.0" in third or "66 " in third
    assert "ALARM: Position 3 is a third weaker." in text
    assert "Leaking rings in firing position 3: 8 in 10 (80 %)" in text
    assert "severity 2.0 mm² (1.0 to 3.0 mm²)" in text
    assert "None of these:" in text
    assert "Leak-down test in firing position 3: about 15 minutes." in text
    assert "Remove the key" in text
    assert "Exhaust gas kills" in text
    assert "Clipping: Suspect. Tops are flat. Choose a larger range." in text
    assert "Ch A: exhaust (said so)" in text


def test_unusable(unusable: Analysis, capsys: pytest.CaptureFixture[str]) -> None:
    print_summary(unusable)
    text = shown(capsys)
    assert "The exhaust channel is silent." in text
    assert "Nothing but noise. Check the hose." in text
    assert "Speed" not in text


def test_no_colour_and_no_escape_sequence(
    whole: Analysis, capsys: pytest.CaptureFixture[str]
) -> None:
    channel = replace(whole.recording.channels[0], name="[red]\x1b[2J[/red]")
    print_summary(replace(whole, recording=replace(whole.recording, channels=(channel,))))
    text = shown(capsys)
    assert "\x1b" not in text
    assert "[red]\\x1b[2J[/red]: exhaust" in text


def test_quality_alone(whole: Analysis, capsys: pytest.CaptureFixture[str]) -> None:
    print_quality(whole.quality, whole.recording)
    text = shown(capsys)
    assert "Ch A: fit to judge (1 of 1 checks without a finding)" in text
    assert "The pulses stand well above the noise." not in text
    assert "Look at this first: Ch B." in text
    print_quality(whole.quality, whole.recording, every_check=True)
    assert "The pulses stand well above the noise." in shown(capsys)


def test_quality_unusable(unusable: Analysis, capsys: pytest.CaptureFixture[str]) -> None:
    print_quality(unusable.quality, unusable.recording)
    assert "Record again. Not fit to judge: Ch A." in shown(capsys)

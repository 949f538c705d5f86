"""Killed at random moments; the full number of rounds is in docs/history.md."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "validation" / "crash_safety.py"


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork to start quickly")
def test_killed_in_the_middle_nothing_confirmed_is_lost() -> None:
    done = subprocess.run(
        [sys.executable, str(SCRIPT), "--rounds", "12", "--seed", "7"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr

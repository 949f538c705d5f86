"""One fault of each kind at a random moment; the full number of rounds is in
docs/validation/recording_faults.md."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "validation" / "recording_faults.py"


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs signals and fork")
def test_whatever_strikes_nothing_shown_as_recorded_is_lost() -> None:
    done = subprocess.run(
        [sys.executable, str(SCRIPT), "--rounds", "7", "--seed", "7"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "7 of 7 rounds" in done.stdout

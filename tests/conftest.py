"""Shared fixtures."""

import os
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def real_data() -> Path:
    """Folder of real recordings made by others; tests that need it are skipped without it."""
    named = os.environ.get("RINGLAND_REAL_DATA")
    folder = Path(named) if named else Path(__file__).parents[2] / "shared" / "data" / "real"
    if not folder.is_dir():
        pytest.skip(f"real recordings are not on this machine (looked in {folder})")
    return folder

"""Shared fixtures."""

import os
from pathlib import Path

import pytest

_FIRST = (
    "test_docs.py",
    "web/test_sharing.py",
    "report/test_layout.py",
    "cycles/test_leaking.py",
    "history/test_intake.py",
    "web/test_api.py",
    "web/test_joining.py",
    "web/test_record_browser.py",
    "web/test_browser.py",
    "web/test_whole_job.py",
    "live/test_record_command.py",
    "web/test_demo_app.py",
    "web/test_guard.py",
    "live/test_recording_faults.py",
    "web/test_handouts.py",
    "reference/test_cases.py",
)
"""The longest files, so that no worker is left with one of them at the end; those that record in
real time only once the physics is compiled."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Longest files first; all others as they were."""
    here = Path(__file__).parent
    place = {here / name: number for number, name in enumerate(_FIRST)}
    items.sort(key=lambda item: place.get(item.path, len(place)))


@pytest.fixture(scope="session")
def real_data() -> Path:
    """Folder of real recordings made by others; tests that need it are skipped without it."""
    named = os.environ.get("RINGLAND_REAL_DATA")
    folder = Path(named) if named else Path(__file__).parents[2] / "shared" / "data" / "real"
    if not folder.is_dir():
        pytest.skip(f"real recordings are not on this machine (looked in {folder})")
    return folder

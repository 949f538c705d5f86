"""Pulse trains with known crank angle, from the validation folder."""

import importlib
import sys
from pathlib import Path
from types import ModuleType

import pytest

VALIDATION = Path(__file__).parents[2] / "validation"


@pytest.fixture(scope="session")
def trains() -> ModuleType:
    """The module that makes random pulse trains."""
    sys.path.insert(0, str(VALIDATION))
    return importlib.import_module("pulse_trains")


@pytest.fixture(scope="session")
def octave_errors(trains: ModuleType) -> ModuleType:
    """The module that counts octave errors."""
    return importlib.import_module("octave_errors")

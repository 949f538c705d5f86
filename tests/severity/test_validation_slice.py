"""The first three cases of validation/severity.py, so that the command cannot rot."""

import importlib
import math
import sys
from pathlib import Path
from types import ModuleType

import pytest

VALIDATION = Path(__file__).parents[2] / "validation"


@pytest.fixture(scope="module")
def validation() -> ModuleType:
    sys.path.insert(0, str(VALIDATION))
    try:
        return importlib.import_module("severity")
    finally:
        sys.path.remove(str(VALIDATION))


def test_two_of_the_first_three_leaks_are_within_a_factor_and_their_interval(
    validation: ModuleType,
) -> None:
    rows = [validation.run_case(index, validation.SEED, True) for index in range(3)]
    assert all("log_evidence" in row for row in rows), rows
    assert sum(validation.covered(row) for row in rows) >= 2
    assert sum(validation.near(row) for row in rows) >= 2
    cranked = [validation.with_hump(row) for row in rows]
    assert all("hump_evidence" in row for row in cranked), "all three fire evenly"
    assert sum(validation.near(row) for row in cranked) >= 2
    wide, narrow = (
        sum(math.log(e.high / e.low) for e in map(validation.estimate, chosen))
        for chosen in (rows, cranked)
    )
    assert narrow < 0.9 * wide, "the hump says something that the pulses do not"


def test_the_page_names_its_command_and_what_was_asked_for(validation: ModuleType) -> None:
    """A row made by hand: a spike at the truth is within the factor and covered."""
    steps = validation.severity_interval.__globals__["severity_steps"]("ring_leak")
    evidence = [0.0 if i == 13 else -1e3 for i in range(len(steps))]
    row = {
        "index": 0, "seed": 1, "layout": "I4-1342", "kind": "ring_leak", "condition": "idle",
        "severity": float(steps[13]), "diesel": False, "geometry": True, "cpu_s": 1.0,
        "log_evidence": evidence,
    }  # fmt: skip
    assert abs(validation.error(row)) < math.log(1.05)
    page = validation.table([row], "python validation/severity.py --cases 1")
    assert "python validation/severity.py --cases 1" in page
    assert "| ring_leak, 3 mm2 and more | 1 | 100 % (21 to 100) | 100 % (21 to 100) |" in page

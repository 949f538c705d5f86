"""What must not be loaded to say hello, and the public names."""

import subprocess
import sys
from pathlib import Path

import pytest

import ringland

HEAVY = (
    "scipy.signal", "scipy.stats", "scipy.optimize", "matplotlib", "pandas", "asammdf", "polars",
    "h5py", "numba", "soundfile", "nptdms", "pydantic", "jinja2",
)  # fmt: skip
"""Each costs 0.1 to 0.8 s; wall time flakes, a list does not."""

NOT_FOR_CSV = ("matplotlib", "pandas", "asammdf", "h5py", "nptdms", "scipy.signal", "scipy.stats")
"""Not needed to judge a CSV file without a report."""


def loaded_after(code: str) -> set[str]:
    """Modules in a fresh interpreter after running some code."""
    finished = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys; print(*sys.modules, file=sys.stderr)"],
        capture_output=True,
        text=True,
        check=True,
    )
    return set(finished.stderr.split())


HELP = """
import sys
from ringland.cli.main import app
try:
    app(["--help"], prog_name="ringland")
except SystemExit as stop:
    assert stop.code == 0
"""


def test_import_ringland_costs_next_to_nothing() -> None:
    loaded = loaded_after("import ringland")
    assert not loaded & {*HEAVY, "numpy", "typer", "rich"}
    assert {name for name in loaded if name.startswith("ringland")} == {"ringland"}


def test_help_loads_typer_and_nothing_heavy() -> None:
    loaded = loaded_after(HELP)
    assert "typer" in loaded
    assert not loaded & {*HEAVY, "numpy", "rich.console", "ringland.model"}


def test_errors_and_units_need_the_standard_library_only() -> None:
    loaded = loaded_after("import ringland.errors, ringland.units")
    assert not loaded & {*HEAVY, "numpy"}


def test_model_needs_numpy_only() -> None:
    loaded = loaded_after("import ringland.model")
    assert not loaded & {*HEAVY, "scipy"}


def test_reading_and_checking_a_csv_loads_no_other_format(tmp_path: Path) -> None:
    file = tmp_path / "r.csv"
    rows = "".join(f"{i / 1000:.3f},{(i % 40) / 40:.3f}\n" for i in range(4000))
    file.write_text("time,exhaust\n" + rows)
    loaded = loaded_after(
        "import ringland\n"
        f"recording = ringland.read_recording({str(file)!r})\n"
        "ringland.check_recording(recording)"
    )
    assert not loaded & set(NOT_FOR_CSV)


def test_public_names() -> None:
    assert len(ringland.__all__) <= 20
    assert list(ringland.__all__) == sorted(ringland.__all__)
    assert set(ringland.__all__) <= set(dir(ringland))
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = ringland.no_such_name


@pytest.mark.parametrize("name", ringland.__all__)
def test_each_public_name_loads_and_is_documented(name: str) -> None:
    found = getattr(ringland, name)
    assert found.__doc__, f"{name} has no docstring"
    assert getattr(ringland, name) is found

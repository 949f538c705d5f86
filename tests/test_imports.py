"""What must not be loaded to say hello, and the public names."""

import ast
import importlib
import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

import ringland

ROOT = Path(__file__).parents[1]

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


def names_in(path: Path) -> set[str]:
    """Everything that a script binds at its top level."""
    found: set[str] = set()
    for node in ast.parse(path.read_text("utf-8")).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            found.add(node.name)
        elif isinstance(node, ast.Import | ast.ImportFrom):
            found |= {(alias.asname or alias.name).split(".")[0] for alias in node.names}
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            for target in targets:
                found |= {n.id for n in ast.walk(target) if isinstance(n, ast.Name)}
    return found


@pytest.mark.parametrize("folder", ["validation", "scripts", "bench"])
def test_scripts_find_what_they_import_from_one_another(folder: str) -> None:
    """Long validations are run by hand: a name that moved would be noticed only then."""
    scripts = {path.stem: path for path in sorted((ROOT / folder).glob("*.py"))}
    lost = [
        f"{folder}/{path.name}: {alias.name} of {node.module}"
        for path in scripts.values()
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.ImportFrom) and node.module in scripts
        for alias in node.names
        if alias.name not in names_in(scripts[node.module])
    ]
    assert lost == []


def test_scripts_find_what_they_import_from_the_package() -> None:
    scripts = [p for f in ("validation", "scripts", "bench") for p in (ROOT / f).glob("*.py")]
    wanted = {
        (node.module, alias.name)
        for path in scripts
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("ringland")
        for alias in node.names
    }
    lost = [
        f"{name} of {module}"
        for module, name in sorted((str(m), n) for m, n in wanted)
        if not hasattr(importlib.import_module(module), name)
        and importlib.util.find_spec(f"{module}.{name}") is None
    ]
    assert lost == []

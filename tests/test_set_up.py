"""The set-up script and the lock files it installs from."""

import ast
import importlib.util
import re
import subprocess
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[1]
PINNED = re.compile(r"^([A-Za-z0-9._-]+)==([^ ;\\]+)", re.MULTILINE)


def pins(name: str) -> dict[str, str]:
    """Package -> version of a lock file."""
    return {m[1].lower(): m[2] for m in PINNED.finditer((ROOT / name).read_text("utf-8"))}


def wanted(group: str | None = None) -> set[str]:
    """Names of the packages that pyproject.toml asks for."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    asked = project["dependency-groups"][group] if group else project["project"]["dependencies"]
    return {re.split(r"[<>=!~\[; ]", one)[0].lower() for one in asked}


def extras() -> set[str]:
    """Names of the packages of the optional parts, which say what to install when it is missing."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    parts = project["project"]["optional-dependencies"].values()
    return {re.split(r"[<>=!~\[; ]", one)[0].lower() for part in parts for one in part}


@pytest.fixture
def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("do_script", ROOT / "do.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_locks_hold_what_is_asked_for() -> None:
    assert wanted() | wanted("build") <= pins("requirements.lock").keys()
    assert wanted("test") <= pins("requirements-test.lock").keys()


def test_tests_run_on_the_versions_that_are_shipped() -> None:
    assert pins("requirements.lock").items() <= pins("requirements-test.lock").items()


@pytest.mark.parametrize("name", ["requirements.lock", "requirements-test.lock"])
def test_every_pin_has_hashes(name: str) -> None:
    text = (ROOT / name).read_text("utf-8")
    entries = re.split(r"^(?=[A-Za-z0-9])", text, flags=re.MULTILINE)[1:]
    assert len(entries) == len(pins(name)) > 20
    assert [entry.split()[0] for entry in entries if "--hash=sha256:" not in entry] == []


def test_nothing_huge_is_pulled_in() -> None:
    assert not pins("requirements-test.lock").keys() & {
        "torch",
        "tensorflow",
        "jax",
        "pyqt5",
        "pyside6",
    }


def test_what_is_imported_is_asked_for() -> None:
    known = {"pydantic-core": "pydantic"}  # pydantic promises it
    homes = packages_distributions()
    imported: set[str] = set()
    for path in (ROOT / "src").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Import):
                imported |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                imported.add(node.module.split(".")[0])
    outside = imported - sys.stdlib_module_names - {"ringland"}
    asked = {homes[name][0].lower().replace("_", "-") for name in outside}
    assert {known.get(name, name) for name in asked} <= wanted() | extras()


def test_versions_agree() -> None:
    import ringland

    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    assert project["project"]["version"] == ringland.__version__
    assert f"## {ringland.__version__}" in (ROOT / "CHANGELOG.md").read_text("utf-8")


def test_a_stamp_counts_only_while_nothing_changed(
    script: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("requirements.lock", "requirements-test.lock", "pyproject.toml", "do.py"):
        (tmp_path / name).write_bytes((ROOT / name).read_bytes())
    locks = {"run": "requirements.lock", "test": "requirements-test.lock"}
    monkeypatch.setattr(script, "ROOT", tmp_path)
    monkeypatch.setattr(script, "ENVIRONMENT", tmp_path / ".venv")
    monkeypatch.setattr(script, "LOCKS", {k: tmp_path / v for k, v in locks.items()})
    script.python().parent.mkdir(parents=True)
    script.python().touch()
    assert not script.is_set_up("run")
    script.stamp("run").write_text(script.fingerprint("run"), "ascii")
    assert script.is_set_up("run")
    assert not script.is_set_up("test")
    (tmp_path / "requirements.lock").write_text("changed==1")
    assert not script.is_set_up("run")
    script.stamp("test").write_text(script.fingerprint("test"), "ascii")
    assert script.is_set_up("test")
    assert script.is_set_up("run")  # the test environment holds everything
    script.python().unlink()
    assert not script.is_set_up("test")


def test_line_ends_of_a_checkout_do_not_matter(
    script: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lock = tmp_path / "lock"
    monkeypatch.setattr(script, "LOCKS", {"run": lock})
    lock.write_bytes(b"a\nb\n")
    unix = script.fingerprint("run")
    lock.write_bytes(b"a\r\nb\r\n")
    assert script.fingerprint("run") == unix


def test_an_old_python_is_told(script: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(script, "OLDEST", (99, 0))
    with pytest.raises(script.Failed, match=r"99\.0 or newer"):
        script.main(["demo"])


def test_an_unknown_word_prints_the_usage() -> None:
    finished = subprocess.run(
        [sys.executable, str(ROOT / "do.py"), "nonsense"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert finished.returncode == 2
    assert "do.py demo" in finished.stdout

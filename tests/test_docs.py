"""The documentation is complete, current, and runs."""

import importlib.util
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
PAGES = sorted(DOCS.rglob("*.md"))
BY_HAND = [ROOT / "README.md", ROOT / "CONTRIBUTING.md", ROOT / "CHANGELOG.md", *PAGES]
TUTORIALS = sorted((DOCS / "tutorials").glob("*.md"))
BLOCK = re.compile(r"^```(bash|python)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def name_of(path: object) -> str:
    return str(path.relative_to(ROOT)) if isinstance(path, Path) else str(path)


# Every id has a page. Registries are read from the package, so a new entry is asked for at once.


def registered() -> Iterator[tuple[str, str]]:
    """(kind, id) of everything that must be on a page."""
    from ringland.diagnosis.knowledge import load_knowledge
    from ringland.quality import CHECKS
    from ringland.readers.registry import FORMATS

    knowledge = load_knowledge()
    yield from (("quality check", check.id) for check in CHECKS)
    yield from (("failure mode", mode.id) for mode in knowledge.modes)
    yield from (("follow-up test", test.id) for test in knowledge.tests)
    yield from (("file format", form.name) for form in FORMATS)
    yield from (("metric", metric) for metric, _ in metrics())


def metrics() -> Iterator[tuple[str, str]]:
    """(id, citation key) of every metric declared."""
    if importlib.util.find_spec("ringland.metrics") is None:
        return
    package = importlib.import_module("ringland.metrics")
    for definition in getattr(package, "DEFINITIONS", ()):
        yield definition.id, definition.citation


@pytest.fixture(scope="module")
def words_on_pages() -> set[str]:
    """Every word in the documentation that could be an id, and the names of the pages."""
    texts = [page.read_text("utf-8") for page in PAGES]
    return {word for text in texts for word in re.findall(r"[\w.+-]+", text)} | {
        page.stem for page in PAGES
    }


@pytest.mark.parametrize(("kind", "identifier"), sorted(registered()))
def test_every_id_is_on_a_page(kind: str, identifier: str, words_on_pages: set[str]) -> None:
    missing = set(identifier.split()) - words_on_pages
    assert not missing, f"the {kind} {identifier!r} is on no page of docs"


def test_pages_that_checks_name_exist() -> None:
    from ringland.quality import CHECKS

    assert [check.page for check in CHECKS if not (ROOT / check.page).is_file()] == []


# Citations.


def keys() -> set[str]:
    """Keys of docs/references.bib."""
    text = (DOCS / "references.bib").read_text("utf-8")
    found = re.findall(r"^@\w+\{\s*([^,\s]+),", text, re.MULTILINE)
    assert len(found) == len(set(found)), "a key stands twice in references.bib"
    return set(found)


def test_metrics_cite_a_known_source_or_say_heuristic() -> None:
    known = keys() | {"heuristic"}
    assert [(metric, cited) for metric, cited in metrics() if cited not in known] == []


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_citations_on_pages_are_known(page: Path) -> None:
    cited = set(re.findall(r"\[@([\w:-]+)\]", page.read_text("utf-8")))
    assert cited <= keys()


# Links, and the generated page.


@pytest.mark.parametrize("page", BY_HAND, ids=name_of)
def test_links_lead_somewhere(page: Path) -> None:
    targets = re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", page.read_text("utf-8"))
    local = [t for t in targets if "://" not in t and not t.startswith("mailto:")]
    assert [t for t in local if not (page.parent / t).exists()] == []


@pytest.fixture(scope="module")
def maker() -> ModuleType:
    """The script that makes pages from the program."""
    path = ROOT / "scripts" / "reference_pages.py"
    spec = importlib.util.spec_from_file_location("reference_pages", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_made_pages_are_current(maker: ModuleType) -> None:
    old = [name for name, make in maker.PAGES.items() if (DOCS / name).read_text("utf-8") != make()]
    assert old == [], "run: python scripts/reference_pages.py"


def test_every_command_is_in_the_reference(maker: ModuleType) -> None:
    from typer.main import get_command

    from ringland.cli.main import app

    def walk(command: object, path: str) -> Iterator[str]:
        yield path
        for name, child in getattr(command, "commands", {}).items():
            yield from walk(child, f"{path} {name}")

    paths = list(walk(get_command(app), "ringland"))
    page = maker.commands_page()
    assert len(paths) > 5
    assert [path for path in paths if f"\n## {path}\n" not in page] == []


# Tutorials run.


def run_block(language: str, code: str, folder: Path) -> None:
    """Run one block as a reader would, `ringland` on the path."""
    bash = shutil.which("bash")
    if language == "bash" and bash is None:
        pytest.skip("no bash on this machine")
    words = [sys.executable, "-c", code] if language == "python" else [str(bash), "-euc", code]
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", "")])
    finished = subprocess.run(
        words,
        cwd=folder,
        env={**os.environ, "PATH": path, "COLUMNS": "100", "PYTHONWARNINGS": "error"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert finished.returncode == 0, f"{code}\n{finished.stdout}\n{finished.stderr}"


@pytest.mark.parametrize("page", TUTORIALS, ids=name_of)
def test_tutorials_run(page: Path, tmp_path: Path) -> None:
    blocks = BLOCK.findall(page.read_text("utf-8"))
    assert blocks
    for language, code in blocks:
        run_block(language, code, tmp_path)


def test_readme_python_runs(tmp_path: Path) -> None:
    run_block("bash", "ringland demo --folder .", tmp_path)
    (tmp_path / "report.html").unlink()
    blocks = BLOCK.findall((ROOT / "README.md").read_text("utf-8"))
    assert [language for language, _ in blocks] == ["python"]
    run_block("python", blocks[0][1], tmp_path)
    assert (tmp_path / "report.html").stat().st_size > 1000


def test_nothing_of_this_machine_is_in_the_files() -> None:
    lines = [
        f"{name}: {line.strip()[:80]}"
        for name in ("requirements.lock", "requirements-test.lock", "pyproject.toml", "do.py")
        for line in (ROOT / name).read_text("utf-8").splitlines()
        if re.search(r"https?://|--index-url|--find-links|file:|(^|[\s\"'=])/\w", line)
    ]
    assert lines == []

"""The table of checks: every check declared, documented, and its limits sourced."""

import importlib
import pkgutil
import re
from pathlib import Path

import ringland.quality
from ringland.quality import CHECKS

ROOT = Path(__file__).parents[2]
HEADINGS = ("What it looks for", "How", "Limits", "What to do", "When it is not checked")


def test_ids_and_files_agree() -> None:
    ids = [c.id for c in CHECKS]
    assert len(ids) == len(set(ids)) == 21
    names = {
        m.name
        for m in pkgutil.iter_modules(ringland.quality.__path__)
        if not m.name.startswith("_") and m.name not in ("registry", "run")
    }
    assert names == set(ids)
    for check in CHECKS:
        module = importlib.import_module(f"ringland.quality.{check.id}")
        assert check.run is module.check
        assert check.limits == module.LIMITS


def test_every_limit_has_a_source_known_to_the_bibliography() -> None:
    bibliography = ROOT / "docs" / "references.bib"
    keys = set(re.findall(r"@\w+\{([^,\s]+)", bibliography.read_text(encoding="utf-8")))
    for check in CHECKS:
        for limit in check.limits:
            assert limit.citation == "heuristic" or limit.citation in keys
            assert limit.meaning


def test_every_check_has_a_page_with_the_fixed_headings_and_its_limits() -> None:
    for check in CHECKS:
        page = (ROOT / check.page).read_text(encoding="utf-8")
        assert page.startswith(f"# {check.title}\n")
        assert re.findall(r"^## (.+)$", page, flags=re.MULTILINE) == list(HEADINGS)
        for limit in check.limits:
            assert f"| {limit.value:g} |" in page, (check.id, limit)
    pages = {p.stem for p in (ROOT / "docs" / "checks").glob("*.md")} - {"index"}
    assert pages == {c.id for c in CHECKS}

"""docs/security.md goes through every item of level 1, and the tests it names are there."""

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "security.md").read_text("utf-8")

LEVEL_1 = """
2.1.1-12 2.2.1-3 2.3.1 2.5.1-6 2.7.1-4 2.8.1 3.1.1 3.2.1-3 3.3.1-2 3.4.1-5 3.7.1 4.1.1-3 4.1.5
4.2.1-2 4.3.1-2 5.1.1-5 5.2.1-8 5.3.1-10 5.5.1-4 6.2.1 7.1.1-2 7.4.1 8.2.1-3 8.3.1-4 9.1.1-3
10.3.1-3 11.1.1-5 12.1.1 12.3.1-5 12.4.1-2 12.5.1-2 12.6.1 13.1.1 13.1.3 13.2.1-3 13.3.1 14.2.1-3
14.3.2-3 14.4.1-7 14.5.1-3
"""
"""Items marked for level 1 in the table of OWASP ASVS 4.0.3 (its CSV file) and not deleted."""


def level_1() -> set[str]:
    found: set[str] = set()
    for text in LEVEL_1.split():
        section, _, items = text.rpartition(".")
        first, _, last = items.partition("-")
        found |= {f"{section}.{n}" for n in range(int(first), int(last or first) + 1)}
    return found


def items_on_the_page() -> set[str]:
    """Items in the first column of the tables; `2.1.1 to 2.1.12` is a range."""
    found: set[str] = set()
    for row in re.findall(r"^\| (\d[^|]*)\|", PAGE, re.MULTILINE):
        for section, first, last in re.findall(r"(\d+\.\d+)\.(\d+) to \d+\.\d+\.(\d+)", row):
            found |= {f"{section}.{n}" for n in range(int(first), int(last) + 1)}
        found |= set(re.findall(r"\d+\.\d+\.\d+", row))
    return found


def test_every_item_of_level_1_is_on_the_page() -> None:
    assert sorted(level_1() - items_on_the_page()) == []
    assert sorted(items_on_the_page() - level_1()) == ["12.1.2"]  # level 2, said so


def test_every_test_on_the_page_is_there() -> None:
    there: set[str] = set()
    for path in (ROOT / "tests").rglob("test_*.py"):
        there |= set(re.findall(r"^def (test_\w+)", path.read_text("utf-8"), re.MULTILINE))
    named = set(re.findall(r"`(test_\w+)`", PAGE))
    assert len(named) > 40
    assert sorted(named - there) == []

"""A percentage is written in one way: "36 %", with a space that does not break."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from ringland.units import percent, percent_kept_together

PACKAGE = Path(__file__).parents[1] / "src" / "ringland"
DOCS = Path(__file__).parents[1] / "docs"
STUCK = re.compile(r"\d%(?![\w@])")
SYNTAX = ("misfire:", "0.3 or 30%")
"""How a share is typed on the command line, not how one is told."""
NOT_TEXT = re.compile(r"(width|height|size|inset)[^;\"']*\d%")
"""Sizes in style sheets."""


@pytest.mark.parametrize(
    ("given", "written"),
    [
        ((0.36,), "36\N{NO-BREAK SPACE}%"),
        ((0.0036, 1), "0.4\N{NO-BREAK SPACE}%"),
        ((1.0,), "100\N{NO-BREAK SPACE}%"),
    ],
)
def test_a_share_is_written(given: tuple[float, ...], written: str) -> None:
    assert percent(given[0], *map(int, given[1:])) == written


def test_with_a_sign() -> None:
    assert percent(0.12, sign=True) == "+12\N{NO-BREAK SPACE}%"
    assert percent(-0.12, sign=True) == "-12\N{NO-BREAK SPACE}%"


def test_sentences_of_older_analyses_are_put_right() -> None:
    said = percent_kept_together("missing in 36% of cycles (26 % to 47%), 100%25, 5 %d")
    assert said == "missing in 36\xa0% of cycles (26\xa0% to 47\xa0%), 100%25, 5 %d"
    assert percent_kept_together(said) == said


def texts() -> Iterator[tuple[Path, int, str]]:
    """Every text of the package's code, and what f-strings format as per cent."""
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                yield path, node.lineno, node.value
            elif isinstance(node, ast.FormattedValue) and node.format_spec is not None:
                spec = ast.unparse(node.format_spec)
                if spec.rstrip("'\"").endswith("%"):
                    yield path, node.lineno, f"{spec} 0%"


def test_no_text_of_the_code_has_it_otherwise() -> None:
    found = [
        f"{path.name}:{line}: {text[:80]}"
        for path, line, text in texts()
        if STUCK.search(text) and not any(s in text for s in SYNTAX)
    ]
    assert found == []


def lines_of(path: Path) -> list[str]:
    """With the space that a script writes as an escape."""
    return path.read_text("utf-8").replace("\\u00a0", "\N{NO-BREAK SPACE}").splitlines()


def test_nor_templates_scripts_catalogues_and_generated_pages() -> None:
    files = [f for e in ("*.j2", "*.js", "*.toml", "*.po") for f in PACKAGE.rglob(e)]
    files = [f for f in files if "vendor" not in f.parts] + list(DOCS.rglob("*.md"))
    found = [
        f"{path.name}:{number}: {line.strip()[:100]}"
        for path in files
        for number, line in enumerate(lines_of(path), start=1)
        if STUCK.search(line) and not NOT_TEXT.search(line) and not any(s in line for s in SYNTAX)
    ]
    assert found == []

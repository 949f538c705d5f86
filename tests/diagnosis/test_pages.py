"""Every failure mode and follow-up test has its page, and the pages are up to date."""

from pathlib import Path

from ringland.diagnosis.pages import pages

DOCS = Path(__file__).parents[2] / "docs"


def test_pages_are_what_the_knowledge_files_say() -> None:
    for name, text in pages().items():
        assert (DOCS / name).read_text(encoding="utf-8") == text, (
            f"{name} is out of date: python -m ringland.diagnosis.pages docs"
        )


def test_no_page_is_left_over() -> None:
    for folder in ("failure_modes", "follow_up_tests"):
        there = {f"{folder}/{p.name}" for p in (DOCS / folder).glob("*.md")} - {
            f"{folder}/README.md"
        }
        assert there == {n for n in pages() if n.startswith(folder)}


def test_pages_give_cautions_and_sources() -> None:
    for name, text in pages().items():
        assert "## Source" in text, name
        assert "Caution" in text

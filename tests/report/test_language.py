"""German for the whole report, and what a translation can and cannot do to a text."""

import importlib.util
import re
import shutil
import subprocess
import time
from gettext import GNUTranslations
from pathlib import Path
from types import ModuleType

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ringland.errors import FileFormatError, SettingError
from ringland.model import Analysis
from ringland.report import build_document, render_document
from ringland.report.catalogue import machine_object, read_catalogue, write_catalogue
from ringland.report.language import languages, words_of

ROOT = Path(__file__).parents[2]
PO = ROOT / "src" / "ringland" / "report" / "languages" / "de.po"
PLACES = re.compile(r"\{n?\d+\}")
GERMAN = words_of("de")


@pytest.fixture(scope="module")
def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("catalogues", ROOT / "scripts" / "catalogues.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def entries() -> dict[str, str]:
    return read_catalogue(PO.read_text("utf-8"))


def test_the_report_is_fully_translated(script: ModuleType, entries: dict[str, str]) -> None:
    """All of the report's own sentences, its figures and the trade knowledge; nearly all that the
    parts below word (some of that is never shown). A new sentence: python scripts/catalogues.py,
    then fill in its msgstr."""
    found = script.collected()
    open_ones = [s for s in found if not entries.get(s)]
    own = [s for s in open_ones if not found[s].startswith(script.LOWER)]
    assert own == []
    assert len(open_ones) < 0.02 * len(found), open_ones


def test_places_are_kept(entries: dict[str, str]) -> None:
    wrong = [
        s
        for s, t in entries.items()
        if s and t and sorted(PLACES.findall(s)) != sorted(PLACES.findall(t))
    ]
    assert wrong == []


@pytest.mark.parametrize(
    ("english", "german"),
    [
        ("8 in 10 (78 %)", "8 von 10 (78 %)"),
        ("Position 4 of 6", "Position 4 von 6"),
        ("cylinder 3 (firing position 2 of 4)", "Zylinder 3 (Zündposition 2 von 4)"),
        ("781.61 rpm (781.35 to 781.87 rpm)", "781,61 1/min (781,35 bis 781,87 1/min)"),
        ("Not judged because no trigger.", "Nicht beurteilt, weil: kein Trigger."),
        ("14 September 2026", "14. September 2026"),
        ("0.25", "0,25"),
        ("version 1.2.3, GUM 7.2.6", "version 1.2.3, GUM 7.2.6"),
        ("Smith and Sons", "Smith and Sons"),
        ("recording.csv", "recording.csv"),
        ("ALARM", "ALARM"),
    ],
)
def test_sentences(english: str, german: str) -> None:
    assert GERMAN(english).replace("\N{NO-BREAK SPACE}", " ") == german


def test_german_report(four: Analysis, six: Analysis, unusable: Analysis) -> None:
    for analysis in (four, six, unusable):
        document = build_document(analysis, language="de")
        titles = [s.title for s in document.sections]
        assert titles[0] == "Was gefunden wurde"
        assert not re.search(r"\b(the|what|which|and|with)\b", " ".join(titles), re.IGNORECASE)
        page = render_document(document)
        assert '<html lang="de">' in page
        assert "Abgas tötet" in page
        assert "zugelassenen Fachkraft" in page
    assert "Crank angle" not in render_document(build_document(four, language="de"))


def test_the_users_own_words_stay(four: Analysis) -> None:
    from ringland.report import VisitFacts

    visit = VisitFacts("Idle", "The Exhaust and Sons", "12.5 h")
    page = render_document(build_document(four, visit=visit, language="de", readers=("owner",)))
    for own in ("Idle", "The Exhaust and Sons", "12.5 h"):
        assert f"<dd>{own}</dd>" in page


def test_unknown_language() -> None:
    assert languages() == ("en", "de")
    for code in ("fr", "../de", ""):
        with pytest.raises(SettingError, match="language"):
            words_of(code)


@given(st.text(max_size=300))
def test_any_text_comes_through(text: str) -> None:
    assert isinstance(GERMAN(text), str)


@pytest.mark.parametrize(
    "text",
    ["a and " * 400, "1 of " * 450, "x: " * 700, "{1} to {2} " * 150, "(" * 2000, "y" * 10_000],
)
def test_no_text_is_slow(text: str) -> None:
    start = time.process_time()
    GERMAN(text)
    assert time.process_time() - start < 1.0


def test_catalogue_files_round_trip(entries: dict[str, str]) -> None:
    text = write_catalogue(entries, {})
    assert read_catalogue(text) == entries
    header = "Content-Type: text/plain; charset=UTF-8\n"
    tricky = {"": header, 'a "quoted" \\ text': "zwei\nZeilen", "ü {1}": "ß {1}"}
    assert read_catalogue(write_catalogue(tricky, {})) == tricky
    loaded = GNUTranslations(machine_object(tricky))
    assert loaded.gettext("ü {1}") == "ß {1}"


@pytest.mark.parametrize(
    "text", ['msgid "a"\nmsgid "b"', 'msgid "a', "nonsense", 'msgid "a"\nmsgstr 1']
)
def test_damaged_catalogues(text: str) -> None:
    with pytest.raises(FileFormatError):
        read_catalogue(text)


@pytest.mark.skipif(shutil.which("msgfmt") is None, reason="GNU gettext is not installed")
def test_the_same_as_gnu_msgfmt(entries: dict[str, str], tmp_path: Path) -> None:
    """Our machine object says what GNU msgfmt's says."""
    out = tmp_path / "de.mo"
    subprocess.run(["msgfmt", "-o", str(out), str(PO)], check=True)
    with out.open("rb") as file:
        theirs = GNUTranslations(file)
    ours = GNUTranslations(machine_object(entries))
    assert {s: ours.gettext(s) for s in entries} == {s: theirs.gettext(s) for s in entries}

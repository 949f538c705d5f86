"""One content, two media: the PDF as a reader, a printer and a screen reader meet it."""

import json
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from pypdf import PdfReader

from ringland.errors import FileFormatError, SettingError
from ringland.model import Analysis
from ringland.output import as_json
from ringland.report import (
    Document,
    Firm,
    VisitFacts,
    build_document,
    canonical_json,
    content_hash,
    from_json,
    load_firm,
    render_document,
    render_pdf,
)
from ringland.report.blocks import Drawing
from ringland.report.document import plain_text, printed_hash
from ringland.report.saved import analysis_from_json

INJECTED = '<script>alert(1)</script> #panic("x") *bold* $x$ @ref <label> `raw` \\n // "quoted"'
MADE = date(2026, 9, 14)


@pytest.fixture(scope="module")
def document(four: Analysis) -> Document:
    visit = VisitFacts("Bus 412", "Marrow Valley Transit", "182 400 km", "R. Anders", "")
    return build_document(four, visit=visit, made_on=MADE, firm=Firm(labour_per_hour=90.0))


@pytest.fixture(scope="module")
def pdf(document: Document) -> PdfReader:
    return PdfReader(BytesIO(render_pdf(document)))


def _words(text: str) -> str:
    return re.sub(r"[\s\u200b]+", "", text)


def _text(reader: PdfReader) -> str:
    return _words("".join(page.extract_text() for page in reader.pages))


def _fonts(reader: PdfReader) -> dict[str, Any]:
    found: dict[str, Any] = {}

    def walk(resources: Any) -> None:
        for font in (f.get_object() for f in resources.get("/Font", {}).values()):
            found[font["/BaseFont"]] = font
        for inner in (i.get_object() for i in resources.get("/XObject", {}).values()):
            if "/Resources" in inner:
                walk(inner["/Resources"].get_object())

    for page in reader.pages:
        walk(page["/Resources"].get_object())
    return found


def test_text_is_there_to_be_selected_on_every_page(document: Document, pdf: PdfReader) -> None:
    text = _text(pdf)
    for section in document.sections:
        assert _words(section.title) in text
    for wanted in ("Bus 412", "182 400 km", "Cylinder 3", "8 in 10", "cyl 3", "Crank angle after"):
        assert _words(wanted) in text  # the last two stand in figures
    assert all(page.extract_text().strip() for page in pdf.pages)


def test_every_font_is_embedded(pdf: PdfReader) -> None:
    fonts = _fonts(pdf)
    assert fonts
    for name, font in fonts.items():
        (descendant,) = font["/DescendantFonts"]
        described = descendant.get_object()["/FontDescriptor"].get_object()
        assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(described), name
        assert re.match(r"/[A-Z]{6}\+(Inter|LibertinusSerif)", name), name


def test_tagged_titled_and_in_a_language(document: Document, pdf: PdfReader) -> None:
    root: Any = pdf.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert "/StructTreeRoot" in root
    assert root["/Lang"] == "en"
    assert pdf.metadata is not None
    assert pdf.metadata.title == document.title
    said = pdf.xmp_metadata
    assert said is not None
    raw = str(said.stream.get_data(), "utf-8")  # ISO 14289-1 and ISO 19005-2 name these marks
    assert "pdfuaid:part>1<" in raw
    assert "pdfaid:part>2<" in raw


def test_figures_are_vectors(document: Document, pdf: PdfReader) -> None:
    drawings = [b for s in document.sections for b in s.blocks if isinstance(b, Drawing)]
    photographs = [i for page in pdf.pages for i in page.images]
    assert len(drawings) >= 12
    # two rasters, each with its colour bar, are pixels by nature
    assert sum(b.svg.count("<image") for b in drawings) == 4
    assert len(photographs) <= 4


@pytest.mark.parametrize(("paper", "size"), [("a4", (595.3, 841.9)), ("letter", (612.0, 792.0))])
def test_paper(document: Document, paper: str, size: tuple[float, float]) -> None:
    reader = PdfReader(BytesIO(render_pdf(document.for_reader("owner"), paper=paper)))
    box = reader.pages[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx(size, abs=0.1)
    assert len(reader.pages) <= 2


def test_nothing_runs_over_the_margin(pdf: PdfReader) -> None:
    """Every piece of text starts inside the page's margins (17 mm; 10 mm for head and foot)."""
    for page in pdf.pages:
        places: list[tuple[float, float]] = []

        def visit(text: str, cm: Any, tm: Any, font: Any, size: Any, places: Any = places) -> None:
            if text.strip():
                places.append((cm[0] * tm[4] + cm[4], cm[3] * tm[5] + cm[5]))

        page.extract_text(visitor_text=visit)
        assert places
        outside = [p for p in places if not (25 <= p[0] <= 595 - 25 and 25 <= abs(p[1]) <= 842)]
        assert outside == []


def test_unknown_paper_and_reader(four: Analysis, document: Document) -> None:
    with pytest.raises(SettingError, match="paper"):
        render_pdf(document, paper="a3")
    with pytest.raises(SettingError, match="reader"):
        build_document(four, readers=("everybody",))


def test_markup_and_long_notes_in_every_field_harm_nothing(
    make_analysis: Callable[..., Analysis],
) -> None:
    long = "word " * 1000 + "x" * 5000
    visit = VisitFacts(
        INJECTED,
        long,
        INJECTED,
        "\u202egnp.exe\x00\ud800",
        "漢字",
        ((INJECTED, long),),
        (INJECTED,),
    )
    firm = Firm(INJECTED, (INJECTED, "y" * 3000), INJECTED, INJECTED, INJECTED)
    nasty = make_analysis(engine_name=INJECTED, exhaust_name=INJECTED, cycle_count=70)
    document = build_document(nasty, visit=visit, firm=firm, made_on=MADE)
    owner = document.for_reader("owner")
    reader = PdfReader(BytesIO(render_pdf(owner)))
    text = _text(reader)
    assert _words(INJECTED) in text
    assert text.count("x" * 12) >= 800
    assert len(reader.pages) < 30
    assert len(PdfReader(BytesIO(render_pdf(document))).pages) < 60
    page = render_document(document)
    assert "<script" not in page
    assert "\u202e" not in page


def test_control_and_direction_marks_are_shown_not_obeyed() -> None:
    assert plain_text("a\x00b\u202ec\r\nd\ud800") == "a\ufffdb\ufffdc\nd\ufffd"


def test_the_same_content_is_the_same_file_and_the_same_hash(document: Document) -> None:
    owner = document.for_reader("owner")
    again = from_json(canonical_json(owner))
    assert again == owner
    assert content_hash(again) == content_hash(owner)
    assert render_pdf(again) == render_pdf(owner)
    assert render_document(again) == render_document(owner)
    digest = content_hash(owner)
    reader = PdfReader(BytesIO(render_pdf(owner)))
    assert _words(printed_hash(digest)) in _words(reader.pages[-1].extract_text())
    assert all(_words(digest[:16]) in _words(p.extract_text()) for p in reader.pages)
    assert printed_hash(digest) in render_document(owner)


def test_any_change_changes_the_hash(document: Document) -> None:
    owner = document.for_reader("owner")
    (first, *rest) = owner.sections
    changed = replace(owner, sections=(replace(first, title=first.title + " "), *rest))
    hashes = {content_hash(d) for d in (owner, changed, document, replace(owner, title="T"))}
    assert len(hashes) == 4


@pytest.mark.parametrize("text", ["", "{}", '{"schema": "ringland.document/1"}', "[]", "null"])
def test_what_is_no_kept_document(text: str) -> None:
    with pytest.raises(FileFormatError):
        from_json(text)


def test_a_saved_analysis_gives_the_same_owner_part(four: Analysis) -> None:
    saved = analysis_from_json(json.loads(json.dumps(as_json(four))))
    one, two = (build_document(a, readers=("owner",), made_on=MADE).sections for a in (four, saved))
    assert one == two
    whole = build_document(saved, made_on=MADE)
    assert "holds no waveforms" in render_document(whole)


def test_unusable_and_saved(unusable: Analysis) -> None:
    saved = analysis_from_json(json.loads(json.dumps(as_json(unusable))))
    assert "Not judged because" in render_document(build_document(saved, made_on=MADE))
    with pytest.raises(FileFormatError):
        analysis_from_json({"schema": "ringland.analysis/1"})


def _firm(folder: Path, text: str) -> Path:
    path = folder / "firm.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_logo_and_address_stand_on_the_first_page(four: Analysis, tmp_path: Path) -> None:
    Image.new("RGB", (60, 20), "navy").save(tmp_path / "logo.png")
    firm = load_firm(
        _firm(tmp_path, 'name = "Marrow Works"\naddress = ["Depot Lane 4"]\nlogo = "logo.png"\n')
    )
    document = build_document(four, firm=firm, readers=("owner",), made_on=MADE)
    reader = PdfReader(BytesIO(render_pdf(document)))
    assert "Depot Lane 4" in reader.pages[0].extract_text()
    assert len(reader.pages[0].images) == 1
    assert "data:image/png;base64," in render_document(document)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("logo.svg", b"<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>"),
        ("logo.png", b"\x89PNG\r\n\x1a\n" + b"\0" * 50),
        ("logo.gif", b"GIF89a" + b"\0" * 50),
        ("logo.png", b"\0" * 1_000_001),
        ("missing.png", None),
    ],
)
def test_logos_that_are_refused(tmp_path: Path, name: str, content: bytes | None) -> None:
    if content is not None:
        (tmp_path / name).write_bytes(content)
    with pytest.raises(SettingError, match="logo"):
        load_firm(_firm(tmp_path, f'logo = "{name}"'))


def test_a_logo_of_too_many_pixels(tmp_path: Path) -> None:
    Image.new("1", (5000, 10)).save(tmp_path / "wide.png")
    with pytest.raises(SettingError, match="5000 by 10"):
        load_firm(_firm(tmp_path, 'logo = "wide.png"'))


@pytest.mark.parametrize(
    "text", ["name = 1", "adress = []", 'address = "x"', "labour_per_hour = -1", "name = ", "a"]
)
def test_firm_files_that_are_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(SettingError, match="firm"):
        load_firm(_firm(tmp_path, text))


def test_price_and_hours_are_ranges(document: Document) -> None:
    (cost,) = (s for s in document.sections if s.id == "cost")
    (table, *_) = cost.blocks
    assert table.kind == "table"
    for row in table.groups[0].rows:  # type: ignore[union-attr]
        assert " to " in row[2].text
        assert row[3].text.endswith("EUR")

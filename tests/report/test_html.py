"""The whole report: closed, escaped, complete, readable."""

import re
from collections.abc import Callable
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from ringland.model import Analysis, State
from ringland.report import render_html, write_html
from ringland.report.content import build_sections
from ringland.report.numbers import write_estimate
from ringland.report.words import STATE_WORDS

SECTIONS = [
    "found", "meaning", "to-do", "cost", "owner-cautions", "visit", "cautions", "facts",
    "cylinders", "averaged", "raster", "orders", "recording", "quality", "causes", "severity",
    "next-tests", "actions", "methods", "words", "provenance",
]  # fmt: skip
INJECTED = '<script>alert(1)</script><img src=x onerror="alert(2)">\'"&'


class _Reader(HTMLParser):
    """Collects tags with attributes, ids, and text outside style and SVG."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self._hidden = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._hidden += tag in ("style", "svg")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        self._hidden -= tag in ("style", "svg")

    def handle_data(self, data: str) -> None:
        if not self._hidden:
            self.text.append(data)


def _read(page: str) -> _Reader:
    reader = _Reader()
    reader.feed(page)
    return reader


@pytest.fixture(scope="module")
def four_page(four: Analysis) -> str:
    return render_html(four)


@pytest.fixture(scope="module")
def six_page(six: Analysis) -> str:
    return render_html(six)


@pytest.mark.parametrize("name", ["four", "six", "unusable"])
def test_sections_in_order_for_every_kind_of_result(
    name: str, request: pytest.FixtureRequest
) -> None:
    analysis: Analysis = request.getfixturevalue(name)
    assert [s.id for s in build_sections(analysis)] == SECTIONS


def test_nothing_is_fetched_and_nothing_runs(four_page: str) -> None:
    reader = _read(four_page)
    names = {tag for tag, _ in reader.tags}
    assert not names & {"script", "iframe", "object", "embed", "form", "link", "base"}
    for tag, attributes in reader.tags:
        for key, value in attributes.items():
            assert not key.startswith("on"), (tag, key)
            if key in ("href", "src", "srcset", "action", "xlink:href"):
                assert value is not None
                assert value.startswith(("#", "data:image/png;base64,")), (tag, key)
    assert "http://" not in four_page
    assert "https://" not in four_page
    assert "@import" not in four_page
    assert re.findall(r"url\((?!#)", four_page) == []


def test_policy_forbids_everything_but_inline(four_page: str) -> None:
    policies = [
        a["content"]
        for t, a in _read(four_page).tags
        if t == "meta" and a.get("http-equiv") == "Content-Security-Policy"
    ]
    assert policies
    assert policies[0] is not None
    assert policies[0].startswith("default-src 'none'")
    assert "script" not in policies[0]


def test_ids_are_unique_and_links_lead_somewhere(four_page: str) -> None:
    reader = _read(four_page)
    ids = [a["id"] for _, a in reader.tags if a.get("id")]
    assert len(ids) == len(set(ids))
    links = [a["href"] for t, a in reader.tags if t == "a" and a.get("href")]
    assert links == [f"#{s}" for s in SECTIONS[1:]]


def test_untrusted_names_stay_text(make_analysis: Callable[..., Analysis]) -> None:
    page = render_html(
        make_analysis(engine_name=INJECTED, exhaust_name=INJECTED, cycle_count=70),
        about=(("Owner", INJECTED), (INJECTED, "x")),
    )
    reader = _read(page)
    assert "script" not in {tag for tag, _ in reader.tags}
    assert "img" not in {tag for tag, _ in reader.tags}
    assert not any(key.startswith("on") for _, a in reader.tags for key in a)
    assert INJECTED in "".join(reader.text)


def test_every_value_stands_with_its_interval_and_its_state(four: Analysis, four_page: str) -> None:
    rows = [unescape(re.sub(r"<[^>]*>", "|", r)) for r in four_page.split("<tr>")]
    assert four.metrics is not None
    assert four.symptoms is not None
    states = {(s.metric, s.firing_position): s for s in four.symptoms.symptoms}
    for value in four.metrics.values:
        written = write_estimate(value.estimate)
        symptom = states[(value.metric, value.firing_position)]
        word = STATE_WORDS[symptom.state]
        wanted = [written.value, written.interval or (written.reason or ""), word]
        assert any(all(w in row for w in wanted) for row in rows), (value, wanted)


def test_not_judged_always_has_its_reason(six: Analysis, six_page: str) -> None:
    assert six.symptoms is not None
    left_out = [s for s in six.symptoms.symptoms if s.state is State.NOT_JUDGED]
    assert left_out
    for symptom in left_out:
        assert f"not judged: {symptom.reason}" in six_page


def test_unknown_numbering_is_said_at_every_figure_per_cylinder(six: Analysis) -> None:
    pictures = [
        block
        for section in build_sections(six)
        for block in section.blocks
        if block.kind == "picture" and section.id in ("cylinders", "averaged", "raster")
    ]
    assert len(pictures) >= 5
    for picture in pictures:
        assert "cylinder numbers are not known: no trigger" in picture.caption  # type: ignore[union-attr]


def test_unusable_says_why_in_every_section_that_needs_cycles(unusable: Analysis) -> None:
    reason = f"Not judged because {unusable.not_judged}."
    page = "".join(_read(render_html(unusable)).text)
    assert page.count(reason) >= 9
    assert "Check the sensor plug" in page


def test_cause_sections_say_when_nothing_was_ranked(six_page: str) -> None:
    assert six_page.count("Not judged because this analysis ends at what was measured") == 6


def test_causes_tests_and_actions_when_there(four_page: str) -> None:
    text = "".join(_read(four_page).text)
    for wanted in (
        "Best explanation, 8 in 10 (78\N{NO-BREAK SPACE}%): Leaking rings, cylinder 3.",
        "None of the causes listed: 1 in 10",
        "Leak-down test with your ear at the filler",
        "Lock the crank",
        "Cylinder 3 leaks inside.",
        "3.1\N{NO-BREAK SPACE}mm² (2.2 to 4.4\N{NO-BREAK SPACE}mm²)",
    ):
        assert wanted in text
    assert "none of these" in four_page


def test_cautions_always_stand(six_page: str) -> None:
    for wanted in (
        "Exhaust gas kills", "Hot exhaust", "Rotating parts", "wheels chocked",
        "Ignition voltage", "Orange cables", "starter limits", "eye protection",
        "engine maker&#39;s procedure", "local rules",
    ):  # fmt: skip
        assert wanted in six_page, wanted


def test_words_that_never_appear(four_page: str, six_page: str) -> None:
    whole = " ".join("".join(_read(p).text) for p in (four_page, six_page))
    # the trade's word for a scratched bore is the one use that is meant
    text = whole.lower().replace("a broken ring scores it", "")
    for word in ("score", "grade", "traffic"):
        assert re.search(rf"\b{word}", text) is None, word
    assert re.search(r"[Cc]ylinder [A-H]\b", whole) is None


def test_facts_of_the_visit_fill_their_lines(six: Analysis) -> None:
    page = render_html(six, about=(("Vehicle", "Bus 412"), ("Purpose", "baseline")))
    assert "Bus 412" in page
    assert "baseline" in page
    assert page.count('class="blank"') == 4


def test_provenance_names_file_hash_steps_and_versions(four_page: str) -> None:
    for wanted in ("bus-412-idle.csv", "ab" * 32, "cycles from trigger", "rate_hz 4000", "numpy "):
        assert wanted in four_page


def test_size_and_file(six: Analysis, six_page: str, tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    write_html(six, path)
    assert path.read_text(encoding="utf-8") == six_page
    assert path.stat().st_size < 2_000_000


def test_twelve_cylinders_stay_under_the_size_limit(
    make_analysis: Callable[..., Analysis],
) -> None:
    page = render_html(make_analysis(cylinders=6, cycle_count=400, trigger=False))
    assert len(page.encode()) < 2_000_000


@pytest.mark.parametrize(("cylinders", "trigger"), [(1, True), (2, False), (5, True), (16, True)])
def test_any_number_of_cylinders(
    cylinders: int, trigger: bool, make_analysis: Callable[..., Analysis]
) -> None:
    page = render_html(
        make_analysis(cylinders=cylinders, weak_position=1, trigger=trigger, cycle_count=70)
    )
    assert len(page.encode()) < 2_000_000
    name = "cyl" if trigger else "pos"
    assert f">{name} {cylinders}<" in page


def test_cycles_with_holes_and_signals_without_cycles(six: Analysis) -> None:
    assert six.cylinders is not None
    first, second = six.cylinders.signals
    holes = np.array(first.values)
    holes[3, 100:200] = np.nan
    signals = (replace(first, values=holes), replace(second, values=holes[:0], cycle_index=()))
    page = render_html(replace(six, cylinders=replace(six.cylinders, signals=signals)))
    assert "Averaged cycle of exhaust" in page
    assert "Averaged cycle of crankcase" not in page


def test_missing_parts_do_not_break_it(six: Analysis) -> None:
    bare = replace(six, metrics=None, symptoms=None, cylinders=None, not_judged="too few cycles")
    assert "too few cycles" in render_html(bare)

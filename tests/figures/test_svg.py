"""The SVG that goes into a page: closed, own ids, the page's colours, text kept as text."""

import xml.etree.ElementTree as ET
from typing import TYPE_CHECKING

import numpy as np
import pytest

from ringland.figures import before_after, style, trend
from ringland.figures.labels import position_name, position_tag, with_place_names
from ringland.figures.svg import THEME_COLOURS, inline_svg
from ringland.model import Assignment, Estimate, State, unknown

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def _build(figure: "Figure") -> None:
    axes = figure.add_axes((0.1, 0.1, 0.8, 0.8))
    axes.plot([0, 1], [0, 1], color=style.VERMILLION)
    axes.fill_between([0, 1], [0, 1], hatch="////", color=style.BLUE)
    axes.imshow(np.eye(3), cmap="cividis")
    axes.set_xlabel('<script>alert("x")</script> $5 & $6')


@pytest.fixture(scope="module")
def drawn() -> str:
    return inline_svg("one", (4, 3), _build, title='A "title" <b>')


def test_no_name_points_outside(drawn: str) -> None:
    assert "http" not in drawn
    assert "xmlns" not in drawn
    assert "<!DOCTYPE" not in drawn


def test_text_stays_text_and_cannot_become_markup(drawn: str) -> None:
    assert "<script" not in drawn
    assert "&lt;script&gt;" in drawn
    assert "$5 &amp; $6" in drawn
    assert 'aria-label="A &quot;title&quot; &lt;b&gt;"' in drawn


def test_well_formed_and_every_reference_resolves(drawn: str) -> None:
    root = ET.fromstring(drawn)  # our own text
    ids = [e.attrib["id"] for e in root.iter() if "id" in e.attrib]
    assert len(ids) == len(set(ids))
    assert all(i.startswith("one-") for i in ids)
    links = [e.attrib["href"] for e in root.iter() if "href" in e.attrib]
    assert all(link.startswith("data:image/png") or link[1:] in ids for link in links)


def test_colours_are_the_pages_own(drawn: str) -> None:
    assert f"var(--vermillion, {style.VERMILLION})" in drawn
    assert set(THEME_COLOURS.values()) == {
        "ink", "muted", "paper", "rule", "band", "blue", "vermillion",
    }  # fmt: skip


def test_same_drawing_same_text(drawn: str) -> None:
    assert inline_svg("one", (4, 3), _build, title='A "title" <b>') == drawn


def test_before_and_after_draws() -> None:
    row = ("cyl 1", Estimate(1, 0, 2, "Pa"), Estimate(2, 1, 3, "Pa"), Estimate(1, 0, 2, "Pa"))
    prepared = before_after.prepare((row,), title="Push", unit="Pa", smallest_change=0.5)
    svg = inline_svg(
        "pair",
        before_after.size_in(prepared),
        lambda figure: before_after.compose(figure, prepared),
        title="t",
    )
    assert "too small to count" in svg


def test_trend_says_so_when_there_is_none() -> None:
    points = (
        trend.TrendPoint(1.0, Estimate(1, 0, 2, "Pa")),
        trend.TrendPoint(2.0, unknown("Pa", "sensor wet")),
    )
    prepared = trend.prepare(points, x_label="km", y_label="Pa", verdict="No trend.", limit=3.0)
    svg = inline_svg(
        "trend",
        trend.size_in(prepared),
        lambda figure: trend.compose(figure, prepared),
        title="t",
    )
    assert "No trend." in svg
    assert ">limit<" in svg


def test_states_differ_without_colour() -> None:
    assert len({style.STATE_WORD[s] for s in State}) == 4
    marks = {(style.STATE_FILL[s], s is State.NOT_JUDGED) for s in State}
    assert len(marks) == 4


def test_position_names_say_what_is_not_known() -> None:
    known = Assignment(2, 180.0, 3, 0.99, True, "trigger")
    doubtful = Assignment(2, 180.0, 3, 0.7, True, "path delay")
    nameless = Assignment(3, 240.0, None, 0.2, False, "no trigger")
    assert position_name((known,), 2, count=4) == "cylinder 3 (firing position 2 of 4)"
    assert "7 in 10 sure" in position_name((doubtful,), 2, count=4)
    assert position_name((nameless,), 3, count=6) == (
        "position 3 of 6 (number not known: no trigger)"
    )
    assert [position_tag((a,), a.firing_position) for a in (known, doubtful, nameless)] == [
        "cyl 3", "cyl 3 ?", "pos 3",
    ]  # fmt: skip


def test_a_leading_position_becomes_the_cylinder_where_it_is_known() -> None:
    known = Assignment(4, 540.0, 2, 0.99, True, "trigger")
    nameless = Assignment(4, 540.0, None, 0.2, False, "no trigger")
    text = "Position 4: push is above the others."
    assert with_place_names(text, (known,)) == "Cylinder 2: push is above the others."
    assert with_place_names(text, (nameless,)) == text

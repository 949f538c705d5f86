"""No text of a figure lies on another, none leaves the canvas; measured in the drawing font."""

from collections.abc import Callable
from itertools import combinations
from typing import Any

import matplotlib as mpl
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from ringland.figures import style
from ringland.figures.svg import SETTINGS, break_names
from ringland.model import Analysis
from ringland.report.blocks import Picture
from ringland.report.content import build_sections

# Points by which boxes may touch: a text box is taller than its letters.
SLACK_PT = 2.0


def _pictures(analysis: Analysis) -> list[Picture]:
    return [b for s in build_sections(analysis) for b in s.blocks if isinstance(b, Picture)]


class _Listener(RendererAgg):
    """Remembers which texts are really drawn (tick labels outside an axis are not)."""

    def __init__(self, width: float, height: float) -> None:
        super().__init__(width, height, 72)  # type: ignore[no-untyped-call]
        self.drawn: dict[int, Text] = {}

    def draw_text(self, *args: Any, **options: Any) -> None:
        text = options.get("mtext", args[-1])
        if isinstance(text, Text):
            self.drawn[id(text)] = text
        super().draw_text(*args, **options)  # type: ignore[no-untyped-call]


def _texts(picture: Picture, *, narrow: bool = False) -> tuple[list[tuple[str, Bbox]], Bbox]:
    """All texts drawn with their boxes in points, and the canvas."""
    slim = picture.narrow_in or (style.NARROW_IN, picture.size_in[1])
    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=slim if narrow else picture.size_in, dpi=72)
        FigureCanvasAgg(figure)
        picture.build(figure)
        if narrow:
            break_names(figure)
        renderer = _Listener(*figure.bbox.size)
        figure.draw(renderer)
        found = [(t.get_text(), t.get_window_extent(renderer)) for t in renderer.drawn.values()]
        return found, Bbox.from_bounds(0, 0, *figure.bbox.size)


def _shrunk(box: Bbox) -> Bbox:
    return Bbox.from_extents(
        box.x0 + SLACK_PT, box.y0 + SLACK_PT, box.x1 - SLACK_PT, box.y1 - SLACK_PT
    )


def _check(analysis: Analysis) -> None:
    pictures = _pictures(analysis)
    assert pictures
    for picture in pictures:
        texts, canvas = _texts(picture)
        for text, box in texts:
            inside = (
                box.x0 >= -SLACK_PT
                and box.y0 >= -SLACK_PT
                and box.x1 <= canvas.x1 + SLACK_PT
                and box.y1 <= canvas.y1 + SLACK_PT
            )
            assert inside, f"{picture.name}: {text!r} leaves the canvas: {box} in {canvas}"
        _none_on_another(picture.name, texts)
        texts, canvas = _texts(picture, narrow=True)  # grows to hold what is on it, by little
        _none_on_another(f"{picture.name}, narrow", texts)
        wide = max(b.x1 for _, b in texts) - min(b.x0 for _, b in texts)
        assert wide < 1.2 * canvas.x1, f"{picture.name}: {wide} of {canvas.x1}"


def _none_on_another(name: str, texts: list[tuple[str, Bbox]]) -> None:
    for (one, a), (other, b) in combinations(texts, 2):
        assert not _shrunk(a).overlaps(_shrunk(b)), f"{name}: {one!r} on {other!r}"


@pytest.mark.parametrize("name", ["four", "six", "unusable"])
def test_no_text_on_another(name: str, request: pytest.FixtureRequest) -> None:
    _check(request.getfixturevalue(name))


@pytest.mark.parametrize(("cylinders", "trigger"), [(1, True), (8, False), (12, True), (16, True)])
def test_no_text_on_another_for_any_number_of_cylinders(
    cylinders: int, trigger: bool, make_analysis: Callable[..., Analysis]
) -> None:
    _check(make_analysis(cylinders=cylinders, weak_position=1, trigger=trigger, cycle_count=70))


def test_long_names_fit(make_analysis: Callable[..., Analysis]) -> None:
    _check(
        make_analysis(
            exhaust_name="Tailpipe pressure, left bank, hose of two metres, serial 0042",
            cycle_count=70,
            diagnosis=True,
        )
    )

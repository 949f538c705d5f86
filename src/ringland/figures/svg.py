"""A drawn figure as SVG text that can stand inside a page.

Several figures share one page, so ids are made unique; names that point to other places
(namespaces, metadata) are left out; colours become the page's own, so that the dark scheme
reaches into the figures. matplotlib is imported here only when a figure is drawn.
"""

import html
import re
import textwrap
from collections.abc import Callable
from io import StringIO
from typing import TYPE_CHECKING, Any

from ringland.figures import style
from ringland.units import percent_kept_together

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "SETTINGS",
    "THEME_COLOURS",
    "break_names",
    "draw_svg",
    "inline_svg",
    "plain_axes",
    "themed",
]

THEME_COLOURS = {
    style.INK: "ink",
    style.MUTED: "muted",
    style.PAPER: "paper",
    style.RULE: "rule",
    style.BAND: "band",
    style.BLUE: "blue",
    style.VERMILLION: "vermillion",
}

_NARROW_LETTERS = 44

SETTINGS: dict[Any, Any] = {
    "svg.fonttype": "none",
    "text.parse_math": False,
    "font.family": ["DejaVu Sans"],
    "font.size": style.FONT_PT,
    "axes.facecolor": "none",
    "axes.edgecolor": style.MUTED,
    "axes.labelcolor": style.INK,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "axes.titlesize": style.FONT_PT,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "hatch.linewidth": 0.8,
    "text.color": style.INK,
    "xtick.color": style.MUTED,
    "ytick.color": style.MUTED,
    "xtick.labelcolor": style.INK,
    "ytick.labelcolor": style.INK,
    "xtick.labelsize": style.SMALL_PT,
    "ytick.labelsize": style.SMALL_PT,
    "lines.linewidth": 1.2,
    "path.simplify": True,
    "path.simplify_threshold": 0.5,
}


def plain_axes(axes: "Axes", *, left: bool = True) -> None:
    """Take away what carries no information: top and right edges, and the left one if asked."""
    for side in ("top", "right") if left else ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    if not left:
        axes.tick_params(axis="y", length=0)


def _shorten(path: re.Match[str]) -> str:
    """Path coordinates to a hundredth of a point: far below what print or screen can show."""
    return re.sub(
        r"-?\d+\.\d{3,}", lambda m: f"{float(m.group()):.2f}".rstrip("0").rstrip("."), path.group()
    )


def _own_ids(text: str, name: str) -> str:
    text = re.sub(r'\bid="([^"]*)"', rf'id="{name}-\1"', text)
    text = re.sub(r'xlink:href="#([^"]*)"', rf'href="#{name}-\1"', text)
    text = text.replace('xlink:href="data:', 'href="data:')
    return re.sub(r"url\(#([^)]*)\)", rf"url(#{name}-\1)", text)


def _page_colours(text: str) -> str:
    for colour, variable in THEME_COLOURS.items():
        text = text.replace(f": {colour}", f": var(--{variable}, {colour})")
        text = text.replace(f'fill="{colour}"', f'style="fill: var(--{variable}, {colour})"')
    return text


def draw_svg(
    name: str,
    size_in: tuple[float, float],
    build: Callable[["Figure"], None],
    *,
    title: str,
    words: Callable[[str], str] | None = None,
    tight: bool = False,
) -> str:
    """Draw with `build` on a new figure and return one `<svg>` element in plain colours.

    `name` becomes the prefix of every id (letters, digits, hyphen); `title` is read aloud by
    screen readers; `words` turns every text of the figure into another language. `tight`: names of
    axes are broken over lines and the canvas becomes as large as what is on it, for a narrow one.
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    drawn = StringIO()
    with mpl.rc_context({**SETTINGS, "svg.hashsalt": name}):
        figure = Figure(figsize=size_in)
        FigureCanvasSVG(figure)
        figure.patch.set_alpha(0.0)
        build(figure)
        if words is not None:
            _translate(figure, words)
        if tight:
            break_names(figure)
        figure.savefig(
            drawn,
            format="svg",
            bbox_inches="tight" if tight else None,
            pad_inches=0.03,
            metadata={"Date": None, "Creator": None, "Format": None, "Type": None},
        )
    text = drawn.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r"<!--.*?-->", "", text, flags=re.DOTALL)
    text = _own_ids(re.sub(r'\sd="[^"]*"', _shorten, text), name)
    if words is not None:
        text = _translate_numbers(text, words)
    head, body = text.split(">", 1)
    box = re.search(r'viewBox="[^"]*"', head)
    view = box.group() if box else ""
    label = html.escape(title, quote=True)
    return f'<svg {view} role="img" aria-label="{label}" class="figure">{body.rstrip()}'


def break_names(figure: "Figure") -> None:
    """Names along the axes over as many lines as a narrow canvas needs."""
    for axes in figure.axes:
        axes.set_xlabel(textwrap.fill(axes.get_xlabel(), _NARROW_LETTERS))


def _translate(figure: "Figure", words: Callable[[str], str]) -> None:
    """All words drawn so far; a text that was broken over lines is broken again."""
    from matplotlib.text import Text
    from matplotlib.ticker import FixedFormatter

    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            formatter = axis.get_major_formatter()
            if isinstance(formatter, FixedFormatter):  # labels are made again while drawing
                formatter.seq = [words(label) for label in formatter.seq]
    for text in figure.findobj(Text):
        assert isinstance(text, Text)
        said = text.get_text()
        if not any(letter.isalpha() for letter in said):
            continue
        lines = said.split("\n")
        other = words(" ".join(lines))
        if len(lines) > 1:
            width = max(len(other) // len(lines) + 6, *(len(line) for line in lines))
            other = "\n".join(textwrap.wrap(other, width))
        text.set_text(other)


def _translate_numbers(svg: str, words: Callable[[str], str]) -> str:
    """Numbers along the axes, which are only made while drawing."""
    return re.sub(r"(?<=>)[\d.\N{MINUS SIGN}]+(?=</text>)", lambda m: words(m.group()), svg)


def themed(svg: str) -> str:
    """A drawing as part of a page: its colours and letters become the page's own."""
    return (
        _page_colours(svg)
        .replace("'DejaVu Sans'", "var(--sans)")
        .replace("font-family: DejaVu Sans", "font-family: var(--sans)")
    )


def inline_svg(
    name: str,
    size_in: tuple[float, float],
    build: Callable[["Figure"], None],
    *,
    title: str,
    tight: bool = False,
) -> str:
    """Draw with `build` and return one `<svg>` element for a page, in the page's own colours.

    The element scales with the column it stands in. See `draw_svg`.
    """
    return themed(
        draw_svg(name, size_in, build, title=title, words=percent_kept_together, tight=tight)
    )

"""The next test as a small tree: each answer, how likely it is, and what the ranking becomes."""

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ringland.figures import style
from ringland.model import NextTest

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["AnswerBranch", "TestTree", "compose", "draw", "draw_narrow", "prepare", "size_in"]

_ANSWER_X, _RANKING_X = 1.75, 3.62

__test__ = False  # the word "Test" in a name here is a test on an engine


@dataclass(frozen=True)
class AnswerBranch:
    """One answer: its chance, and the leading causes after it as (name, probability)."""

    title: str
    probability: float
    ranking: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class TestTree:
    """The test and its branches, the most likely answer first."""

    title: str
    minutes: float
    branches: tuple[AnswerBranch, ...]


def prepare(test: NextTest, *, most_causes: int = 3) -> TestTree:
    """Branches by falling probability, each with the leading causes it would leave."""
    return TestTree(
        title=test.title,
        minutes=test.minutes,
        branches=tuple(
            AnswerBranch(
                a.titled,
                a.probability,
                tuple(sorted(a.ranking, key=lambda r: -r[1])[:most_causes]),
            )
            for a in sorted(test.outcomes, key=lambda a: -a.probability)
        ),
    )


def _heights(tree: TestTree) -> list[float]:
    return [
        0.22 * max(len(b.ranking), len(textwrap.wrap(b.title, 26)) + 1) + 0.22
        for b in tree.branches
    ]


def size_in(tree: TestTree, *, narrow: bool = False) -> tuple[float, float]:
    """Width and height in inches."""
    if narrow:
        return style.NARROW_IN, 0.3 + sum(_narrow_heights(tree))
    return style.WIDTH_IN, max(sum(_heights(tree)), 0.9) + 0.35


def compose(figure: "Figure", tree: TestTree) -> None:
    """Lay the figure out on the whole canvas."""
    if style.is_narrow(figure):
        draw_narrow(figure.add_axes((0.0, 0.0, 1.0, 1.0)), tree)
        return
    draw(figure.add_axes((0.0, 0.0, 1.0, 1.0)), tree)


def draw(axes: "Axes", tree: TestTree) -> None:
    """Test on the left, answers in the middle, what the ranking becomes on the right."""
    width, height = size_in(tree)
    axes.set_axis_off()
    axes.set_xlim(0, width)
    axes.set_ylim(height, 0)
    for x, head in (
        (0.05, "Test"),
        (_ANSWER_X, "Answer, and how likely"),
        (_RANKING_X, "The ranking then"),
    ):
        axes.text(x, 0.14, head, color=style.MUTED, va="center", fontsize=style.SMALL_PT)
    heights = _heights(tree)
    middle = 0.35 + sum(heights) / 2
    axes.text(
        0.05, middle, "\n".join([*textwrap.wrap(tree.title, 17), f"{tree.minutes:.0f} min"]),
        va="center", fontweight="bold", linespacing=1.35,
    )  # fmt: skip
    y = 0.35
    for branch, branch_height in zip(tree.branches, heights, strict=True):
        centre = y + branch_height / 2
        axes.plot(
            [1.4, 1.54, 1.54, _ANSWER_X - 0.08], [middle, middle, centre, centre], color=style.INK,
            linewidth=0.8 + 4.0 * branch.probability, solid_joinstyle="round",
        )  # fmt: skip
        lines = [*textwrap.wrap(branch.title, 26), f"{100 * branch.probability:.0f} in 100"]
        axes.text(_ANSWER_X, centre, "\n".join(lines), va="center", linespacing=1.25)
        for rank, (name, probability) in enumerate(branch.ranking):
            row = centre + 0.22 * (rank - (len(branch.ranking) - 1) / 2)
            axes.barh([row], [0.45 * probability], left=_RANKING_X, height=0.13, color=style.BLUE)
            short = textwrap.shorten(name.replace(" in cylinder ", ", cyl "), 40, placeholder="…")
            text = f"{100 * probability:.0f} %  {short}"
            axes.text(_RANKING_X + 0.52, row, text, va="center", fontsize=style.SMALL_PT)
        y += branch_height
        axes.hlines(y, _ANSWER_X, width - 0.05, color=style.RULE, linewidth=0.6)


def _narrow_heights(tree: TestTree) -> list[float]:
    return [0.2 * (len(_answer(b)) + len(b.ranking)) + 0.2 for b in tree.branches]


def _answer(branch: AnswerBranch) -> list[str]:
    return textwrap.wrap(f"{branch.title}: {100 * branch.probability:.0f} in 100", 50)


def draw_narrow(axes: "Axes", tree: TestTree) -> None:
    """Each answer in bold, below it what the ranking becomes; the stem is as thick as it is
    likely."""
    width, height = size_in(tree, narrow=True)
    axes.set_axis_off()
    axes.set_xlim(0, width)
    axes.set_ylim(height, 0)
    axes.text(0.02, 0.12, "Answer, how likely, and the ranking then", color=style.MUTED,
              va="center", fontsize=style.SMALL_PT)  # fmt: skip
    y = 0.3
    for branch, branch_height in zip(tree.branches, _narrow_heights(tree), strict=True):
        axes.plot([0.05, 0.05], [y + 0.04, y + branch_height - 0.12], color=style.INK,
                  linewidth=0.8 + 6.0 * branch.probability, solid_capstyle="butt")  # fmt: skip
        row = y + 0.1
        for line in _answer(branch):
            axes.text(0.2, row, line, va="center", fontweight="bold", fontsize=style.SMALL_PT)
            row += 0.2
        for name, probability in branch.ranking:
            axes.barh([row], [0.4 * probability], left=0.2, height=0.12, color=style.BLUE)
            short = textwrap.shorten(name.replace(" in cylinder ", ", cyl "), 42, placeholder="…")
            text = f"{100 * probability:.0f} %  {short}"
            axes.text(0.66, row, text, va="center", fontsize=style.SMALL_PT)
            row += 0.2
        y += branch_height

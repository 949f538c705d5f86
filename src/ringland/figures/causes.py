"""Ranked causes as bars, and the evidence for and against each in bits."""

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ringland.figures import style
from ringland.figures.labels import cause_name, with_place_names
from ringland.model import Assignment, Cause, Diagnosis, natural_frequency

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "CauseBar",
    "EvidenceBar",
    "compose",
    "compose_evidence",
    "draw",
    "draw_evidence",
    "prepare",
    "prepare_evidence",
    "size_in",
    "size_in_evidence",
]

_WRAP = 62
_NARROW_WRAP = 44
_LABEL_WRAP = 42


@dataclass(frozen=True)
class CauseBar:
    """One bar: `kind` is "cause", "healthy" or "none" (none of the causes listed)."""

    label: str
    probability: float
    kind: str


@dataclass(frozen=True)
class EvidenceBar:
    """One piece of evidence: bits for (positive) or against (negative), and its sentence."""

    bits: float
    sentence: str


def prepare(
    diagnosis: Diagnosis, assignments: tuple[Assignment, ...], *, most: int = 6
) -> tuple[CauseBar, ...]:
    """Causes by falling probability, the rest added up, then "sound" and "none of these".

    The bars always hold the whole probability; "none of these" is always there.
    """
    ranked = sorted(diagnosis.causes, key=lambda c: -c.probability)
    bars = [CauseBar(cause_name(c, assignments), c.probability, "cause") for c in ranked[:most]]
    rest = sum(c.probability for c in ranked[most:])
    if len(ranked) > most:
        bars.append(CauseBar(f"{len(ranked) - most} other causes together", rest, "cause"))
    bars.append(CauseBar("nothing wrong", diagnosis.healthy, "healthy"))
    bars.append(CauseBar("none of these", diagnosis.none_of_these, "none"))
    return tuple(bars)


def prepare_evidence(
    cause: Cause, assignments: tuple[Assignment, ...] = ()
) -> tuple[EvidenceBar, ...]:
    """Evidence of one cause, the strongest first, whichever way it points."""
    weights = (*cause.speaks_for, *cause.speaks_against)
    return tuple(
        EvidenceBar(w.bits, _worded(w.sentence, assignments))
        for w in sorted(weights, key=lambda w: -abs(w.bits))
    )


def _worded(sentence: str, assignments: tuple[Assignment, ...]) -> str:
    text = with_place_names(sentence, assignments)
    return text[:1].upper() + text[1:]


def size_in(bars: tuple[CauseBar, ...], *, narrow: bool = False) -> tuple[float, float]:
    """Width and height in inches."""
    if narrow:
        return style.NARROW_IN, 0.5 + 0.5 * len(bars)
    return style.WIDTH_IN, 0.5 + 0.36 * len(bars)


def compose(figure: "Figure", bars: tuple[CauseBar, ...]) -> None:
    """Lay the figure out on a page-wide canvas."""
    height = figure.get_figheight()
    narrow = style.is_narrow(figure)
    left, width = (0.02, 0.76) if narrow else (0.4, 0.44)
    draw(figure.add_axes((left, 0.42 / height, width, 1 - 0.48 / height)), bars, narrow=narrow)


def draw(axes: "Axes", bars: tuple[CauseBar, ...], *, narrow: bool = False) -> None:
    """Draw the bars; "nothing wrong" is open and "none of these" hatched. `narrow`: each name
    stands above its bar, else beside it."""
    for index, bar in enumerate(bars):
        if narrow:
            name = textwrap.shorten(bar.label, 56, placeholder="…")
            axes.text(0, index - 0.32, name, va="center", fontsize=style.SMALL_PT)
        else:
            lines = textwrap.wrap(bar.label, _LABEL_WRAP, max_lines=2, placeholder="…")
            axes.annotate(
                "\n".join(lines), (0, index), xycoords=("figure fraction", "data"), xytext=(4, 0),
                textcoords="offset points", va="center", fontsize=style.SMALL_PT,
                annotation_clip=False, linespacing=1.1,
            )  # fmt: skip
        plain = bar.kind == "cause"
        axes.barh(
            [index + 0.12 * narrow], [100 * bar.probability], height=0.36 if narrow else 0.62,
            linewidth=1.2,
            facecolor=style.BLUE if plain else style.PAPER,
            edgecolor=style.BLUE if plain else style.INK,
            hatch="////" if bar.kind == "none" else None,
        )  # fmt: skip
        axes.text(
            100 * bar.probability + 1.5, index + 0.12 * narrow,
            natural_frequency(bar.probability), va="center", clip_on=False,
        )  # fmt: skip
    axes.set_ylim(len(bars) - 0.5, -0.5)
    axes.set_xlim(0, 100)
    axes.set_yticks([])
    axes.set_xlabel("Probability, %")


def _lines(sentence: str, narrow: bool = False) -> list[str]:
    return textwrap.wrap(sentence, _NARROW_WRAP if narrow else _WRAP) or [""]


def size_in_evidence(bars: tuple[EvidenceBar, ...], *, narrow: bool = False) -> tuple[float, float]:
    """Width and height in inches."""
    lines = sum(max(len(_lines(b.sentence, narrow)), 1) for b in bars)
    width = style.NARROW_IN if narrow else style.WIDTH_IN
    return width, 0.62 + 0.18 * lines + 0.14 * len(bars)


def compose_evidence(figure: "Figure", bars: tuple[EvidenceBar, ...]) -> None:
    """Lay the figure out on a page-wide canvas."""
    height = figure.get_figheight()
    narrow = style.is_narrow(figure)
    left, width = (0.02, 0.22) if narrow else (0.03, 0.28)
    box = (left, 0.45 / height, width, 1 - 0.65 / height)
    draw_evidence(figure.add_axes(box), bars, narrow=narrow)


def draw_evidence(axes: "Axes", bars: tuple[EvidenceBar, ...], *, narrow: bool = False) -> None:
    """Bars to the left speak against, to the right for; the sentence stands beside."""
    y = 0.0
    longest = max((abs(b.bits) for b in bars), default=1.0) or 1.0
    for bar in bars:
        lines = _lines(bar.sentence, narrow)
        height = 0.18 * len(lines)
        colour, hatch = (style.BLUE, None) if bar.bits >= 0 else (style.VERMILLION, "xxxx")
        axes.barh([y + height / 2], [bar.bits], height=0.15, color=colour, hatch=hatch)
        axes.annotate(
            "\n".join(lines), (1.0, y + height / 2), xycoords=("axes fraction", "data"),
            xytext=(12, 0), textcoords="offset points", va="center", annotation_clip=False,
            linespacing=1.25, fontsize=style.SMALL_PT if narrow else style.FONT_PT,
        )  # fmt: skip
        y += height + 0.14
    axes.set_ylim(y, -0.1)
    axes.set_xlim(-1.1 * longest, 1.1 * longest)
    axes.axvline(0, color=style.INK, linewidth=1)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.locator_params(axis="x", nbins=3 if narrow else 5)
    for x, word in ((0.25, "against"), (0.75, "for")):
        axes.text(
            x, 1.02, word, ha="center", va="bottom", fontsize=style.SMALL_PT, fontweight="bold",
            transform=axes.transAxes,
        )  # fmt: skip
    axes.set_xlabel("bits")

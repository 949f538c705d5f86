"""The before/after report: sections from a comparison. Computes nothing."""

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from ringland.figures import before_after as figure
from ringland.model import Estimate
from ringland.report.blocks import (
    Block,
    Cell,
    Finding,
    Findings,
    Group,
    Paragraph,
    Picture,
    Points,
    Section,
    Table,
)
from ringland.report.document import Document
from ringland.report.finish import finish
from ringland.report.firm import Firm
from ringland.report.html import render_document
from ringland.report.numbers import write_estimate, write_number
from ringland.report.reference import cautions_section
from ringland.report.words import capital
from ringland.verify.alike import Weight
from ringland.verify.before_after import Change, ChangeState, Comparison, Direction
from ringland.verify.normal import NormalState, PlaceNormal
from ringland.verify.words import place_of, summary

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["before_after_document", "sections_of", "write_before_after"]

_WEIGHT_WORDS = {
    Weight.REFUSED: "not compared",
    Weight.LEFT_OUT: "partly left out",
    Weight.WARNING: "mind this",
}
_NORMAL_WORDS = {
    NormalState.SHOWN: ("normal", "back to normal"),
    NormalState.NOT_SHOWN: ("not_judged", "not shown"),
    NormalState.NOT_NORMAL: ("alarm", "NOT NORMAL"),
}
_CHANGE_WORDS = {
    Direction.BETTER: "changed, better",
    Direction.WORSE: "CHANGED, WORSE",
    Direction.NEITHER: "no change shown",
}


def sections_of(
    comparison: Comparison, normal: tuple[PlaceNormal, ...] = ()
) -> tuple[Section, ...]:
    """All sections, in the order they are read."""
    sections = [_headline(comparison, normal)]
    if comparison.objections:
        sections.append(_unlike(comparison))
    if not comparison.refused:
        sections += [_figures(comparison), _table(comparison)]
    if normal:
        sections.append(_back(normal))
    sections += [cautions_section(), _method(comparison)]
    return tuple(sections)


def _headline(comparison: Comparison, normal: tuple[PlaceNormal, ...]) -> Section:
    said = summary(comparison, normal)
    word = "not compared" if comparison.refused else "before and after"
    state = "not_judged" if comparison.refused else ""
    finding = Finding(f"{comparison.before} and {comparison.after}", state, word, said)
    return Section("result", "Did it change", (Findings((finding,)),))


def _unlike(comparison: Comparison) -> Section:
    items = tuple(
        Finding(capital(_WEIGHT_WORDS[o.weight]), "", "", (o.sentence, o.remedy))
        for o in comparison.objections
    )
    return Section("unlike", "What is unlike between the two", (Findings(items),))


def _metrics(comparison: Comparison) -> dict[tuple[str, str], list[Change]]:
    found: dict[tuple[str, str], list[Change]] = {}
    for change in comparison.changes:
        found.setdefault((change.metric, change.role), []).append(change)
    return found


def _figures(comparison: Comparison) -> Section:
    blocks: list[Block] = []
    for (metric, role), cells in _metrics(comparison).items():
        compared = [c for c in cells if c.state is not ChangeState.NOT_COMPARED]
        if not compared:
            why = cells[0].change.reason or "no reason was recorded"
            blocks.append(Paragraph(f"{cells[0].title} ({role}) is not compared: {why}."))
            continue
        blocks.append(_picture(metric, role, cells))
    return Section("figures", "Each metric, before and after", tuple(blocks))


def _picture(metric: str, role: str, cells: list[Change]) -> Picture:
    cylinders = [c for c in cells if c.firing_position is not None]
    least = [c.smallest_change for c in cylinders if c.smallest_change is not None]
    prepared = figure.prepare(
        tuple((_tag(c), c.before, c.after, c.change) for c in cylinders),
        title=cells[0].title,
        unit="share" if cells[0].change.unit == "1" else cells[0].change.unit,
        smallest_change=max(least, default=None),
    )

    def build(canvas: "Figure") -> None:
        figure.compose(canvas, prepared)

    return Picture(
        name=f"{metric}-{role}".replace("_", "-"),
        title=f"{cells[0].title} before and after, one row per cylinder in firing order",
        caption="Deviation from the other cylinders with its 90 % interval, which holds the "
        "scatter within the recordings and from one hook-up to the next. Grey: too small to "
        "count in a table of this size.",
        size_in=figure.size_in(prepared),
        build=build,
        heading=f"{cells[0].title} ({role.replace('_', ' ')})",
        narrow_in=figure.size_in(prepared, narrow=True),
    )


def _tag(cell: Change) -> str:
    return f"cyl {cell.cylinder}" if cell.cylinder is not None else f"pos {cell.firing_position}"


def _text(estimate: Estimate) -> str:
    return write_estimate(estimate).text


def _table(comparison: Comparison) -> Section:
    groups = []
    for (_, role), cells in _metrics(comparison).items():
        rows = tuple(
            (
                Cell(capital(place_of(c))),
                Cell(_text(c.before)),
                Cell(_text(c.after)),
                Cell(_text(c.change)),
                Cell(_least(c), number=True),
                Cell(_word(c), mark=_mark(c)),
            )
            for c in cells
        )
        groups.append(Group(f"{cells[0].title} ({role.replace('_', ' ')})", rows))
    head = ("Where", "Before", "After", "Change", "Must exceed", "Verdict")
    caption = "Deviation from the other cylinders; rates as they are. Intervals 90 %."
    return Section("table", "All numbers", (Table(caption, head, tuple(groups)),))


def _least(cell: Change) -> str:
    if cell.smallest_change is None:
        return "–"
    if cell.change.unit == "1":
        return f"{write_number(100.0 * cell.smallest_change, 1)} %"
    return f"{cell.smallest_change:.3g} {cell.change.unit}"


def _word(cell: Change) -> str:
    if cell.state is ChangeState.NOT_COMPARED:
        return "not compared"
    return _CHANGE_WORDS[cell.direction]


def _mark(cell: Change) -> str:
    if cell.state is ChangeState.CHANGED:
        return "alarm" if cell.direction is Direction.WORSE else "alert"
    return "not_judged" if cell.state is ChangeState.NOT_COMPARED else "normal"


def _back(normal: tuple[PlaceNormal, ...]) -> Section:
    items = tuple(
        Finding(
            f"Cylinder {p.cylinder}" if p.cylinder is not None else f"Position {p.firing_position}",
            _NORMAL_WORDS[p.state][0],
            _NORMAL_WORDS[p.state][1],
            (p.sentence, *(capital(r) + "." for r in p.reasons[1:])),
        )
        for p in normal
    )
    about = Paragraph(
        "Finding no difference is not the same as being sound. Here a cylinder is called back to "
        "normal only when the whole interval of every metric lies within its limit."
    )
    return Section("normal", "Back to normal?", (about, Findings(items)))


def _method(comparison: Comparison) -> Section:
    return Section("method", "How it was compared", (Points(comparison.notes),))


def before_after_document(
    comparison: Comparison,
    normal: tuple[PlaceNormal, ...] = (),
    *,
    firm: Firm | None = None,
    language: str = "en",
    made_on: date | None = None,
) -> Document:
    """The finished document, for a page or a PDF. Raises SettingError for an unknown language."""
    return finish(
        sections_of(comparison, normal),
        kind="before_after",
        title=comparison.engine or "Engine",
        subtitle=f"{comparison.before} and {comparison.after}",
        firm=firm,
        language=language,
        made_on=made_on,
    )


def write_before_after(
    comparison: Comparison, path: Path | str, normal: tuple[PlaceNormal, ...] = ()
) -> None:
    """Write it to `path`: a PDF for `.pdf`, else one self-contained HTML page. Raises OSError when
    the place cannot be written."""
    document = before_after_document(comparison, normal)
    if Path(path).suffix.casefold() == ".pdf":
        from ringland.report.pdf import write_pdf

        write_pdf(document, path)
        return
    Path(path).write_text(render_document(document), encoding="utf-8", newline="\n")

"""From sections to a finished document: readers chosen, translated, cleaned, figures drawn."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from types import MappingProxyType

from ringland.errors import SettingError
from ringland.figures.svg import draw_svg
from ringland.report.blocks import (
    Block,
    Cell,
    Drawing,
    Facts,
    Finding,
    Findings,
    Group,
    Paragraph,
    Picture,
    Points,
    Section,
    Table,
    Warn,
)
from ringland.report.document import Document, plain_text
from ringland.report.firm import Firm
from ringland.report.language import Words, words_of
from ringland.report.visit import is_date
from ringland.units import percent_kept_together

__all__ = ["finish"]

_KINDS = MappingProxyType(
    {
        "analysis": "Engine pulse report",
        "before_after": "Before and after",
        "fleet": "Fleet summary",
    }
)
_FRAME = MappingProxyType(
    {
        "page": "Page",
        "of": "of",
        "content": "Content",
        "contents": "Contents",
        "workshop": "For the workshop",
        "whole": "Hash of the whole content (SHA-256). With it, a printed page can be checked "
        "against what was kept.",
        "made": "Made with ringland on",
        "not_given": "not given",
        "cautions": "Read the cautions before anyone goes near the engine.",
    }
)


def finish(
    sections: Sequence[Section],
    *,
    kind: str,
    title: str,
    subtitle: str,
    readers: Sequence[str] = ("owner", "workshop"),
    firm: Firm | None = None,
    recipient: Sequence[str] = (),
    language: str = "en",
    made_on: date | None = None,
) -> Document:
    """The document. Raises SettingError for an unknown language or reader."""
    unknown = sorted(set(readers) - {"owner", "workshop"})
    if unknown or not readers:
        raise SettingError(
            "There is no such reader of a report.",
            got=", ".join(unknown) or "nobody",
            allowed="owner, workshop",
        )
    words = words_of(language)
    frame = {name: words(text) for name, text in {"kind": _KINDS[kind], **_FRAME}.items()}
    firm = firm or Firm()
    return Document(
        kind=kind,
        title=plain_text(title),
        subtitle=plain_text(subtitle),
        language=language,
        made_on=(made_on or date.today()).isoformat(),
        sections=tuple(_section(s, words) for s in sections if s.reader in readers),
        firm=replace(
            firm,
            name=plain_text(firm.name),
            address=tuple(map(plain_text, firm.address)),
            telephone=plain_text(firm.telephone),
            email=plain_text(firm.email),
            website=plain_text(firm.website),
        ),
        recipient=tuple(map(plain_text, recipient)),
        words=MappingProxyType(frame),
    )


def _section(section: Section, words: Words) -> Section:
    def say(text: str) -> str:
        return percent_kept_together(plain_text(words(text)))

    blocks = tuple(_block(b, say) for b in section.blocks)
    return Section(section.id, say(section.title), blocks, section.reader)


def _block(block: Block, say: Callable[[str], str]) -> Block:  # noqa: PLR0911 (one per kind)
    """The block with every text said in the language; pictures drawn."""
    match block:
        case Paragraph():
            return replace(block, text=say(block.text))
        case Points():
            return replace(block, items=tuple(map(say, block.items)), heading=say(block.heading))
        case Warn():
            pairs = tuple((say(what), say(do)) for what, do in block.items)
            return replace(block, items=pairs, heading=say(block.heading))
        case Findings():
            return replace(block, items=tuple(_finding(f, say) for f in block.items))
        case Facts():
            own = block.own_words
            rows = (
                (say(n), plain_text(v) if own and not is_date(v) else say(v)) for n, v in block.rows
            )
            return replace(block, rows=tuple(rows))
        case Table():
            return Table(
                say(block.caption),
                tuple(map(say, block.head)),
                tuple(_group(g, say) for g in block.groups),
            )
        case Picture():
            return _drawing(block, say)
        case Drawing():
            return block


def _finding(finding: Finding, say: Callable[[str], str]) -> Finding:
    return Finding(
        say(finding.who),
        str(finding.state),
        say(finding.word),
        tuple(map(say, finding.sentences)),
    )


def _group(group: Group, say: Callable[[str], str]) -> Group:
    rows = tuple(
        tuple(
            Cell(say(c.text), str(c.mark), c.number, say(c.then) if c.then else "", c.strong)
            for c in row
        )
        for row in group.rows
    )
    return Group(say(group.heading), rows)


def _drawing(picture: Picture, say: Callable[[str], str]) -> Drawing:
    title = say(picture.title)
    svg = draw_svg(picture.name, picture.size_in, picture.build, title=title, words=say)
    return Drawing(
        picture.name, title, say(picture.caption), picture.size_in, svg, say(picture.heading)
    )

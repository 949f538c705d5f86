"""A finished document: plain frozen content that HTML and PDF are both drawn from.

It can be written as canonical JSON and read back, so that what was sent can be drawn again years
later, and its SHA-256 can be printed on paper and checked against what was kept.
"""

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass, replace
from types import MappingProxyType
from typing import Any

from ringland.errors import FileFormatError
from ringland.report.blocks import (
    Block,
    Cell,
    Drawing,
    Facts,
    Finding,
    Findings,
    Group,
    Paragraph,
    Points,
    Section,
    Table,
    Warn,
)
from ringland.report.firm import Firm

__all__ = [
    "SCHEMA",
    "Document",
    "canonical_json",
    "content_hash",
    "from_json",
    "plain_text",
    "printed_hash",
]

SCHEMA = "ringland.document/1"

# Control characters, and the marks that turn the direction of writing: they can make text on paper
# read differently from the text that was kept.
_NOT_PRINTED = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ufeff]"
)
_SURROGATES = re.compile("[\ud800-\udfff]")


@dataclass(frozen=True)
class Document:
    """All that a reader sees. `made_on` is the day (ISO 8601) the document was made.

    `words` are the few words around the sections (page, of, contents ...) in its language.
    Every picture is already drawn. Text is plain; nothing here holds markup but the drawings.
    """

    kind: str
    title: str
    subtitle: str
    language: str
    made_on: str
    sections: tuple[Section, ...]
    firm: Firm = field(default_factory=Firm)
    recipient: tuple[str, ...] = ()
    words: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))

    def for_reader(self, *readers: str) -> "Document":
        """The same document with the sections of these readers ("owner", "workshop") only."""
        kept = tuple(s for s in self.sections if not readers or s.reader in readers)
        return replace(self, sections=kept)


def plain_text(text: str) -> str:
    """Text that can be printed: control and direction marks become a visible replacement mark."""
    text = text.replace("\r\n", "\n").replace("\r", "\n").replace("\t", " ")
    return _SURROGATES.sub(
        "\N{REPLACEMENT CHARACTER}", _NOT_PRINTED.sub("\N{REPLACEMENT CHARACTER}", text)
    )


def canonical_json(document: Document) -> str:
    """The content as JSON in one fixed form: sorted keys, no spaces, ASCII (after RFC 8785)."""
    content = {"schema": SCHEMA, **_plain(document)}
    return json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=True)


def _plain(value: object) -> Any:
    """Dataclasses, tuples and mappings as what JSON has."""
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, tuple):
        return [_plain(v) for v in value]
    if is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    return value


def content_hash(document: Document) -> str:
    """SHA-256 of the canonical JSON, 64 hexadecimal digits."""
    return hashlib.sha256(canonical_json(document).encode("ascii")).hexdigest()


def printed_hash(digest: str) -> str:
    """The hash as it is printed: groups of eight that can be read out over the telephone."""
    return " ".join(digest[i : i + 8] for i in range(0, len(digest), 8))


_BLOCKS: Mapping[str, Any] = MappingProxyType(
    {
        "paragraph": lambda b: Paragraph(b["text"]),
        "points": lambda b: Points(tuple(b["items"]), b["heading"]),
        "warn": lambda b: Warn(tuple((w, d) for w, d in b["items"]), b["heading"]),
        "findings": lambda b: Findings(
            tuple(
                Finding(f["who"], f["state"], f["word"], tuple(f["sentences"])) for f in b["items"]
            )
        ),
        "facts": lambda b: Facts(tuple((n, v) for n, v in b["rows"]), own_words=b["own_words"]),
        "table": lambda b: Table(
            b["caption"],
            tuple(b["head"]),
            tuple(
                Group(g["heading"], tuple(tuple(Cell(**c) for c in row) for row in g["rows"]))
                for g in b["groups"]
            ),
        ),
        "picture": lambda b: Drawing(
            b["name"], b["title"], b["caption"], (b["size_in"][0], b["size_in"][1]), b["svg"],
            b["heading"],
        ),
    }
)  # fmt: skip


def from_json(text: str) -> Document:
    """The document in a text that `canonical_json` made. Raises FileFormatError."""
    try:
        content = json.loads(text)
        if content.pop("schema") != SCHEMA:
            raise ValueError("another schema")
        sections = tuple(
            Section(s["id"], s["title"], tuple(_block(b) for b in s["blocks"]), s["reader"])
            for s in content["sections"]
        )
        return Document(
            kind=content["kind"],
            title=content["title"],
            subtitle=content["subtitle"],
            language=content["language"],
            made_on=content["made_on"],
            sections=sections,
            firm=_firm(content["firm"]),
            recipient=tuple(content["recipient"]),
            words=MappingProxyType(dict(content["words"])),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise FileFormatError(
            "This is not a kept report, or it is damaged.",
            got=f"{type(error).__name__}: {error}",
            allowed=f"JSON with schema {SCHEMA}",
            remedy="Make the report again from its analysis.",
        ) from error


def _firm(content: Mapping[str, Any]) -> Firm:
    width, height = content["logo_size"]
    return Firm(**{**content, "address": tuple(content["address"]), "logo_size": (width, height)})


def _block(content: Mapping[str, Any]) -> Block:
    block: Block = _BLOCKS[content["kind"]](content)
    if _plain(block) != dict(content):
        raise ValueError(f"a {content['kind']} has other fields than expected")
    return block

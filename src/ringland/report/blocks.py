"""What a report is made of: frozen sections of frozen blocks, plain text only.

All text is untrusted until the template escapes it; nothing here holds markup.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = [
    "Block",
    "Cell",
    "Drawing",
    "Facts",
    "Finding",
    "Findings",
    "Group",
    "Paragraph",
    "Picture",
    "Points",
    "Section",
    "Table",
    "Warn",
]


@dataclass(frozen=True)
class Paragraph:
    """Plain text."""

    text: str
    kind: str = "paragraph"


@dataclass(frozen=True)
class Points:
    """A list of sentences, with a heading or none."""

    items: tuple[str, ...]
    heading: str = ""
    kind: str = "points"


@dataclass(frozen=True)
class Warn:
    """Cautions: (what can hurt, what to do about it)."""

    items: tuple[tuple[str, str], ...]
    heading: str = ""
    kind: str = "warn"


@dataclass(frozen=True)
class Finding:
    """What was found at one place: who, its state ("normal", "alert", "alarm", "not_judged",
    or "" when no state applies) with the word shown, and the sentences."""

    who: str
    state: str
    word: str
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class Findings:
    """The headline: findings, worst first."""

    items: tuple[Finding, ...]
    kind: str = "findings"


@dataclass(frozen=True)
class Facts:
    """Name and value pairs; an empty value is a line to write on.

    `own_words`: the values are the user's own words, or names and versions, never translated.
    """

    rows: tuple[tuple[str, str], ...]
    kind: str = "facts"
    own_words: bool = False


@dataclass(frozen=True)
class Cell:
    """One table cell. `mark` is a state or verdict that gets a shape beside the word; `number`
    keeps the text on one line; `then` stands on a line of its own below; `strong` is bold."""

    text: str
    mark: str = ""
    number: bool = False
    then: str = ""
    strong: bool = False


@dataclass(frozen=True)
class Group:
    """Rows of a table that belong together under one heading ("" for none)."""

    heading: str
    rows: tuple[tuple[Cell, ...], ...]


@dataclass(frozen=True)
class Table:
    """A table: column names, and groups of rows. `caption` says what the rows are."""

    caption: str
    head: tuple[str, ...]
    groups: tuple[Group, ...]
    kind: str = "table"


@dataclass(frozen=True)
class Picture:
    """A figure: `build` draws it on a canvas of `size_in`, or of `narrow_in` for a phone (None: as
    high, only narrower); `title` is what is read aloud."""

    name: str
    title: str
    caption: str
    size_in: tuple[float, float]
    build: "Callable[[Figure], None]"
    heading: str = ""
    narrow_in: tuple[float, float] | None = None
    kind: str = "picture"


@dataclass(frozen=True)
class Drawing:
    """A picture once drawn: `svg` is one `<svg>` element in plain colours."""

    name: str
    title: str
    caption: str
    size_in: tuple[float, float]
    svg: str
    heading: str = ""
    kind: str = "picture"


Block: TypeAlias = Paragraph | Points | Warn | Findings | Facts | Table | Picture | Drawing


@dataclass(frozen=True)
class Section:
    """One section: `id` is its anchor, `reader` whom it is for ("owner" or "workshop")."""

    id: str
    title: str
    blocks: tuple[Block, ...]
    reader: str = "workshop"

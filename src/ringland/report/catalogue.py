"""gettext catalogues: reading and writing .po text, and the machine object made from it.

Only what our catalogues use: msgid, msgstr, comments; no plural forms and no contexts (a sentence
with a count is a pattern). The machine object is the format of GNU gettext's manual, "The Format of
GNU MO Files", and goes to Python's own gettext module, so no tool is needed to add a language.
"""

import ast
import struct
from collections.abc import Mapping
from io import BytesIO

from ringland.errors import FileFormatError

__all__ = ["machine_object", "read_catalogue", "write_catalogue"]

_MAGIC = 0x950412DE


def read_catalogue(text: str) -> dict[str, str]:
    """msgid -> msgstr of a .po text, the header under "". Raises FileFormatError."""
    entries: dict[str, str] = {}
    source: str | None = None
    target: str | None = None
    for number, line in enumerate([*text.splitlines(), ""], start=1):
        bare = line.strip()
        keyword, _, rest = bare.partition(" ")
        if keyword == "msgid":
            _store(entries, source, target, number)
            source, target = _quoted(rest, number), None
        elif keyword == "msgstr" and source is not None:
            target = _quoted(rest, number)
        elif bare.startswith('"') and target is not None:
            target += _quoted(bare, number)
        elif bare.startswith('"') and source is not None:
            source += _quoted(bare, number)
        elif bare and not bare.startswith("#"):
            raise _wrong(number, bare)
    _store(entries, source, target, number)
    return entries


def _store(entries: dict[str, str], source: str | None, target: str | None, number: int) -> None:
    if source is None:
        return
    if target is None or source in entries:
        raise _wrong(number, source)
    entries[source] = target


def _quoted(text: str, number: int) -> str:
    try:
        value = ast.literal_eval(text)
    except (ValueError, SyntaxError) as error:
        raise _wrong(number, text) from error
    if not isinstance(value, str) or not text.startswith('"'):
        raise _wrong(number, text)
    return value


def _wrong(number: int, got: str) -> FileFormatError:
    return FileFormatError(
        "The catalogue is damaged.",
        got=f"line {number}: {got[:60]}",
        allowed='msgid "..." followed by msgstr "...", each msgid once',
    )


def write_catalogue(entries: Mapping[str, str], where: Mapping[str, str]) -> str:
    """The .po text of entries in their order; `where` says which file each one comes from."""
    parts = []
    for source, target in entries.items():
        comment = f"#: {where[source]}\n" if source in where else ""
        parts.append(f"{comment}msgid {_written(source)}\nmsgstr {_written(target)}\n")
    return "\n".join(parts)


def _written(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    lines = escaped.split("\n")
    if len(lines) == 1:
        return f'"{escaped}"'
    rows = [f'"{line}\\n"' for line in lines[:-1]] + ([f'"{lines[-1]}"'] if lines[-1] else [])
    return "\n".join(['""', *rows])


def machine_object(entries: Mapping[str, str]) -> BytesIO:
    """The entries as a .mo file in memory: header, two tables of (length, offset), the texts."""
    pairs = sorted((s.encode(), (t or s).encode()) for s, t in entries.items())
    count = len(pairs)
    at = 28 + 16 * count
    tables: list[bytes] = []
    texts: list[bytes] = []
    for column in (0, 1):
        for pair in pairs:
            tables.append(struct.pack("<II", len(pair[column]), at))
            texts.append(pair[column] + b"\0")
            at += len(pair[column]) + 1
    head = struct.pack("<IIIIIII", _MAGIC, 0, count, 28, 28 + 8 * count, 0, 28 + 16 * count)
    return BytesIO(head + b"".join(tables) + b"".join(texts))

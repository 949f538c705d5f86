"""Saying the report's English sentences in another language.

The content is made in English, some of it long ago and read back from a saved analysis. So a
translation is a map from what is said to what is said: a gettext catalogue (.po) whose entries are
sentences with places, "{1} of {2} cycles". A sentence is looked up as it is; then by its pattern,
what stands in the places being looked up in turn; then sentence by sentence. What is in no
catalogue stays English. Matching walks through the text once per pattern and never goes back, so
that no text, however made, can make it slow.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from gettext import GNUTranslations
from importlib.resources import files
from types import MappingProxyType
from typing import TypeAlias

from ringland.errors import SettingError
from ringland.report.catalogue import machine_object, read_catalogue

__all__ = ["SOURCE", "Catalogue", "Words", "languages", "load_catalogue", "pieces", "words_of"]

Words: TypeAlias = Callable[[str], str]

SOURCE = "en"
_FOLDER = "languages"
_LONGEST = 2000
_DEEPEST = 6
_PLACE = re.compile(r"\{(n?\d+)\}")
_NUMERIC = re.compile(
    r"[\s\d.,+%–\N{MINUS SIGN}\N{NO-BREAK SPACE}-]*\d[\s\d.,+%\N{NO-BREAK SPACE}]*"
)
# One decimal point between digits: not a version (1.2.3), a section (7.2.6) or a name (x1.5).
_DECIMAL = re.compile(r"(?<![\w.])(\d+)\.(\d+)(?![\w.]|-\w)")
_SPEED_UNIT = re.compile(r"(?<=\d[\s\N{NO-BREAK SPACE}])rpm\b")
_SENTENCE_END = re.compile(r"(?<=[.!?]) (?=[^a-z\s])")
_JOINTS = ("; ", ": ")
_TELLING_LETTERS = 5


@dataclass(frozen=True)
class _Pattern:
    """One catalogue entry with places: literal pieces around them, and the translation.

    A pattern is `telling` when its own letters say what the sentence is about.
    """

    literals: tuple[str, ...]
    places: tuple[str, ...]
    translation: str
    rarest: str
    telling: bool

    def match(self, text: str) -> dict[str, str] | None:
        """What stands in the places, or None. Leftmost match; each place holds something."""
        folded = _folded(text)
        first, last = self.literals[0], self.literals[-1]
        if len(folded) != len(text) or not folded.startswith(first) or not folded.endswith(last):
            return None
        found: dict[str, str] = {}
        at, stop = len(first), len(text) - len(last)
        for name, literal, after in zip(
            self.places, self.literals[1:], (*self.places[1:], ""), strict=True
        ):
            if not after:
                end = stop
            elif after == self.places[-1] and after.startswith("n"):
                end = folded.rfind(literal, at + 1, stop)  # a number at the end: its own joint
            else:
                end = folded.find(literal, at + 1, stop)
            if end <= at:
                return None
            found[name] = text[at:end]
            if name.startswith("n") and not _is_number(found[name]):
                return None
            at = end + len(literal)
        return found


@dataclass(frozen=True, eq=False)
class Catalogue:
    """A language: sentences as they stand and folded, and patterns, the most telling first."""

    language: str
    cased: Mapping[str, str]
    exact: Mapping[str, str]
    patterns: tuple[_Pattern, ...]
    decimal: str


def languages() -> tuple[str, ...]:
    """Codes of all languages a report can be written in, English first."""
    folder = files("ringland.report").joinpath(_FOLDER)
    found = (f.name.removesuffix(".po") for f in folder.iterdir() if f.name.endswith(".po"))
    return (SOURCE, *sorted(found))


@cache
def load_catalogue(language: str) -> Catalogue:
    """The catalogue of a language. Raises SettingError when there is none."""
    if language not in languages() or language == SOURCE:
        raise SettingError(
            "There is no such language for reports.",
            got=repr(language)[:40],
            allowed=", ".join(languages()),
            remedy="docs/languages.md says how to add one.",
        )
    path = files("ringland.report").joinpath(_FOLDER, f"{language}.po")
    entries = read_catalogue(path.read_text(encoding="utf-8"))
    translations = GNUTranslations(machine_object(entries))
    said = {e: translations.gettext(e) for e in entries if e}
    cased: dict[str, str] = {}
    exact: dict[str, str] = {}
    patterns = []
    for source, target in said.items():
        if not entries[source]:
            continue  # not translated yet
        if _PLACE.search(source):
            patterns.append(_pattern(source, target))
        else:
            cased[source] = target
            exact.setdefault(_folded(source), target)
    patterns.sort(key=lambda p: (not p.telling, -sum(map(len, p.literals))))
    decimal = translations.info().get("x-decimal", ".")
    return Catalogue(
        language, MappingProxyType(cased), MappingProxyType(exact), tuple(patterns), decimal
    )


def _pattern(source: str, target: str) -> _Pattern:
    parts = _PLACE.split(_folded(source))
    literals = tuple(parts[::2])
    letters = sum(letter.isalpha() for literal in literals for letter in literal)
    rarest = max(literals, key=len)
    return _Pattern(
        literals, tuple(parts[1::2]), target, rarest, telling=letters >= _TELLING_LETTERS
    )


def _is_number(text: str) -> bool:
    return _NUMERIC.fullmatch(text.replace("\N{NO-BREAK SPACE}", " ")) is not None


def _folded(text: str) -> str:
    """For comparing: small letters, and spaces that break."""
    return text.replace("\N{NO-BREAK SPACE}", " ").casefold()


@cache
def words_of(language: str) -> Words:
    """The function that says an English text in the language. Raises SettingError."""
    if language == SOURCE:
        return lambda text: text
    catalogue = load_catalogue(language)

    @lru_cache(maxsize=4096)
    def words(text: str) -> str:
        return _said(catalogue, text, 0) or _numbers(catalogue, text)

    return words


def _said(catalogue: Catalogue, text: str, depth: int) -> str | None:
    """The text in the language, or None when nothing of it is known."""
    bare = re.sub(" {2,}", " ", text.strip(" "))
    if not bare or len(bare) > _LONGEST or depth > _DEEPEST:
        return None
    found = _exact(catalogue, bare)
    if found is None:
        sentences = pieces(bare)
        if len(sentences) > 1:
            found = _joined(catalogue, sentences, depth)
        else:
            found = _clause(catalogue, bare, depth)
    if found is None:
        return None
    if bare[0].isupper() and found[0].islower():
        found = found[0].upper() + found[1:]
    head, tail = text[: len(text) - len(text.lstrip(" "))], text[len(text.rstrip(" ")) :]
    return f"{head}{found}{tail}"


def _exact(catalogue: Catalogue, text: str) -> str | None:
    """One entry as it stands, with or without its full stop, or cut short in a figure."""
    folded = _folded(text)
    found = catalogue.cased.get(text, catalogue.exact.get(folded))
    if found is None and text.endswith("…"):
        whole = next((k for k in catalogue.exact if k.startswith(folded[:-1].rstrip())), None)
        if whole is None:
            return None
        longer = catalogue.exact[whole]
        return longer if len(longer) <= len(text) else f"{longer[: len(text) - 1].rstrip()}…"
    if found is None and text.endswith("."):
        found = catalogue.exact.get(folded[:-1])
        return None if found is None else f"{found}."
    if found is None:
        found = catalogue.exact.get(f"{folded}.")
        return None if found is None else found.removesuffix(".")
    return found


def _clause(catalogue: Catalogue, text: str, depth: int) -> str | None:
    """One sentence: by its pattern, else clause by clause, else by a pattern of few letters."""
    folded = _folded(text)
    stopped = text.endswith(".")
    for pattern in catalogue.patterns:
        if pattern.rarest in folded:
            found = _by_pattern(catalogue, pattern, text, depth)
            if found is None and stopped:
                found = _by_pattern(catalogue, pattern, text[:-1], depth)
                found = None if found is None else f"{found}."
            if found is not None:
                return found
    for joint in _JOINTS:
        found = _joined(catalogue, _split(text, joint), depth)
        if found is not None:
            return found
    return _joined(catalogue, _split(text, ", "), depth, wholly=True)


def _by_pattern(catalogue: Catalogue, pattern: _Pattern, text: str, depth: int) -> str | None:
    values = pattern.match(text)
    if values is None:
        return None
    said = {name: _said(catalogue, value, depth + 1) for name, value in values.items()}
    if not pattern.telling and any(
        said[name] is None and not _is_number(value) for name, value in values.items()
    ):
        return None  # "this and that" says nothing by itself
    filled = {n: said[n] or _numbers(catalogue, value) for n, value in values.items()}
    return _PLACE.sub(lambda m: filled.get(m.group(1), m.group()), pattern.translation)


def pieces(text: str) -> list[str]:
    """The sentences of a text, and the spaces between them."""
    parts = _SENTENCE_END.split(text)
    return [piece for part in parts for piece in (" ", part)][1:]


def _split(text: str, joint: str) -> list[str]:
    return [piece for part in text.split(joint) for piece in (joint, part)][1:]


def _joined(
    catalogue: Catalogue, parts: list[str], depth: int, *, wholly: bool = False
) -> str | None:
    """Parts (text, joint, text ...) each said by itself; None when none, or `wholly` not all, is
    known."""
    texts = parts[::2]
    if len(texts) < 2:
        return None
    said = [_said(catalogue, part, depth + 1) for part in texts]
    known = [s is not None or _is_number(t) for s, t in zip(said, texts, strict=True)]
    if all(s is None for s in said) or (wholly and not all(known)):
        return None
    shown = [s or _numbers(catalogue, t) for s, t in zip(said, texts, strict=True)]
    joints = [*parts[1::2], ""]
    return "".join(t + j for t, j in zip(shown, joints, strict=True))


def _numbers(catalogue: Catalogue, text: str) -> str:
    """Decimal signs as the language writes them."""
    if catalogue.decimal == ".":
        return text
    text = _DECIMAL.sub(rf"\g<1>{catalogue.decimal}\g<2>", text)
    return _SPEED_UNIT.sub(catalogue.exact.get("rpm", "rpm"), text)

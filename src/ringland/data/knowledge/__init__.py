"""Trade knowledge as data files, and a strict way to read them."""

import tomllib
from collections.abc import Collection, Mapping
from importlib.resources import files
from typing import TypeVar

from ringland.errors import SettingError

__all__ = ["Table", "read_knowledge_file"]

T = TypeVar("T")


class Table:
    """One TOML table read key by key; every complaint says in which file and table it was.

    Keys that nobody asked for are an error too (`finish`), so that a misspelt key cannot be lost.
    """

    def __init__(self, values: object, where: str) -> None:
        if not isinstance(values, Mapping):
            raise SettingError(
                f"{where} is not a table.", got=repr(values), allowed="a table of keys and values"
            )
        self._values: Mapping[str, object] = values
        self._asked: set[str] = set()
        self.where = where

    def _wrong(self, key: str, allowed: str) -> SettingError:
        return SettingError(
            f"{self.where}: `{key}` is missing or wrong.",
            got=repr(self._values.get(key, "nothing")),
            allowed=allowed,
            remedy="Correct the knowledge file.",
        )

    def _typed(self, key: str, kind: type[T], allowed: str) -> T:
        self._asked.add(key)
        value = self._values.get(key)
        if isinstance(value, kind) and not (kind is not bool and isinstance(value, bool)):
            return value
        raise self._wrong(key, allowed)

    def has(self, key: str) -> bool:
        """True when the key is there."""
        return key in self._values

    def text(self, key: str, allowed: Collection[str] | None = None) -> str:
        """A non-empty string, one of `allowed` when given."""
        value = self._typed(key, str, "a string")
        if not value or (allowed is not None and value not in allowed):
            raise self._wrong(key, "one of " + ", ".join(sorted(allowed or ["a non-empty string"])))
        return value

    def number(self, key: str, low: float, high: float) -> float:
        """A number within [low, high]."""
        self._asked.add(key)
        value = self._values.get(key)
        if isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high:
            return float(value)
        raise self._wrong(key, f"a number from {low:g} to {high:g}")

    def flag(self, key: str) -> bool:
        """true or false."""
        return self._typed(key, bool, "true or false")

    def texts(self, key: str, allowed: Collection[str] | None = None) -> tuple[str, ...]:
        """A list of strings; an absent key is an empty list."""
        self._asked.add(key)
        value = self._values.get(key, [])
        if not isinstance(value, list) or not all(isinstance(v, str) and v for v in value):
            raise self._wrong(key, "a list of strings")
        if allowed is not None and not set(value) <= set(allowed):
            raise self._wrong(key, "a list of " + ", ".join(sorted(allowed)))
        return tuple(value)

    def numbers(self, key: str) -> tuple[float, ...]:
        """A list of numbers."""
        self._asked.add(key)
        value = self._values.get(key)
        if not isinstance(value, list) or not all(
            isinstance(v, int | float) and not isinstance(v, bool) for v in value
        ):
            raise self._wrong(key, "a list of numbers")
        return tuple(float(v) for v in value)

    def table(self, key: str) -> "Table":
        """A table inside this one."""
        self._asked.add(key)
        if key not in self._values:
            raise self._wrong(key, "a table")
        return Table(self._values[key], f"{self.where}, {key}")

    def tables(self, key: str, name: str = "id") -> tuple["Table", ...]:
        """A list of tables, each known in messages by its `name` key."""
        self._asked.add(key)
        value = self._values.get(key)
        if not isinstance(value, list):
            raise self._wrong(key, f"one or more [[{key}]] tables")
        return tuple(
            Table(v, f"{self.where}, {key} {v.get(name, i) if isinstance(v, dict) else i}")
            for i, v in enumerate(value, start=1)
        )

    def keys(self) -> tuple[str, ...]:
        """All keys; counts as having asked for them."""
        self._asked.update(self._values)
        return tuple(self._values)

    def finish(self) -> None:
        """Raise SettingError when the table holds a key that nobody asked for."""
        extra = sorted(set(self._values) - self._asked)
        if extra:
            raise SettingError(
                f"{self.where} has keys that mean nothing here.",
                got=", ".join(extra),
                allowed=", ".join(sorted(self._asked)),
            )


def read_knowledge_file(name: str, text: str | None = None) -> Table:
    """The knowledge file `name` (or the given text under that name) as a strict table."""
    if text is None:
        text = (files("ringland") / "data" / "knowledge" / name).read_text(encoding="utf-8")
    try:
        return Table(tomllib.loads(text), name)
    except tomllib.TOMLDecodeError as error:
        raise SettingError(f"{name} is not valid TOML.", got=str(error)) from error

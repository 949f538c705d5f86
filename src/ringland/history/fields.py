"""What may stand in a field of a row. Everything a person or a file gives passes through here."""

import json
import math
import re
from collections.abc import Mapping
from dataclasses import MISSING, fields
from datetime import date
from functools import cache
from types import NoneType
from typing import get_args, get_type_hints

from ringland.errors import SettingError
from ringland.history.ids import is_id
from ringland.history.rows import Purpose, Row

__all__ = ["LONGEST_TEXT", "allowed_fields", "checked"]

LONGEST_TEXT = 100_000
"""Characters in one field: a long letter, or an engine file."""
_GOVERNED = frozenset({"id", "created_utc", "changed_utc", "version", "deleted_utc"})
_JSON_FIELDS = frozenset({"costs", "roles", "causes", "readings"})
_SHA = re.compile(r"[0-9a-f]{64}")
_UNPRINTABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff]")


@cache
def allowed_fields(row_type: type) -> dict[str, tuple[frozenset[type], bool]]:
    """Field -> (types allowed, must it be given)."""
    hints = get_type_hints(row_type)
    return {
        f.name: (
            frozenset(get_args(hints[f.name]) or (hints[f.name],)),
            f.default is MISSING and f.default_factory is MISSING,
        )
        for f in fields(row_type)
        if f.name not in _GOVERNED
    }


def checked(
    row_type: type[Row], title: str, given: Mapping[str, object], *, whole: bool
) -> dict[str, object]:
    """The values as they will be kept. `whole`: nothing that must be given may be missing.

    Raises SettingError for an unknown field, a wrong type, text that is too long or not text, a
    number that is not finite, a date that is none, or JSON that is none.
    """
    known = allowed_fields(row_type)  # type: ignore[arg-type] # a class is hashable
    for name in given:
        if name not in known:
            raise SettingError(
                f"A {title} has no field of that name.",
                got=repr(name),
                allowed=", ".join(known),
            )
    missing = [n for n, (_, needed) in known.items() if whole and needed and n not in given]
    if missing:
        raise SettingError(
            f"Something a {title} needs was not given.", allowed="give " + ", ".join(missing)
        )
    return {name: _value(title, name, value, known[name]) for name, value in given.items()}


def _value(title: str, name: str, value: object, rule: tuple[frozenset[type], bool]) -> object:
    types, needed = rule
    if value is None and NoneType in types:
        return None
    if Purpose in types:
        return _purpose(value)
    if str in types and isinstance(value, str):
        return _text(title, name, value, needed=needed, optional=NoneType in types)
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if float in types and is_number and math.isfinite(value):  # type: ignore[arg-type]
        return float(value)  # type: ignore[arg-type]
    if int in types and isinstance(value, int) and is_number and abs(value) < 2**53:
        return int(value)
    wanted = {"str": "text", "float": "a finite number", "int": "a whole number"}
    raise SettingError(
        f"The field {name} of a {title} cannot hold this.",
        got=repr(value)[:200],
        allowed=" or ".join(wanted.get(t.__name__, "nothing") for t in sorted(types, key=str)),
    )


def _purpose(value: object) -> Purpose:
    try:
        return Purpose(str(value))
    except ValueError as error:
        raise SettingError(
            "There is no such purpose of a visit.",
            got=repr(value)[:80],
            allowed=", ".join(Purpose),
        ) from error


def _text(title: str, name: str, value: str, *, needed: bool, optional: bool) -> str | None:
    text = value.replace("\r\n", "\n").strip() if name not in ("description",) else value
    wrong: str | None = None
    if len(text) > LONGEST_TEXT:
        wrong = f"at most {LONGEST_TEXT} characters"
    elif _UNPRINTABLE.search(text):
        wrong = "text without control characters"
    elif not text and optional:
        return None
    elif not text and needed:
        wrong = "some text"
    elif name.endswith("_on") and not _is_date(text):
        wrong = "a date as YYYY-MM-DD"
    elif name.endswith("_id") and not is_id(text):
        wrong = "the id of a row"
    elif name == "sha256" and not _SHA.fullmatch(text):
        wrong = "64 hexadecimal digits"
    elif name.endswith("_utc") and len(text) != 27:
        wrong = "a time as 2026-01-31T08:00:00.000000Z"
    elif name in _JSON_FIELDS and not _is_json(text):
        wrong = "JSON text"
    if wrong is not None:
        raise SettingError(
            f"The field {name} of a {title} cannot hold this.", got=repr(text)[:200], allowed=wrong
        )
    return text


def _is_date(text: str) -> bool:
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def _is_json(text: str) -> bool:
    try:
        json.loads(text)
    except (ValueError, RecursionError):
        return False
    return True

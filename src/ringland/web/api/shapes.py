"""Shapes of requests and answers, made from the row types so that they cannot drift apart."""

from dataclasses import MISSING, fields
from types import NoneType
from typing import Annotated, Any, get_args, get_type_hints

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, create_model

from ringland.history import Purpose
from ringland.history.fields import LONGEST_TEXT
from ringland.history.rows import Row

__all__ = ["ERRORS", "ErrorShape", "RowId", "Undo", "Version", "input_models", "undo_of"]

_GOVERNED = frozenset({"id", "created_utc", "changed_utc", "version", "deleted_utc"})
RowId = Annotated[
    str, StringConstraints(pattern=r"^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$", max_length=36)
]
Version = Annotated[int, Field(ge=1, le=2**53 - 1)]
_TYPES: dict[type, Any] = {
    str: Annotated[str, StringConstraints(max_length=LONGEST_TEXT)],
    float: Annotated[float, Field(allow_inf_nan=False)],
    int: Annotated[int, Field(ge=-(2**53) + 1, le=2**53 - 1)],
    Purpose: Purpose,
}


class ErrorShape(BaseModel):
    """The one shape of every error; `current` is there when somebody else was faster."""

    error: str
    wrong: str
    got: str | None = None
    allowed: str | None = None
    remedy: str | None = None
    current: dict[str, Any] | None = None


ERRORS: dict[int | str, dict[str, Any]] = {
    status: {"model": ErrorShape, "description": words}
    for status, words in {
        400: "Something given cannot be used",
        403: "Not let in, or not from this app's pages",
        404: "There is nothing under this address",
        409: "Somebody else changed it first",
        413: "Too large",
        422: "A field has the wrong shape, or the recording cannot be judged",
        429: "Too many requests",
    }.items()
}


class Undo(BaseModel):
    """The request that takes a change back."""

    title: str
    method: str
    path: str
    body: dict[str, Any] | None = None


def undo_of(title: str, method: str, path: str, body: dict[str, Any] | None = None) -> Undo:
    """An undo with the title of the button."""
    return Undo(title=title, method=method, path=path, body=body)


def _typed(hint: Any) -> Any:
    """A field's type with its limits; optional stays optional."""
    kinds = get_args(hint) or (hint,)
    plain = next(k for k in kinds if k is not NoneType)
    limited = _TYPES[plain]
    return limited | None if NoneType in kinds else limited


def input_models(
    row_type: type[Row], *, without: frozenset[str] = frozenset()
) -> tuple[type[BaseModel], type[BaseModel]]:
    """What a new row takes, and what a change takes (any of it, and the version)."""
    hints = get_type_hints(row_type)
    strict = ConfigDict(extra="forbid")
    new: dict[str, Any] = {}
    change: dict[str, Any] = {"version": (Version, ...)}
    for one in fields(row_type):
        if one.name in _GOVERNED or one.name in without:
            continue
        kind = _typed(hints[one.name])
        new[one.name] = (kind, ... if one.default is MISSING else one.default)
        change[one.name] = (kind, None)
    name = row_type.__name__
    return (
        create_model(f"New{name}", __config__=strict, **new),
        create_model(f"Change{name}", __config__=strict, **change),
    )

"""Owners, vehicles, engines, visits and what hangs on them: list, read, add, change, delete,
restore. The same six addresses for each."""

from collections.abc import Callable
from dataclasses import asdict
from enum import Enum
from typing import Annotated, Any

from fastapi import APIRouter, Header, Path, Query
from pydantic import BaseModel, create_model

from ringland.history import ChangedMeanwhile, NotKept, rows
from ringland.history.files import MissingFile
from ringland.history.shelves import SHELVES, Shelf
from ringland.web.api.shapes import ERRORS, RowId, Undo, Version, input_models, undo_of
from ringland.web.context import App, Context
from ringland.web.errors import Conflict, NotFound

__all__ = ["Window", "changing", "plain_row", "router"]

router = APIRouter(responses=ERRORS)
Window = Annotated[str, Header(alias="X-Ringland-Window", max_length=40)]
_OPEN: tuple[tuple[str, str, bool], ...] = (
    ("owners", "owner", True),
    ("vehicles", "vehicle", True),
    ("engines", "engine", True),
    ("visits", "visit", True),
    ("recordings", "recording", False),
    ("analyses", "analysis", False),
    ("test-results", "test_result", False),
    ("works", "work", True),
    ("outcomes", "outcome", True),
    ("notes", "note", True),
    ("reports-sent", "report_sent", False),
    ("calibrations", "calibration", False),
)
"""Address, table, and whether a row can be added directly (else by its own address)."""
_FIXED = {
    "recording": frozenset({"visit_id", "sha256", "size_bytes", "duration_s"}),
    "test_result": frozenset({"visit_id", "analysis_id"}),
}
"""Fields that are not a person's to change."""
_MEASURED = frozenset({
    "what", "instrument", "address", "input", "role", "measured_utc", "rate_hz", "value",
    "standard_error", "unit", "reference", "readings",
})  # fmt: skip
"""Of a calibration only the remark and which instrument it was are a person's to change."""
_FIXED["calibration"] = _MEASURED
_READ_ONLY = frozenset({"analysis", "report_sent"})


def plain_row(row: rows.Row) -> dict[str, Any]:
    """A row as JSON."""
    return asdict(row)


def changing(shelf: Shelf[Any], app: Context, row_id: str, do: Callable[[], rows.Row]) -> rows.Row:
    """Make a change; what the store refuses becomes an answer with the right status."""
    try:
        return do()
    except ChangedMeanwhile as error:
        current = plain_row(shelf.get(app.store, row_id))
        raise Conflict(
            f"The {shelf.title} was changed in another window.",
            current=current,
            remedy="Compare both and choose. Nothing was overwritten.",
        ) from error
    except (NotKept, MissingFile) as error:
        raise NotFound(error.wrong, got=error.got, remedy=error.remedy) from error


def found(shelf: Shelf[Any], app: Context, row_id: str) -> rows.Row:
    """One row. Raises NotFound."""
    return changing(shelf, app, row_id, lambda: shelf.get(app.store, row_id))


def _add_routes(address: str, kind: str, *, addable: bool) -> None:
    shelf = SHELVES[kind]
    row_type: Any = shelf.row_type
    tag: list[str | Enum] = [shelf.title]
    base = f"/{address}"
    one = f"{base}/{{row_id}}"
    answer: Any = create_model(
        f"{row_type.__name__}Changed", row=(row_type, ...), undo=(Undo | None, None)
    )
    path_of = f"/api/v1/{address}"
    Id = Annotated[RowId, Path(description=f"Id of the {shelf.title}")]

    @router.get(base, tags=tag, name=f"list_{kind}", response_model=list[row_type])
    def list_rows(  # noqa: PLR0917 - parameters of a request
        app: App,
        deleted: bool = False,
        limit: Annotated[int, Query(ge=1, le=1000)] = 200,
        offset: Annotated[int, Query(ge=0, le=10_000_000)] = 0,
        vehicle_id: RowId | None = None,
        visit_id: RowId | None = None,
    ) -> Any:
        """Rows in their usual order."""
        given = {"vehicle_id": vehicle_id, "visit_id": visit_id}
        chosen = {k: v for k, v in given.items() if v is not None}
        return shelf.all(app.store, deleted=deleted, limit=limit, offset=offset, **chosen)

    @router.get(one, tags=tag, name=f"get_{kind}", response_model=row_type)
    def get_row(app: App, row_id: Id) -> Any:
        """One row, also when it was deleted."""
        return found(shelf, app, row_id)

    if kind in _READ_ONLY:
        return
    new, change = input_models(row_type, without=_FIXED.get(kind, frozenset()))

    if addable:

        @router.post(base, tags=tag, name=f"add_{kind}", response_model=answer, status_code=201)
        def add_row(app: App, fields: new, window: Window = "") -> Any:  # type: ignore[valid-type]
            """Keep a new row."""
            given = _given(fields, unset=True)
            row = changing(shelf, app, "", lambda: shelf.add(app.store, **given))
            app.changed(kind, row.id, window)
            undo = undo_of(f"new {shelf.title}", "DELETE", f"{path_of}/{row.id}?version=1")
            return {"row": row, "undo": undo}

    @router.patch(one, tags=tag, name=f"change_{kind}", response_model=answer)
    def change_row(app: App, row_id: Id, fields: change, window: Window = "") -> Any:  # type: ignore[valid-type]
        """Change some fields of the row as it was read."""
        given = _given(fields, unset=False)
        version = given.pop("version")
        before = found(shelf, app, row_id)
        row = changing(
            shelf, app, row_id, lambda: shelf.change(app.store, row_id, version, **given)
        )
        if row.version == before.version:
            return {"row": row, "undo": None}
        app.changed(kind, row.id, window)
        old = {k: getattr(before, k) for k in given if getattr(before, k) != getattr(row, k)}
        back = {**old, "version": row.version}
        names = ", ".join(k.replace("_", " ") for k in old)
        return {"row": row, "undo": undo_of(names[:60], "PATCH", f"{path_of}/{row_id}", back)}

    @router.delete(one, tags=tag, name=f"delete_{kind}", response_model=answer)
    def delete_row(
        app: App, row_id: Id, version: Version | None = None, window: Window = ""
    ) -> Any:
        """Take the row and what hangs on it out of sight; `restore` brings it back."""
        row = changing(shelf, app, row_id, lambda: shelf.delete(app.store, row_id, version))
        app.changed(kind, row_id, window)
        undo = undo_of(f"{shelf.title} removed", "POST", f"{path_of}/{row_id}/restore")
        return {"row": row, "undo": undo}

    @router.post(f"{one}/restore", tags=tag, name=f"restore_{kind}", response_model=answer)
    def restore_row(app: App, row_id: Id, window: Window = "") -> Any:
        """Bring a deleted row back."""
        row = changing(shelf, app, row_id, lambda: shelf.restore(app.store, row_id))
        app.changed(kind, row_id, window)
        return {"row": row, "undo": None}


def _given(fields: BaseModel, *, unset: bool) -> dict[str, Any]:
    """The fields that were sent; with `unset` the defaults too."""
    return fields.model_dump(exclude_unset=not unset)


for _address, _kind, _addable in _OPEN:
    _add_routes(_address, _kind, addable=_addable)

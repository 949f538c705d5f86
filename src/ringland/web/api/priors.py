"""The priors: as they come with the program, or learned from confirmed outcomes."""

from typing import Any

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict

from ringland.history.learned import newest_update, outcomes_since, priors_of, switch_priors
from ringland.web.api.rows import Window
from ringland.web.api.shapes import ERRORS, Undo, undo_of
from ringland.web.context import App, Context

__all__ = ["PriorsShape", "priors_now", "router"]

router = APIRouter(responses=ERRORS, tags=["priors"])


class PriorsShape(BaseModel):
    """`on`: the switch. `sha256`, `made_utc`, `outcomes`: the set in use, null for that of the
    package. `since`: confirmed outcomes that it has not counted. `sentence`: what was learned."""

    on: bool
    sha256: str | None
    made_utc: str | None
    outcomes: int | None
    since: int
    sentence: str


class Switch(BaseModel):
    """On (again: learn from all confirmed so far) or off."""

    model_config = ConfigDict(extra="forbid")

    on: bool


class PriorsChanged(BaseModel):
    """The switch as it now stands."""

    row: PriorsShape
    undo: Undo | None = None


def priors_now(app: Context) -> PriorsShape:
    """The switch and what it does."""
    update, used = newest_update(app.store), priors_of(app.store)
    return PriorsShape(
        on=update is not None and update.enabled,
        sha256=None if used is None else used.sha256,
        made_utc=None if used is None else used.made_utc,
        outcomes=None if used is None else used.outcomes,
        since=outcomes_since(app.store),
        sentence="" if update is None or not update.enabled else update.sentence,
    )


@router.get("/priors", response_model=PriorsShape)
def get_priors(app: App) -> Any:
    """Which priors analyses use now."""
    return priors_now(app)


@router.put("/priors", response_model=PriorsChanged)
def put_priors(app: App, given: Switch, window: Window = "") -> Any:
    """Switch; recordings are judged with it when they are judged next."""
    before = newest_update(app.store)
    was_on = before is not None and before.enabled
    switch_priors(app.store, on=given.on)
    app.changed("priors", "priors", window)
    undo = None
    if given.on and not was_on:  # what was learned earlier cannot be learned again
        undo = undo_of("learned priors", "PUT", "/api/v1/priors", {"on": False})
    return {"row": priors_now(app), "undo": undo}

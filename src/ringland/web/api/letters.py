"""Letters in the outbox: try now, take back, say what became of one, fetch it as a file."""

from typing import Annotated, Any

from fastapi import APIRouter, Path, Response
from pydantic import BaseModel, ConfigDict

from ringland.history.outbox import cancel, settle, try_now
from ringland.web.api.reports import SentRow
from ringland.web.api.shapes import ERRORS, RowId
from ringland.web.context import App
from ringland.web.letters import change_letter, file_of_letter

__all__ = ["router"]

router = APIRouter(prefix="/letters", responses=ERRORS, tags=["report"])
Letter = Annotated[RowId, Path(description="Id of the report sent")]


class Settled(BaseModel):
    """What the recipient says of a letter whose fate is unclear; one that did not arrive is sent
    again."""

    model_config = ConfigDict(extra="forbid")

    arrived: bool


@router.post("/{row_id}/try", response_model=SentRow)
def try_letter(app: App, row_id: Letter) -> Any:
    """Try a letter that waits at once."""
    return {"row": change_letter(app, row_id, try_now)}


@router.post("/{row_id}/cancel", response_model=SentRow)
def cancel_letter(app: App, row_id: Letter) -> Any:
    """Take back a letter that waits."""
    return {"row": change_letter(app, row_id, cancel)}


@router.post("/{row_id}/settle", response_model=SentRow)
def settle_letter(app: App, row_id: Letter, given: Settled) -> Any:
    """Say whether an unclear letter arrived."""
    return {
        "row": change_letter(app, row_id, lambda box, one: settle(box, one, arrived=given.arrived))
    }


@router.get(
    "/{row_id}/file",
    response_class=Response,
    responses={200: {"content": {"message/rfc822": {}}}},
)
def fetch_letter(app: App, row_id: Letter) -> Response:
    """The letter with the report in it, for another mail program."""
    return Response(
        file_of_letter(app, row_id),
        media_type="message/rfc822",
        headers={"content-disposition": 'attachment; filename="letter.eml"'},
    )

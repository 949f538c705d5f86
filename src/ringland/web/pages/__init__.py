"""The pages: they read, lay out and link. Every change they offer goes through the REST API."""

from fastapi import APIRouter

from ringland.web.pages import (
    compare,
    desk,
    entry,
    fleet,
    instruments,
    record,
    shell,
    vehicle,
    visit,
)

__all__ = ["router"]

router = APIRouter(include_in_schema=False)
for part in (shell, entry, desk, vehicle, record, visit, compare, fleet, instruments):
    router.include_router(part.router)

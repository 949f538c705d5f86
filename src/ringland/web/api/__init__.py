"""The REST API under /api/v1: everything the pages change goes through it."""

from fastapi import APIRouter

from ringland.web.api import answers, intake, live, priors, reports, rows, sharing, uploads, work

__all__ = ["router"]

router = APIRouter(prefix="/api/v1")
for part in (
    intake.router,
    live.router,
    priors.router,
    reports.router,
    rows.router,
    uploads.router,
    answers.router,
    work.router,
    sharing.router,
):
    router.include_router(part)

"""The REST API under /api/v1: everything the pages change goes through it."""

from fastapi import APIRouter

from ringland.web.api import (
    answers,
    care,
    handouts,
    instruments,
    intake,
    letters,
    live,
    priors,
    reports,
    rows,
    sharing,
    uploads,
    vehicle_readings,
    work,
)

__all__ = ["router"]

router = APIRouter(prefix="/api/v1")
for part in (
    intake.router,
    live.router,
    instruments.router,
    priors.router,
    reports.router,
    letters.router,
    handouts.router,
    rows.router,
    uploads.router,
    answers.router,
    vehicle_readings.router,
    work.router,
    sharing.router,
    care.router,
):
    router.include_router(part)

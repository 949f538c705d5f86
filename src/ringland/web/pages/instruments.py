"""Instruments: self-check, what was measured of each, which one of a name it is."""

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response

from ringland.instruments.calibration import CalibrationKind
from ringland.web.context import App, Context
from ringland.web.measured import measured
from ringland.web.self_check import SELF_CHECK, SelfChecks, SelfChecksOf, titled
from ringland.web.templating import page

__all__ = ["router"]

router = APIRouter()
_SAYS = {
    CalibrationKind.NOISE: "what the inputs make by themselves",
    CalibrationKind.SKEW: "how late one input is against another",
    CalibrationKind.POLARITY: "which way up each sensor is",
    CalibrationKind.STEP: "how quickly and how far it answers",
}


@router.get("/instruments")
def instruments_page(request: Request, app: App, checks: SelfChecksOf) -> Response:
    """The page; instruments that are there are filled in by its script, from the API."""
    from ringland.live.selfcheck import CAUTIONS, HOW

    kinds = [(k.value, titled(k), _SAYS[k], HOW[k], CAUTIONS[k]) for k in CalibrationKind]
    return page(
        request, "instruments.html.j2", here="/settings", kinds=kinds, **_values(app, checks)
    )


@router.get("/instruments/part")
def instruments_part(request: Request, app: App, checks: SelfChecksOf) -> Response:
    """What a check found and what is kept, loaded again when it changed."""
    return page(request, "part.html.j2", part="part_instruments.html.j2", **_values(app, checks))


def _values(app: Context, checks: SelfChecks) -> dict[str, Any]:
    return {
        "check": app.jobs.about(SELF_CHECK),
        "found": checks.found(app.store),
        "measured": measured(app.store),
    }

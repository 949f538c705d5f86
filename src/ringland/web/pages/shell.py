"""What makes it an app that can be installed: manifest and service worker for the shell only."""

from fastapi import APIRouter
from fastapi.responses import JSONResponse, Response

from ringland.web.templating import STATIC, static_url

__all__ = ["router"]

router = APIRouter()
_SHELL = (
    "css/theme.css",
    "css/app.css",
    "js/app.js",
    "vendor/htmx/htmx.min.js",
    "icon.svg",
)


@router.get("/manifest.webmanifest")
def manifest() -> JSONResponse:
    """How the app is installed."""
    return JSONResponse(
        {
            "name": "Ringland",
            "short_name": "Ringland",
            "description": "Judge piston engines from pressure pulses",
            "start_url": "/",
            "display": "standalone",
            "background_color": "#fcfbf8",
            "theme_color": "#14181c",
            "icons": [{"src": static_url("icon.svg"), "sizes": "any", "type": "image/svg+xml"}],
        },
        media_type="application/manifest+json",
    )


@router.get("/sw.js")
def service_worker() -> Response:
    """The service worker: keeps the shell, never a page, a result or a recording."""
    shell = ", ".join(f"'{static_url(name)}'" for name in _SHELL)
    text = (STATIC / "js" / "service_worker.js").read_text("utf-8")
    return Response(
        text.replace("/* the shell */", shell),
        media_type="text/javascript",
        headers={"cache-control": "no-cache"},
    )

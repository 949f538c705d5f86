"""Pages from templates: escaped by default, a missing value is an error."""

import hashlib
import re
from datetime import date
from functools import cache
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fastapi import Request
from fastapi.responses import HTMLResponse

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["STATIC", "page", "static_url"]

STATIC = Path(str(files("ringland.web").joinpath("static")))


@cache
def static_url(name: str) -> str:
    """The address of a static file, with its content in it so that it may be kept for ever."""
    digest = hashlib.sha256((STATIC / name).read_bytes()).hexdigest()[:12]
    return f"/static/{name}?{digest}"


_PERCENT = re.compile(r"<textarea.*?</textarea>|<[^>]+>|(?<=\d) (?=%(?!\w))", re.DOTALL)


def _percent_together(html: str) -> str:
    """The page with a space that does not break before every per cent sign of its text; nothing
    inside a tag or a field is touched."""
    return _PERCENT.sub(lambda m: "\N{NO-BREAK SPACE}" if m.group() == " " else m.group(), html)


def _drawn(svg: str) -> str:
    """Figures drawn by our own code, which escapes every text it draws."""
    from markupsafe import Markup

    return Markup(svg)  # noqa: S704


@cache
def _environment() -> "Environment":
    from jinja2 import Environment, PackageLoader, StrictUndefined

    from ringland.web import wording

    environment = Environment(
        loader=PackageLoader("ringland.web"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["static"] = static_url
    environment.globals["instrument"] = find_spec("ringland.web.instrument") is not None
    environment.filters["drawn"] = _drawn
    environment.filters.update(wording.FILTERS)
    return environment


def page(request: Request, template: str, *, status: int = 200, **values: Any) -> HTMLResponse:
    """One page or part of a page. `here` marks the place in the navigation, `device` is the other
    device that asks, None on this computer."""
    state = request.scope.get("state", {})
    session = state.get("session")
    text = _environment().get_template(template).render({
        "settings": request.app.state.settings.current,
        "token": state.get("csrf", ""),
        "here": request.url.path,
        "device": session if session is not None and session.shared else None,
        "sharing": request.app.state.context.sharing,
        "today": date.today().isoformat(),
        **values,
    })  # fmt: skip
    return HTMLResponse(_percent_together(text), status)

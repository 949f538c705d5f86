"""The local web app: pages and a REST API over the same few functions as the command line.

Loaded on first use, so that the command line stays fast.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ringland.web.app import create_app
    from ringland.web.serve import serve

__all__ = ["create_app", "serve"]

_PLACES = {"create_app": "ringland.web.app", "serve": "ringland.web.serve"}


def __getattr__(name: str) -> object:
    """The named function, from the module that has it."""
    if name in _PLACES:
        return getattr(import_module(_PLACES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
